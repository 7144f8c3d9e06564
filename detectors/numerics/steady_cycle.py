"""How much likelier a steady cycle among gusts is than gusts alone, by the likelihood of the samples.

Two explanations of a swing in stretches of flight. Gusts alone: a mode that they drive, of any of the
shapes in `steady_cycle_shapes`. A cycle: the same, and a sine of one frequency and amplitude, at least
about as strong as the mode, whose phase is new in each stretch. All of their parameters are unknown; both
likelihoods are averaged over the same table of shapes and over every standard deviation, so that the ratio
is Bayes' factor and pays for what the cycle has more. A spectrum alone cannot tell them; what tells is
that the sine's power is the same all the time, and narrower than the mode's tails allow. Both show best
in whole stretches.

References
----------
.. [1] R. E. Kass, A. E. Raftery, Bayes factors, J. Am. Stat. Assoc. 90, 1995.
.. [2] H. L. Van Trees, Detection, Estimation, and Modulation Theory I, Wiley 1968, section 4.4 (a sine of
   unknown phase in coloured noise: the Bessel function of the whitened projection).
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy import special

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.spectra import without_line
from trimkeep.detectors.numerics.steady_cycle_shapes import ORDER, SAMPLES_PER_PERIOD, Shapes, shapes

LEAST_PERIODS = 5
"""Shorter stretches do not resolve a line in a mode."""
MOST_PERIODS = 20
"""Longer stretches are cut in equal parts: no cycle keeps its phase for ever."""
MOST_STRETCHES = 16
"""More say little new and cost time."""
CYCLE_OVER_PEAK = np.linspace(0.8, 1.25, 31)
"""Steps of a third of what twenty periods resolve."""
CYCLE_OVER_MODE = np.array([0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 4.0, 8.0, 16.0])
"""Amplitude of the cycle over root two times the standard deviation of the mode, each as likely before. A
weaker one is no more than a trimming of the mode: with it among the alternatives, gusts alone and a cycle
are told apart worse. In still air there is hardly any mode."""
PAIRS = 256
"""Pairs of shape and frequency that are looked at closely, of those that a rough sum likes best; eight times
as many changed nothing on made flights, half as many did."""
WIDTHS = np.linspace(-2.5, 6.0, 5)
"""Standard deviations of the mode at which the cycle's likelihood is summed, in its own standard errors
from what the best sine leaves; the weaker cycles leave more."""

ComplexArray = NDArray[np.complex128]
IndexArray = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Sums:
    """What the likelihoods need of the stretches; b of them, f frequencies, p the filters' order.

    Parameters
    ----------
    sizes : ndarray of int, shape (b,)
    first : ndarray, shape (b, p)
        The first samples of each stretch.
    products : ndarray, shape (p * p + (p + 1) ** 2,)
        As `Shapes.forms` weighs them.
    projected : ndarray of complex, shape (b, f, p + 1)
        Sums of the samples after the first p, and of those 1 to p before each, times the turned phasor.
    """

    sizes: IndexArray
    first: FloatArray
    products: FloatArray
    projected: ComplexArray

    @classmethod
    def of(cls, stretches: Sequence[FloatArray]) -> Self:
        """Sums over stretches of more than p samples."""
        turns = _phasors().conj()
        windows = [np.lib.stride_tricks.sliding_window_view(one, ORDER + 1) for one in stretches]
        first = np.stack([one[:ORDER] for one in stretches])
        lagged = sum(one.T @ one for one in windows)
        return cls(
            sizes=np.array([one.size for one in stretches]),
            first=first,
            products=np.concatenate([(first.T @ first).ravel(), np.ravel(lagged)]),
            projected=np.stack([(turns[:, ORDER : ORDER + len(one)] @ one)[:, ::-1] for one in windows]),
        )

    @property
    def samples(self) -> int:
        """In all stretches."""
        return int(self.sizes.sum())

    @property
    def freedom(self) -> int:
        """Samples less the straight lines."""
        return self.samples - 2 * self.sizes.size


def steady_cycle_evidence(signals: Sequence[FloatArray], rate_hz: float, peak_hz: float) -> float | None:
    """Logarithm of Bayes' factor of a steady cycle against gusts alone.

    Parameters
    ----------
    signals : sequence of ndarray, each of shape (n_i,)
        Pieces at an even rate. No NaN.
    rate_hz : float
    peak_hz : float
        Where the swing's density is largest.

    Returns
    -------
    float or None
        Natural logarithm; None when no piece holds `LEAST_PERIODS` periods.

    Examples
    --------
    >>> time_s = np.arange(2400) / 10.0
    >>> noise = np.random.default_rng(1).standard_normal(time_s.size)
    >>> steady_cycle_evidence([np.sin(1.3 * time_s) + 0.1 * noise], 10.0, 1.3 / 6.283) > 5.0
    True
    """
    stretches = list(_stretches(signals, rate_hz, peak_hz))
    if len(stretches) > MOST_STRETCHES:
        kept = np.linspace(0, len(stretches) - 1, MOST_STRETCHES).round().astype(np.intp)
        stretches = [stretches[index] for index in kept]
    if not stretches:
        return None
    deviation = float(np.concatenate(stretches).std())
    if not deviation > 0.0:
        return None
    return _log_factor(_Sums.of([one / deviation for one in stretches]))


def _stretches(signals: Sequence[FloatArray], rate_hz: float, peak_hz: float) -> Iterator[FloatArray]:
    """Stretches on a grid of `SAMPLES_PER_PERIOD`, less their straight lines."""
    step_s = 1.0 / (SAMPLES_PER_PERIOD * peak_hz)
    for signal in signals:
        # Means over one step, by the running integral: what is faster must not fold back.
        edge_s = np.arange(signal.size + 1) / rate_hz
        area = np.concatenate(([0.0], np.cumsum(signal))) / rate_hz
        steps = int(edge_s[-1] / step_s + 1e-9)
        if steps < LEAST_PERIODS * SAMPLES_PER_PERIOD:
            continue
        parts = -(-steps // (MOST_PERIODS * SAMPLES_PER_PERIOD))
        size = steps // parts
        spare_s = edge_s[-1] - parts * size * step_s
        grid_s = spare_s / 2.0 + np.arange(parts * size + 1) * step_s
        mean = np.diff(np.interp(grid_s, edge_s, area)) / step_s
        yield from without_line(mean.reshape(parts, size))


def _log_factor(sums: _Sums) -> float:
    """Bayes' factor, logarithm; both likelihoods are averaged over the standard deviation, log-uniform."""
    table = shapes()
    square = table.forms @ sums.products
    level = table.log_prior - table.log_scale(sums.sizes.size, sums.samples)
    half = 0.5 * sums.freedom
    # The integral over the standard deviation of s^-2h exp(-square / 2 s^2) ds / s.
    alone = level - half * np.log(0.5 * square) + special.gammaln(half) - np.log(2.0)
    shape, frequency = _likely_pairs(table, sums, square, level)
    pull, energy = _pulls(table, sums, shape, frequency)
    with_cycle = _with_cycle(pull, energy, square[shape], level[shape], sums.freedom)
    return float(with_cycle - special.logsumexp(alone))


