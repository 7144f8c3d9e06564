"""How strongly a surface turns the aeroplane: the body rate that its full command holds.

Once the damping has caught up (about 0.2 s), moment and damping balance: rate = k V command, because
the moment goes with the dynamic pressure and the damping with density times airspeed. The slope is
taken along instruments (what was demanded), so that the loop's own answer to gusts, which moves the
command without turning the aeroplane, does not count.

References
----------
.. [1] B. Etkin, L. D. Reid, Dynamics of Flight, 3rd ed., Wiley 1996, chapter 5 (roll mode; from memory).
.. [2] L. Ljung, System Identification, 2nd ed., Prentice Hall 1999, section 7.6 (instruments).
.. [3] D. Staiger, J. H. Stock, Instrumental variables regression with weak instruments, Econometrica
   65, 1997: a first-stage F above 10.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.resample import running_mean
from trimkeep.detectors.numerics.stats import effective_samples

DEMAND_LAGS_S = (0.0, 0.3, 0.6, 1.0)
"""The loop turns a demand into a command and a rate within about a second."""
WEAKEST_F = 10.0
"""Below this first-stage F the demand says too little about the command [3]_."""
FEWEST_PER_COLUMN = 20


@dataclass(frozen=True, slots=True)
class Effect:
    """Rate per full command at the reference airspeed, deg/s, with error and the lag chosen."""

    value: float
    error: float
    lag_s: float


@dataclass(frozen=True, slots=True)
class _Fit:
    """Slope at one lag, what it leaves and its variance, and the squares of what the instruments moved."""

    value: float
    lag_s: float
    residual: FloatArray
    left: float
    moved: float


def surface_effect(
    command: FloatArray,
    rate_dps: FloatArray,
    demands: Sequence[FloatArray],
    step_s: float,
    span_s: float,
    lags_s: Sequence[float],
) -> Effect | None:
    """The effect at the lag that leaves least unexplained.

    Parameters
    ----------
    command : ndarray, shape (n,)
        Fraction of full command, even samples; NaN means no sample.
    rate_dps : ndarray, shape (n,)
        Body rate brought to the reference airspeed.
    demands : sequence of ndarray, shape (n,)
        What the loop or the pilot was asked for.
    step_s, span_s : float
        Seconds between samples, and over which both are averaged.
    lags_s : sequence of float
        How much later than the command the rate may come.

    Returns
    -------
    Effect or None
        None where the demands move the command too little.
    """
    width = max(round(span_s / step_s), 1)
    rows = slice(None, None, width)  # averages over shared spans would only repeat each other
    asked = [_delayed(demand, round(late / step_s))[rows] for demand in demands for late in DEMAND_LAGS_S]
    instruments = np.column_stack([*asked, np.ones(asked[0].size)])
    flown = _mean(rate_dps, width)[rows]
    averaged = _mean(command, width)
    moved = [_delayed(averaged, round(lag_s / step_s))[rows] for lag_s in lags_s]
    good = np.isfinite(flown) & np.isfinite(np.sum(moved, axis=0)) & np.isfinite(instruments.sum(axis=1))
    if good.sum() < FEWEST_PER_COLUMN * instruments.shape[1]:
        return None
    known, flown = _scaled(instruments[good]), flown[good]
    # pinv, for demands that are multiples of each other (a stick and the rate it asks for)
    inverse = np.asarray(np.linalg.pinv(known.T @ known, rcond=1e-10, hermitian=True), dtype=np.float64)
    best: _Fit | None = None
    for lag_s, late_command in zip(lags_s, moved, strict=True):
        found = _two_stage(flown, late_command[good], known, inverse, lag_s)
        if found is not None and (best is None or found.left < best.left):
            best = found
    return None if best is None else _with_error(best)


def _scaled(instruments: FloatArray) -> FloatArray:
    scale = np.sqrt(np.mean(instruments**2, axis=0))
    return instruments[:, scale > 1e-9] / scale[scale > 1e-9]


def _two_stage(
    flown: FloatArray, moved: FloatArray, known: FloatArray, inverse: FloatArray, lag_s: float
) -> _Fit | None:
    """The fit at one lag; `inverse` is that of the instruments' products."""
    told = known @ (inverse @ (known.T @ moved))
    unexplained, explained = float(np.var(moved - told)), float(np.var(told))
    if explained <= 0.0 or explained * flown.size / known.shape[1] < WEAKEST_F * unexplained:
        return None
    centred = told - told.mean()
    value = float(centred @ flown) / float(centred @ moved)
    residual = flown - flown.mean() - value * (moved - moved.mean())
    return _Fit(value, lag_s, residual, float(np.var(residual)), float(centred @ centred))


def _with_error(fit: _Fit) -> Effect:
    memory = fit.residual.size / effective_samples([fit.residual], 0.0)
    return Effect(fit.value, float(np.sqrt(fit.left * memory / fit.moved)), fit.lag_s)


def _mean(value: FloatArray, width: int) -> FloatArray:
    return np.where(np.isfinite(value), running_mean(value, width), np.nan)


def _delayed(value: FloatArray, steps: int) -> FloatArray:
    if steps == 0:
        return value
    return np.concatenate((np.full(steps, np.nan), value[:-steps]))
