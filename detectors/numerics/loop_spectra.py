"""Closed-loop response from a flight: cross-spectra of demand and answer, and a second-order loop fitted.

References
----------
.. [1] J. S. Bendat, A. G. Piersol, Random Data, 4th ed., Wiley 2010, sections 6.2 and 9.2 (errors).
.. [2] T. Soderstrom, P. Stoica, System Identification, Prentice Hall 1989, ch. 8 and 10: with feedback a
   plain ratio of spectra is drawn towards the inverse of what feeds back; an instrument is not.
.. [3] D. W. Marquardt, An algorithm for least-squares estimation, J. SIAM 11, 1963.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.runs import runs
from trimkeep.detectors.numerics.spectra import (
    HANN_NOISE_BANDWIDTH,
    HANN_OVERLAP_CORRELATION,
    without_line,
)

ComplexArray = NDArray[np.complex128]

LEAST_COHERENCE = 0.3
"""Below it an estimate from a dozen windows is more noise than answer."""
FEWEST_BINS = 6
FIRST_BIN = 2
"""The Hann window and the straight line taken off each window both spoil the bins below."""
MODEL_ERROR = 0.005
STEPS = 40
HALF_POWER = float(np.sqrt(0.5))
DAMPINGS = (0.05, 4.0)
"""At the lower end a ratio of noise has been fitted; at the upper one it is a first-order lag."""
DAMPING = 2
"""Place of the damping among the figures that are fitted."""
CORNERS = (0.01, 1000.0)
"""Natural frequencies that a fit may try, rad/s."""
LOG_DAMPINGS = (float(np.log(DAMPINGS[0])), float(np.log(DAMPINGS[1])))
LOG_CORNERS = (float(np.log(CORNERS[0])), float(np.log(CORNERS[1])))
CURVE = np.geomspace(1.0 / 64.0, 8.0, 385)
"""Frequencies over the natural one at which figures are read off a fitted loop."""
ZERO_WORTH = 9.0
"""Fall of the weighted squares that makes a fifth figure worth having: three standard errors."""


@dataclass(frozen=True, slots=True)
class LoopSpectrum:
    """Answer over demand at the frequencies that can be trusted.

    Parameters
    ----------
    frequency_hz : ndarray, shape (m,)
    ratio : ndarray of complex, shape (m,)
    error : ndarray, shape (m,)
        Standard error of the real and of the imaginary part, neighbours taken as independent.
    coherence : ndarray, shape (m,)
        Squared, of reference and answer, 0..1.
    windows : int
    """

    frequency_hz: FloatArray
    ratio: ComplexArray
    error: FloatArray
    coherence: FloatArray
    windows: int


def loop_spectrum(
    reference: FloatArray, demand: FloatArray, answer: FloatArray, rate_hz: float, top_hz: float
) -> LoopSpectrum | None:
    """Ratio of the cross-spectra reference-answer and reference-demand, averaged over windows.

    Parameters
    ----------
    reference, demand, answer : ndarray, shape (windows, n)
        Half-overlapped windows; no NaN. Where the demand itself is free of feedback it is the reference.
    rate_hz : float
    top_hz : float
        Nothing above is used.

    Returns
    -------
    LoopSpectrum or None
        The longest run of bins, from the second on, whose coherence, smoothed over three, is at least
        `LEAST_COHERENCE`; None with fewer than three windows or a run shorter than `FEWEST_BINS`.
    """
    count, length = demand.shape
    if count < 3:
        return None
    taper = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    z, r, y = (fft.rfft(without_line(part) * taper, axis=-1) for part in (reference, demand, answer))
    frequency = np.arange(length // 2 + 1) * (rate_hz / length)
    zr, zy = (np.einsum("wf,wf->f", z.conj(), part) for part in (r, y))
    zz, yy = (np.einsum("wf,wf->f", part.conj(), part).real for part in (z, y))
    known = (np.abs(zr) > 0.0) & (yy > 0.0) & (zz > 0.0)
    ratio = np.divide(zy, zr, out=np.zeros_like(zy), where=known)
    coherence = np.divide(np.abs(zy) ** 2, zz * yy, out=np.zeros_like(yy), where=known)
    coherence = np.clip(coherence - (1.0 - coherence) / count, 0.0, 1.0)
    use = _trusted(frequency, np.where(known, coherence, 0.0), top_hz)
    if use.stop - use.start < FEWEST_BINS:
        return None
    left = y[:, use] - ratio[use] * r[:, use]
    noise = np.einsum("wf,wf->f", left.conj(), left).real / (count - 1)
    # Half-overlapped windows repeat each other a little; neighbouring bins of a Hann window do too.
    repeated = HANN_NOISE_BANDWIDTH * (1.0 + 2.0 * HANN_OVERLAP_CORRELATION**2)
    variance = repeated * noise * zz[use] / np.abs(zr[use]) ** 2
    # No fitted loop is the real one: without a floor the cleanest bins, where hardly anything comes
    # through any more, would bend the fit where it matters.
    floor = (MODEL_ERROR * float(np.abs(ratio[use]).max())) ** 2
    return LoopSpectrum(
        frequency[use], ratio[use], np.sqrt(0.5 * np.maximum(variance, floor)), coherence[use], count
    )


def _trusted(frequency_hz: FloatArray, coherence: FloatArray, top_hz: float) -> slice:
    """The longest run of bins that are used."""
    smooth = np.convolve(coherence, np.full(3, 1.0 / 3.0), mode="same")
    good = (smooth >= LEAST_COHERENCE) & (frequency_hz <= top_hz)
    # The last bin, at half the sample rate, has no phase.
    good[:FIRST_BIN] = good[-1] = False
    starts, ends = runs(good)
    if starts.size == 0:
        return slice(0, 0)
    best = int(np.argmax(ends - starts))
    return slice(int(starts[best]), int(ends[best]))


@dataclass(frozen=True, slots=True)
class Figure:
    """A value with its standard error."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Loop:
    """What a closed loop does, read off the fitted response.

    Parameters
    ----------
    gain : Figure
        Steady answer over demand.
    delay_s : Figure
        Phase lag over angular frequency at half the bandwidth.
    bandwidth_hz : Figure
        Where the gain has fallen to 0.707 of the steady one.
    peak : Figure
        Largest gain over the steady one; 1 without a resonance.
    damping, natural_hz : Figure
        Of the second-order loop.
    misfit : float
        Mean squared residual in standard errors; the errors are widened by it where it is above 1.
    """

    gain: Figure
    delay_s: Figure
    bandwidth_hz: Figure
    peak: Figure
    damping: Figure
    natural_hz: Figure
    misfit: float


