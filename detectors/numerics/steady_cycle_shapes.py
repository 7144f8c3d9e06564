"""The shapes that a swing in gusts may have, as prediction filters: a table that serves every aeroplane.

A shape is a second-order mode driven by noise, with a little noise under it and alone, or over a slow
wander, or beside a second mode. Time is counted in periods of the swing. The samples are taken as an
autoregression that has the shape's own autocovariance at its first lags: the likelihood of a stretch of
any length then takes a few sums over it.

References
----------
.. [1] N. Levinson, The Wiener RMS error criterion in filter design and prediction, J. Math. Phys. 25, 1947;
   J. Durbin, The fitting of time-series models, Rev. Int. Stat. Inst. 28, 1960.
.. [2] J. P. Burg, Maximum entropy spectral analysis, 37th meeting of the Society of Exploration
   Geophysicists, 1967 (of all processes with these autocovariances the autoregression says least).
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.model import FloatArray

SAMPLES_PER_PERIOD = 5
"""The grid ends at two and a half times the swing's frequency: what the noise above it looks like is not
known well enough, and where it is taken for larger than it is, the mode is taken for smaller."""
ORDER = 12
"""Two and a half periods of memory; 20 samples told cycles from gusts no better on made flights."""
MODE_OVER_PEAK = np.geomspace(0.6, 1.67, 15)
DAMPING = np.geomspace(0.04, 0.4, 6)
"""Each counts by its own size, as if any damping ratio were as likely as any other: the smallest, which
look most like a cycle, are rare."""
NOISE = np.array([0.002, 0.03])
"""Variance of the noise over the mode's."""
WANDER = 0.3
"""Variance of the slow wander over the mode's."""
WANDER_PERIODS = 2.0
SECOND_OVER_PEAK = (0.45, 1.8, 2.5)
SECOND_DAMPING = 0.12
SECOND_VARIANCE = 0.4
"""Variance of the second mode over the first's."""
SECOND_PRIOR = 0.02
"""Odds of each second mode against a mode alone. With none, two narrow modes pass for a mode and a cycle;
with even odds, a mode and a cycle pass for two modes."""


@dataclass(frozen=True, slots=True)
class Shapes:
    """One row for each shape; p is `ORDER`, s the number of shapes.

    Parameters
    ----------
    log_prior : ndarray, shape (s,)
    filters : ndarray, shape (s, p + 1)
        What is left of a sample when p samples before it have told what they can: the weight of the sample
        itself, 1, then those of the ones before it.
    log_variance : ndarray, shape (s, p + 1)
        Of what is left when 0, 1, ... p samples before it are known; the mode's variance is 1.
    first : ndarray, shape (s, p, p)
        Whitens the first p samples of a stretch.
    forms : ndarray, shape (s, p * p + (p + 1) ** 2)
        Weights of the products of the first p samples, then of the lagged products of the rest, in the sum
        of squares of the whitened stretch.
    """

    log_prior: FloatArray
    filters: FloatArray
    log_variance: FloatArray
    first: FloatArray
    forms: FloatArray

    def log_scale(self, stretches: int, samples: int) -> FloatArray:
        """Half the logarithm of the determinant of so many stretches with so many samples, shape (s,)."""
        begun = stretches * self.log_variance[:, :-1].sum(axis=1)
        return np.asarray(0.5 * (begun + (samples - stretches * ORDER) * self.log_variance[:, -1]))


@functools.cache
def shapes() -> Shapes:
    """Made once."""
    periods = np.arange(ORDER + 1) / SAMPLES_PER_PERIOD
    second = [SECOND_VARIANCE * mode_covariance(one, SECOND_DAMPING, periods) for one in SECOND_OVER_PEAK]
    beside = [np.zeros(periods.size), WANDER * np.exp(-periods / WANDER_PERIODS), *second]
    prior = np.array([1.0, 1.0] + [SECOND_PRIOR] * len(second))
    rows, weights = [], []
    for frequency, damping in itertools.product(MODE_OVER_PEAK, DAMPING):
        mode = mode_covariance(frequency, damping, periods)
        for (other, weight), noise in itertools.product(zip(beside, prior, strict=True), NOISE):
            row = mode + other
            row[0] += noise
            rows.append(row)
            weights.append(damping * weight)
    return shapes_of(np.array(rows), np.array(weights))


def shapes_of(covariance: FloatArray, weights: FloatArray) -> Shapes:
    """The table for autocovariances of lags 0 to p, shape (s, p + 1), and their odds, shape (s,)."""
    filters, variance = prediction_filters(covariance)
    first = np.zeros((len(covariance), ORDER, ORDER))
    for known, one in enumerate(filters[:-1]):
        first[:, known, : known + 1] = one[:, ::-1] / np.sqrt(variance[:, known, None])
    last = filters[-1][:, ::-1] / np.sqrt(variance[:, -1:])
    squares = np.einsum("skn,skm->snm", first, first).reshape(len(covariance), -1)
    lagged = (last[:, :, None] * last[:, None, :]).reshape(len(covariance), -1)
    return Shapes(
        log_prior=np.log(weights / weights.sum()),
        filters=filters[-1],
        log_variance=np.log(variance),
        first=first,
        forms=np.concatenate([squares, lagged], axis=1),
    )


def prediction_filters(covariance: FloatArray) -> tuple[list[FloatArray], FloatArray]:
    """Filters of the prediction's error of every order, and its variances, by Levinson's recursion [1]_.

    Parameters
    ----------
    covariance : ndarray, shape (s, p + 1)
        Autocovariances, one row each; positive definite.

    Returns
    -------
    list of ndarray, shapes (s, 1) to (s, p + 1), and ndarray, shape (s, p + 1)

    Examples
    --------
    >>> filters, variance = prediction_filters(np.array([[1.0, 0.5, 0.25]]))
    >>> filters[-1].tolist(), variance.tolist()
    ([[1.0, -0.5, 0.0]], [[1.0, 0.75, 0.75]])
    """
    filters, variance = [np.ones((len(covariance), 1))], [covariance[:, 0]]
    for order in range(1, covariance.shape[1]):
        shorter = filters[-1]
        reflection = -np.sum(shorter * covariance[:, order:0:-1], axis=1) / variance[-1]
        padded = np.pad(shorter, ((0, 0), (0, 1)))
        filters.append(padded + reflection[:, None] * padded[:, ::-1])
        variance.append(variance[-1] * (1.0 - reflection**2))
    return filters, np.stack(variance, axis=1)


def mode_covariance(frequency: float, damping: float, periods: FloatArray) -> FloatArray:
    """Autocorrelation of a second-order mode driven by white noise; frequency per period."""
    w = 2.0 * np.pi * frequency
    damped = w * np.sqrt(1.0 - damping**2)
    decay = np.exp(-damping * w * periods)
    return np.asarray(decay * (np.cos(damped * periods) + damping * w / damped * np.sin(damped * periods)))
