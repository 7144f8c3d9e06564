"""Robust regression of a series on a step, many series at a time.

Every judge of a step needs the same few numbers: how large, how certain, with how many degrees of
freedom. They are computed here for a whole batch of series at once, because an airframe has dozens
of series and all of them are looked at after every flight.

The fit is a bisquare M-estimate with two levels (before, after) and slopes on the conditions. It
starts from the least absolute deviations: with the slopes at the fleet's values those are the two
medians. A fixed number of steps from there is the estimator; it is not iterated to convergence, so
that a series alone and a series in a batch give the same bits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.detectors.history.preparation import masked_median
from trimkeep.detectors.model import FloatArray

BoolArray = NDArray[np.bool_]
BISQUARE = 4.685
"""Tuning constant with 95 % efficiency under the normal law (Holland and Welsch 1977)."""
MAD_TO_SIGMA = 1.482602218505602
"""1 / Phi^-1(3/4)."""
STEPS = 8
"""Reweighting steps; the estimate moves by less than 1 % of its standard error after them."""
LEAST_CORRELATION = 0.005
"""Correlations below this are taken for none."""
MAD_EFFICIENCY = 0.37
"""Of the median absolute deviation under the normal law: its degrees of freedom count so much."""


FLATTENED = 0.1
"""A slope is learned from single flights, whose conditions are measured with an error that flattens it.
Means of many flights are measured well: between them it is steeper, by about so much."""


@dataclass(frozen=True, slots=True)
class StepFit:
    """What the regression says, one entry per series of the batch.

    `step` and `before` on the transformed scale at the fleet's mean conditions; `standard_error`
    of `step` under the stated lag-one correlation; `sigma` the shrunk flight-to-flight deviation;
    `freedom` its degrees of freedom; `weight` of every flight in the fit, shape (B, n), 1 full and
    0 not counted: how well it agrees with the others, its own standard error apart.

    To work it out again: `own_sigma` from the residuals alone, `pull` (B, n) by how much each flight's
    value moves the step, `slope_doubt` what not knowing the slopes adds, (standard error / sigma)^2,
    `apart` (B, p) by how much the mean conditions after differ, which takes FLATTENED of the slope more.
    """

    step: FloatArray
    before: FloatArray
    standard_error: FloatArray
    sigma: FloatArray
    freedom: FloatArray
    slope: FloatArray
    weight: FloatArray
    own_sigma: FloatArray
    pull: FloatArray
    slope_doubt: FloatArray
    apart: FloatArray

    @property
    def steeper(self) -> FloatArray:
        """What the flights after are lowered by beside the slope of single flights, shape (B,)."""
        return np.asarray(FLATTENED * (self.slope * self.apart).sum(axis=1))

    @property
    def information(self) -> FloatArray:
        """Flights' worth of information on the step: (sigma / standard error) squared."""
        return np.asarray((self.sigma / self.standard_error) ** 2)


def fit_steps(
    value: FloatArray,
    conditions: FloatArray,
    after: BoolArray,
    weight: FloatArray,
    *,
    sigma: FloatArray,
    sigma_flights: FloatArray,
    slope: FloatArray,
    slope_flights: FloatArray,
    rho: FloatArray,
    measured: BoolArray | None = None,
) -> StepFit:
    """Fit level, step and slopes to each series.

    Parameters
    ----------
    value : ndarray, shape (B, n)
        Transformed metric, in time order; anything finite where `weight` is 0.
    conditions : ndarray, shape (B, n, p)
        Standardised conditions; p may be 0.
    after : ndarray of bool, shape (B, n)
        True for the flights after the change. Both groups need at least one flight with weight.
    weight : ndarray, shape (B, n)
        Relative weight from the flights' own standard errors, 0 to 1; 0 for padding.
    sigma, sigma_flights : ndarray, shape (B,)
        The fleet's flight-to-flight deviation and how many flights it is worth; 0 for no prior.
    slope, slope_flights : ndarray, shape (B, p)
        The fleet's slopes and how many flights they are worth, in flights of unit condition.
    rho : ndarray, shape (B,)
        Lag-one correlation to allow for.
    measured : ndarray of bool, shape (p,), optional
        Which of the conditions are measured in flight, with an error; none by default.

    Returns
    -------
    StepFit
    """
    present = weight > 0.0
    group = np.stack([present & ~after, present & after], axis=1)  # (B, 2, n)
    adjusted = value - np.einsum("bnp,bp->bn", conditions, slope)
    level = masked_median(adjusted[:, None, :], group)
    deviation = adjusted - np.where(after, level[:, 1:], level[:, :1])
    count = present.sum(axis=1).astype(np.float64)
    raw = MAD_TO_SIGMA * masked_median(np.abs(deviation), present)
    raw_freedom = MAD_EFFICIENCY * np.maximum(count - 2.0, 0.0)
    # the median of n residuals from two fitted medians is too small by about n / (n - 2)
    raw_square = raw**2 * count / np.maximum(count - 2.0, 1.0)
    scale_square = _shrink(raw_square, raw_freedom, sigma, sigma_flights)
    # identical values in every flight: the smallest scale that keeps the arithmetic finite
    floor = 1e-12 * (1.0 + np.abs(level).max(axis=1)) ** 2
    scale = np.sqrt(np.maximum(scale_square, floor))[:, None]

    root = np.sqrt(weight)
    beta = slope
    for _ in range(STEPS):
        # a flight with a large standard error of its own may lie further off before it counts as odd
        u = np.minimum(np.abs(deviation) * root / (BISQUARE * scale), 1.0)
        robust = (1.0 - u**2) ** 2
        level, beta, centred, inverse = _weighted_levels(
            value, conditions, after, group, weight * robust, slope, slope_flights
        )
        deviation = (
            value - np.einsum("bnp,bp->bn", conditions, beta) - np.where(after, level[:, 1:], level[:, :1])
        )
    total = weight * robust
    pull = _step_pull(total, centred, inverse, conditions, group)
    freedom = np.maximum(count - 2.0, 1.0)
    psi_square = (weight * (robust * deviation) ** 2).sum(axis=1) / freedom
    slope_of_psi = np.where(present, (1.0 - u**2) * (1.0 - 5.0 * u**2), 0.0).sum(axis=1) / count
    own_square = psi_square / np.maximum(slope_of_psi, 0.2) ** 2
    fitted = np.sqrt(np.maximum(_shrink(own_square, freedom, sigma, sigma_flights), floor))
    slope_doubt, apart = np.zeros(count.size), np.zeros(beta.shape)
    if conditions.shape[2]:
        difference = _mean_difference(total, conditions, group)
        prior_pull = np.einsum("bp,bpq->bq", difference, inverse)
        slope_doubt = (prior_pull**2 * slope_flights).sum(axis=1)
        if measured is not None:
            apart = difference * measured
            # how much steeper is a guess, so it counts as a doubt of the same size
            slope_doubt = slope_doubt + ((FLATTENED * beta * apart / fitted[:, None]) ** 2).sum(axis=1)
            level[:, 1] -= FLATTENED * (beta * apart).sum(axis=1)
    variance = _correlated_square(pull / np.where(present, root, 1.0), rho) + slope_doubt
    return StepFit(
        step=level[:, 1] - level[:, 0],
        before=level[:, 0],
        standard_error=fitted * np.sqrt(variance),
        sigma=fitted,
        freedom=sigma_flights + freedom,
        slope=beta,
        weight=np.where(present, robust, 0.0),
        own_sigma=np.sqrt(own_square),
        pull=pull,
        slope_doubt=slope_doubt,
        apart=apart,
    )


