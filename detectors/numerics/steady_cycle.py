"""How much likelier a steady cycle among gusts is than gusts alone, by the likelihood of the samples.

Two explanations of a swing in pieces of flight. Gusts alone: a second-order mode driven by noise, with a
slow wander and a little noise under it. A cycle: the same, and a sine of one frequency and amplitude whose
phase is new in each block. All of their parameters are unknown; both likelihoods are averaged over the same
grid of them, so that the ratio is Bayes' factor and pays for what the cycle has more. A spectrum alone
cannot tell them: the mode's own peak is as narrow as a block resolves; what tells is that the sine's power
is the same all the time.

Time is counted in periods of the swing, so that one set of matrices serves every aeroplane.

References
----------
.. [1] R. E. Kass, A. E. Raftery, Bayes factors, J. Am. Stat. Assoc. 90, 1995.
.. [2] H. L. Van Trees, Detection, Estimation, and Modulation Theory I, Wiley 1968, section 4.4 (a sine of
   unknown phase in coloured noise: the Bessel function of the whitened projection).
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from trimkeep.detectors.model import FloatArray

BLOCK_PERIODS = 5
SAMPLES_PER_PERIOD = 5
"""The grid ends at two and a half times the swing's frequency: what the noise above it looks like is not
known well enough, and where it is taken for larger than it is, the mode is taken for smaller."""
SIZE = BLOCK_PERIODS * SAMPLES_PER_PERIOD
MOST_BLOCKS = 16
"""More say nothing new at this confidence and cost time."""
MODE_OVER_PEAK = np.geomspace(0.57, 1.75, 17)
DAMPING = np.array([0.05, 0.08, 0.13, 0.2, 0.32])
WANDER = np.array([0.0, 0.3])
"""Variance of the slow wander over the mode's."""
WANDER_PERIODS = 2.0
NOISE = np.array([0.003, 0.015, 0.07])
"""Variance of the noise over the mode's."""
CYCLE_OVER_PEAK = np.linspace(0.74, 1.34, 19)
CYCLE_OVER_MODE = np.array([0.7, 1.0, 1.5, 2.5])
"""Amplitude of the cycle over root two times the standard deviation of the mode."""
MODE_OVER_ALL = np.array([0.35, 0.5, 0.7, 0.9, 1.15])
"""Standard deviation of the mode over that of the samples."""
KEPT = 24
"""Shapes of the mode looked at closely, of those that either explanation likes best."""