def _likely_pairs(
    table: Shapes, sums: _Sums, square: FloatArray, level: FloatArray
) -> tuple[IndexArray, IndexArray]:
    """Indices of shape and of frequency where a cycle explains most, by the samples after the first p."""
    after = sums.sizes - ORDER
    # Squares of what the filters leave, projected on the sine: one form of the lags for all the stretches.
    lags = sums.projected / np.sqrt(after)[:, None, None]
    form = np.einsum("bfi,bfj->fij", lags, lags.conj()).real[:, ::-1, ::-1]
    explained = 2.0 * table.forms[:, ORDER**2 :] @ form.reshape(len(form), -1).T
    response = np.abs(table.filters @ _phasors()[:, : ORDER + 1].conj().T) ** 2
    energy = 0.5 * after.sum() * response * np.exp(-table.log_variance[:, -1:])
    pull = np.sqrt(np.maximum(explained, 0.0) * energy)
    # The mode has at most about what is left without a cycle, and the cycle has a least share of it.
    least = CYCLE_OVER_MODE[0] * np.sqrt(1.4 * square / sums.freedom)
    amplitude = np.maximum(pull / energy, least[:, None])
    left = square[:, None] - amplitude * (2.0 * pull - amplitude * energy)
    liked = level[:, None] - 0.5 * sums.freedom * np.log(np.maximum(left, 1e-9 * square[:, None]))
    best = np.argpartition(-liked.ravel(), PAIRS)[:PAIRS]
    shape, frequency = np.unravel_index(best, liked.shape)
    return shape, frequency


def _pulls(
    table: Shapes, sums: _Sums, shape: IndexArray, frequency: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Whitened projections on a sine of unit amplitude, shape (pairs, b), and its energy in all stretches.

    Exact for the autoregression: the first samples are whitened by themselves, the rest by its filter.
    """
    filters, precision = table.filters[shape], np.exp(-table.log_variance[shape, -1])
    phasor = _phasors()[frequency]
    first = table.first[shape]
    begun = np.einsum("knm,km->kn", first, phasor[:, :ORDER])
    response = np.einsum("kj,kj->k", filters, phasor[:, : ORDER + 1].conj())
    rest = np.einsum("kj,bkj->kb", filters, sums.projected[:, frequency])
    projected = np.einsum("kn,knm->km", begun.conj(), first) @ sums.first.T
    projected = projected + (precision * response.conj())[:, None] * rest
    after = sums.samples - ORDER * sums.sizes.size
    energy = sums.sizes.size * np.sum(np.abs(begun) ** 2, axis=1) + after * precision * np.abs(response) ** 2
    return np.abs(projected), np.asarray(0.5 * energy)


def _with_cycle(
    pull: FloatArray, energy: FloatArray, square: FloatArray, level: FloatArray, freedom: int
) -> float:
    """Logarithm of the likelihood with a cycle: phases, amplitudes and standard deviations averaged."""
    left = np.maximum(square - pull.sum(axis=1) ** 2 / energy, 1e-6 * square)
    step = (WIDTHS[1] - WIDTHS[0]) / np.sqrt(2.0 * freedom)
    log_deviation = 0.5 * np.log(left / freedom)[:, None] + WIDTHS / np.sqrt(2.0 * freedom)
    deviation = np.exp(log_deviation)
    # axes: pair, deviation, ratio, stretch
    strength = np.sqrt(2.0) * CYCLE_OVER_MODE
    turned = (strength / deviation[:, :, None])[..., None] * pull[:, None, None, :]
    phases = np.sum(np.log(special.i0e(turned)) + turned, axis=-1)
    gain = phases - 0.5 * strength**2 * energy[:, None, None]
    noise = level[:, None] - freedom * log_deviation - 0.5 * square[:, None] / deviation**2
    average = np.log(step) - np.log(CYCLE_OVER_PEAK.size * CYCLE_OVER_MODE.size)
    return float(special.logsumexp(noise[:, :, None] + gain) + average)


@functools.cache
def _phasors() -> ComplexArray:
    """A turning phasor of each frequency over the longest stretch, shape (f, samples)."""
    periods = np.arange(MOST_PERIODS * SAMPLES_PER_PERIOD) / SAMPLES_PER_PERIOD
    return np.asarray(np.exp(2j * np.pi * CYCLE_OVER_PEAK[:, None] * periods))