def _shrink(own: FloatArray, freedom: FloatArray, prior: FloatArray, prior_flights: FloatArray) -> FloatArray:
    """Posterior mean scale of the variance under a scaled inverse chi-square prior."""
    return np.asarray((prior_flights * prior**2 + freedom * own) / np.maximum(prior_flights + freedom, 1e-9))


def _weighted_levels(
    value: FloatArray,
    conditions: FloatArray,
    after: BoolArray,
    group: BoolArray,
    total: FloatArray,
    slope: FloatArray,
    slope_flights: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """One weighted least-squares step: levels (B, 2), slopes (B, p), centred conditions, inverse."""
    shares = np.where(group, total[:, None, :], 0.0)
    sums = np.maximum(shares.sum(axis=2), 1e-300)
    mean_value = np.einsum("bgn,bn->bg", shares, value) / sums
    p = conditions.shape[2]
    if p == 0:
        return mean_value, slope, conditions, np.zeros((value.shape[0], 0, 0))
    mean_condition = np.matmul(shares, conditions) / sums[:, :, None]
    centred = conditions - np.where(after[:, :, None], mean_condition[:, 1:], mean_condition[:, :1])
    residual = value - np.where(after, mean_value[:, 1:], mean_value[:, :1])
    weighted = centred * total[:, :, None]
    normal = np.matmul(weighted.transpose(0, 2, 1), centred)
    normal[:, np.arange(p), np.arange(p)] += np.maximum(slope_flights, 1e-9)
    inverse = np.linalg.inv(normal)
    right = np.einsum("bnp,bn->bp", weighted, residual) + slope_flights * slope
    beta = np.einsum("bpq,bq->bp", inverse, right)
    level = mean_value - np.einsum("bgp,bp->bg", mean_condition, beta)
    return level, beta, centred, inverse


def _mean_difference(total: FloatArray, conditions: FloatArray, group: BoolArray) -> FloatArray:
    """Weighted mean condition after minus before, shape (B, p)."""
    shares = np.where(group, total[:, None, :], 0.0)
    means = np.matmul(shares, conditions) / np.maximum(shares.sum(axis=2), 1e-300)[:, :, None]
    return np.asarray(means[:, 1] - means[:, 0])


def _step_pull(
    total: FloatArray,
    centred: FloatArray,
    inverse: FloatArray,
    conditions: FloatArray,
    group: BoolArray,
) -> FloatArray:
    """How much each flight's value moves the step, shape (B, n)."""
    shares = np.where(group, total[:, None, :], 0.0)
    shares = shares / np.maximum(shares.sum(axis=2), 1e-300)[:, :, None]
    pull = shares[:, 1] - shares[:, 0]
    if conditions.shape[2]:
        means = np.matmul(shares, conditions)
        along = np.einsum("bp,bpq->bq", means[:, 1] - means[:, 0], inverse)
        pull = pull - total * np.einsum("bnp,bp->bn", centred, along)
    return pull


def _correlated_square(pull: FloatArray, rho: FloatArray) -> FloatArray:
    """pull' R pull with R the correlation matrix of a lag-one process."""
    result = (pull**2).sum(axis=1)
    power = rho.copy()
    for lag in range(1, pull.shape[1]):
        # cut off for each series by itself: in company it must give the same bits as alone
        power = np.where(power < LEAST_CORRELATION, 0.0, power)
        if not power.any():
            break
        result = result + 2.0 * power * (pull[:, lag:] * pull[:, :-lag]).sum(axis=1)
        power = power * rho
    return np.asarray(np.maximum(result, 1e-300))