@dataclass(frozen=True, slots=True)
class _Shapes:
    """One row for each shape of the mode: what whitens a block, the whitened sines and their energies."""

    whiten: FloatArray
    cosine: FloatArray
    sine: FloatArray
    energy: FloatArray
    log_scale: FloatArray


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
        Natural logarithm; None when no piece holds one block of `BLOCK_PERIODS` periods.

    Examples
    --------
    >>> time_s = np.arange(2400) / 10.0
    >>> noise = np.random.default_rng(1).standard_normal(time_s.size)
    >>> steady_cycle_evidence([np.sin(1.3 * time_s) + 0.1 * noise], 10.0, 1.3 / 6.283) > 5.0
    True
    """
    blocks = np.array(list(_blocks(signals, rate_hz, peak_hz)))
    if blocks.size == 0:
        return None
    if len(blocks) > MOST_BLOCKS:
        blocks = blocks[np.linspace(0, len(blocks) - 1, MOST_BLOCKS).round().astype(np.intp)]
    deviation = float(blocks.std())
    if not deviation > 0.0:
        return None
    return _log_factor(blocks.T / deviation)


def _blocks(signals: Sequence[FloatArray], rate_hz: float, peak_hz: float) -> Iterator[FloatArray]:
    """Blocks on a grid of `SAMPLES_PER_PERIOD`, less their straight lines, side by side in each piece."""
    length_s = BLOCK_PERIODS / peak_hz
    grid_s = np.arange(SIZE) / (SAMPLES_PER_PERIOD * peak_hz)
    step_s = grid_s[1]
    for signal in signals:
        # Means over one step, by the running integral: what is faster must not fold back.
        edge_s = np.arange(signal.size + 1) / rate_hz
        area = np.concatenate(([0.0], np.cumsum(signal))) / rate_hz
        count = int(edge_s[-1] / length_s + 1e-9)
        spare_s = edge_s[-1] - count * length_s
        for number in range(count):
            begin_s = spare_s / 2.0 + number * length_s + grid_s
            mean = (np.interp(begin_s + step_s, edge_s, area) - np.interp(begin_s, edge_s, area)) / step_s
            yield mean @ _level()


def _log_factor(blocks: FloatArray) -> float:
    """Bayes' factor, logarithm; `blocks` of shape (SIZE, k), standard deviation one."""
    shapes = _shapes()
    k = blocks.shape[1]
    white = shapes.whiten @ blocks
    square = np.einsum("snk,snk->s", white, white)
    projected = np.hypot(
        np.einsum("snc,snk->sck", shapes.cosine, white), np.einsum("snc,snk->sck", shapes.sine, white)
    )
    variance = MODE_OVER_ALL**2
    freedom = SIZE - 2  # the straight line is gone
    alone = (
        -k * shapes.log_scale[:, None]
        - k * freedom * np.log(MODE_OVER_ALL)
        - 0.5 * square[:, None] / variance
    )
    # What the best sine could explain at most, to leave out shapes that neither explanation likes.
    most = np.max(np.sum(projected**2, axis=2) / (2.0 * shapes.energy), axis=1)
    liked = (alone.max(axis=1), (alone + 0.5 * most[:, None] / variance).max(axis=1))
    kept = np.unique(np.concatenate([np.argsort(-one)[:KEPT] for one in liked]))
    # axes: shape, deviation, ratio, frequency, block
    amplitude = np.sqrt(2.0) * CYCLE_OVER_MODE * MODE_OVER_ALL[:, None]
    pull = (amplitude / variance[:, None])[None, :, :, None, None] * projected[kept][:, None, None]
    cost = 0.5 * (amplitude**2 / variance[:, None])[None, :, :, None] * shapes.energy[kept][:, None, None]
    gain = np.sum(np.log(special.i0e(pull)) + pull, axis=-1) - k * cost
    with_cycle = special.logsumexp(alone[kept][:, :, None, None] + gain) - np.log(gain[0, 0].size)
    return float(with_cycle - special.logsumexp(alone))


@functools.cache
def _level() -> FloatArray:
    """Takes the straight line off a block, shape (SIZE, SIZE), symmetric."""
    line = np.stack([np.ones(SIZE), np.arange(SIZE) - (SIZE - 1) / 2.0])
    line /= np.linalg.norm(line, axis=1)[:, None]
    return np.eye(SIZE) - line.T @ line


@functools.cache
def _shapes() -> _Shapes:
    """Made once: the covariance of a levelled block for each shape of the mode, and what follows from it."""
    basis = linalg.null_space(np.stack([np.ones(SIZE), np.arange(SIZE, dtype=np.float64)])).T
    periods = np.arange(SIZE) / SAMPLES_PER_PERIOD
    turns = 2.0 * np.pi * periods[:, None] * CYCLE_OVER_PEAK
    whiten, cosine, sine, energy, log_scale = [], [], [], [], []
    for frequency in MODE_OVER_PEAK:
        for damping in DAMPING:
            for wander, noise in itertools.product(WANDER, NOISE):
                shape = _covariance(frequency, damping, periods)
                shape = shape + wander * np.exp(-periods / WANDER_PERIODS)
                shape[0] += noise
                root = linalg.cholesky(basis @ linalg.toeplitz(shape) @ basis.T, lower=True)
                white = linalg.solve_triangular(root, basis, lower=True)
                c, s = white @ np.cos(turns), white @ np.sin(turns)
                whiten.append(white)
                cosine.append(c)
                sine.append(s)
                energy.append(0.5 * (np.sum(c**2, axis=0) + np.sum(s**2, axis=0)))
                log_scale.append(np.sum(np.log(np.diag(root))))
    return _Shapes(
        whiten=np.stack(whiten),
        cosine=np.stack(cosine),
        sine=np.stack(sine),
        energy=np.stack(energy),
        log_scale=np.array(log_scale),
    )


def _covariance(frequency: float, damping: float, periods: FloatArray) -> FloatArray:
    """Autocorrelation of a second-order mode driven by white noise; frequency per period."""
    w = 2.0 * np.pi * frequency
    damped = w * np.sqrt(1.0 - damping**2)
    decay = np.exp(-damping * w * periods)
    return np.asarray(decay * (np.cos(damped * periods) + damping * w / damped * np.sin(damped * periods)))