def fit_loop(seen: LoopSpectrum) -> Loop | None:
    """A second-order loop with a dead time, weighted by the coherence through its errors.

    G = K exp(-s T) (1 + s z) / (1 + 2 zeta s / w + (s / w)^2); the zero z only where it is worth it.

    Returns
    -------
    Loop or None
        None where the damping ends at its lower edge or the gain never falls to 0.707.
    """
    s = _laplace(seen.frequency_hz)
    starts = [
        np.array([np.log(np.abs(seen.ratio[:2]).mean()), np.log(w), np.log(zeta), 0.01, 0.0])
        for w, zeta in ((0.8 * _corner(seen), 0.5), (1.5 * _corner(seen), 1.2))
    ]
    plain = min((_descend(p, s, seen, 4) for p in starts), key=lambda one: one[1])
    best, free = plain, 4
    if seen.frequency_hz.size > FEWEST_BINS:
        fuller = _descend(plain[0], s, seen, 5)
        if plain[1] - fuller[1] > ZERO_WORTH * max(1.0, fuller[1] / (2 * s.size - 5)):
            best, free = fuller, 5
    p, cost = best
    if p[2] < np.log(DAMPINGS[0]) + 1e-3:
        return None
    misfit = cost / (2 * s.size - free)
    slopes = _slopes(p, _answer(p, s), s, seen, free)
    # A first-order lag has no damping that could be found; what is known beforehand keeps the rest apart.
    known = np.diag(np.where(np.arange(free) == DAMPING, 1.0, 0.0))
    try:
        covariance = np.asarray(np.linalg.inv(slopes.T @ slopes + known) * max(1.0, misfit), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
    return _read(p, covariance, misfit)


def _corner(seen: LoopSpectrum) -> float:
    """Angular frequency at which the answer lags by a quarter turn, or the last one that is seen."""
    lag = -np.unwrap(np.arctan2(seen.ratio.imag, seen.ratio.real))
    late = np.flatnonzero(lag > 0.5 * np.pi)
    return 2.0 * np.pi * float(seen.frequency_hz[late[0] if late.size else -1])


def _laplace(frequency_hz: FloatArray) -> ComplexArray:
    return (2j * np.pi * frequency_hz).astype(np.complex128)


@dataclass(frozen=True, slots=True)
class _Answer:
    """A loop's response at s, and the parts of it that its slopes are made of."""

    scaled: ComplexArray
    lag: ComplexArray
    below: ComplexArray
    response: ComplexArray


def _answer(p: FloatArray, s: ComplexArray) -> _Answer:
    u = s * np.exp(-p[1])
    lag = 2.0 * np.exp(p[2]) * u
    below = 1.0 + lag + u * u
    return _Answer(u, lag, below, np.exp(p[0] - s * p[3]) * (1.0 + s * p[4]) / below)


def _response(p: FloatArray, s: ComplexArray) -> ComplexArray:
    return _answer(p, s).response


def _residual(answer: _Answer, seen: LoopSpectrum) -> FloatArray:
    off = (answer.response - seen.ratio) / seen.error
    return np.concatenate((off.real, off.imag))


def _slopes(p: FloatArray, answer: _Answer, s: ComplexArray, seen: LoopSpectrum, free: int) -> FloatArray:
    """Slopes of the residuals, shape (2 m, free)."""
    u, lag, below = answer.scaled, answer.lag, answer.below
    weight = answer.response / seen.error
    logs = (1.0, (lag + 2.0 * u * u) / below, -lag / below, -s, s / (1.0 + s * p[4]) if free > 4 else 0.0)
    slopes = np.empty((2 * s.size, free))
    for column, one in enumerate(logs[:free]):
        whole = one * weight
        slopes[: s.size, column], slopes[s.size :, column] = whole.real, whole.imag
    return slopes


def _descend(start: FloatArray, s: ComplexArray, seen: LoopSpectrum, free: int) -> tuple[FloatArray, float]:
    """Least squares after ref. [3]_; no dead time below zero, damping inside its bounds."""
    p, damp = start.copy(), 1e-2
    answer = _answer(p, s)
    residual = _residual(answer, seen)
    cost = float(residual @ residual)
    moved = True
    for _ in range(STEPS):
        if moved:
            slopes = _slopes(p, answer, s, seen, free)
            normal = slopes.T @ slopes
            pull = slopes.T @ residual
        damped = normal.copy()
        damped.flat[:: free + 1] += damp * (damped.flat[:: free + 1] + 1e-9)
        trial = _bounded(p, np.asarray(np.linalg.solve(damped, pull), dtype=np.float64))
        answer_there = _answer(trial, s)
        residual_there = _residual(answer_there, seen)
        there = float(residual_there @ residual_there)
        moved = there < cost
        if moved:
            settled = cost - there < 1e-7 * cost
            p, answer, residual, cost = trial, answer_there, residual_there, there
            damp = max(0.2 * damp, 1e-9)
            if settled:
                break
        else:
            damp *= 6.0
            if damp > 1e9:
                break
    return p, cost


def _bounded(p: FloatArray, step: FloatArray) -> FloatArray:
    """A step away from p, held back, and inside the bounds."""
    trial = p.copy()
    trial[: step.size] -= np.minimum(np.maximum(step, -1.0), 1.0)
    trial[1] = min(max(float(trial[1]), LOG_CORNERS[0]), LOG_CORNERS[1])
    trial[2] = min(max(float(trial[2]), LOG_DAMPINGS[0]), LOG_DAMPINGS[1])
    trial[3] = max(float(trial[3]), 0.0)
    return trial


def _figures(p: FloatArray) -> FloatArray | None:
    """Gain, delay, bandwidth, peak, damping, natural frequency; None without a bandwidth."""
    natural_hz = float(np.exp(p[1])) / (2.0 * np.pi)
    curve = natural_hz * CURVE
    gain = np.abs(_response(p, _laplace(curve))) / np.exp(p[0])
    below = np.flatnonzero(gain < HALF_POWER)
    if below.size == 0 or below[0] == 0:
        return None
    k = int(below[0])
    share = (gain[k - 1] - HALF_POWER) / (gain[k - 1] - gain[k])
    bandwidth = float(curve[k - 1] * (curve[k] / curve[k - 1]) ** share)
    half = _response(p, _laplace(np.linspace(0.0, 0.5 * bandwidth, 33)))
    lag = -float(np.unwrap(np.arctan2(half.imag, half.real))[-1])
    delay = lag / (np.pi * bandwidth)
    return np.array([np.exp(p[0]), delay, bandwidth, max(1.0, float(gain.max())), np.exp(p[2]), natural_hz])


def _read(p: FloatArray, covariance: FloatArray, misfit: float) -> Loop | None:
    """The figures, their errors by stepping along the axes of the covariance."""
    middle = _figures(p)
    if middle is None:
        return None
    sizes, axes = np.linalg.eigh(covariance)
    variance = np.zeros(middle.size)
    for size, axis in zip(np.maximum(sizes, 0.0), axes.T, strict=True):
        reach = float(np.sqrt(size))
        step = np.zeros(p.size)
        # A small step where an axis is hardly known at all: the figures bend, and may end.
        step[: axis.size] = min(0.1 * reach, 0.02) * axis
        up, down = _figures(p + step), _figures(p - step)
        if up is None or down is None or not reach > 0.0:
            return None
        variance += (0.5 * reach / min(0.1 * reach, 0.02) * (up - down)) ** 2
    gain, delay, bandwidth, peak, damping, natural = (
        Figure(float(value), float(error)) for value, error in zip(middle, np.sqrt(variance), strict=True)
    )
    # Without a resonance the peak is the steady gain itself and no surer than that.
    peak = Figure(peak.value, max(peak.error, gain.error / gain.value))
    return Loop(gain, delay, bandwidth, peak, damping, natural, misfit)
