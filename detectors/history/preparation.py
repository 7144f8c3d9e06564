"""From a series of flights to numbers that can be compared: scale, conditions, weights.

A positive, skewed metric is judged on its logarithm, where its noise is even. The conditions of each
flight come in as standardised columns. A flight that was measured badly (a large standard error, or
conditions that were not measured) counts for less.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.detectors.history.model import Series
from trimkeep.detectors.model import FloatArray, Scale

CALM_EDR = 0.05
"""m^(2/3)/s. Below this the air no longer sets a metric's floor; the logarithm is bent there."""
CALM_MPS2 = 0.2
MOST_MISSING = 0.5
"""A condition known for a smaller share of a series' flights is left out for that series."""


def _bent_log(floor: float) -> Callable[[FloatArray], FloatArray]:
    return lambda value: np.log(np.maximum(value, 0.0) + floor)


CONDITIONS: Mapping[str, Callable[[FloatArray], FloatArray]] = {
    "gust_edr": _bent_log(CALM_EDR),
    "rough_air_mps2": _bent_log(CALM_MPS2),
    "wind_mps": lambda value: value,
    "airspeed_mps": lambda value: np.log(np.maximum(value, 1.0)),
    "air_density_kgpm3": lambda value: np.log(np.maximum(value, 0.1)),
}
"""Conditions that are allowed for, each with the scale on which its influence is about straight."""
CONDITION_NAMES = tuple(CONDITIONS)


@dataclass(frozen=True, slots=True)
class Prepared:
    """One series as arrays, oldest flight first.

    `value` transformed; `error` its standard error on that scale, NaN where not known;
    `conditions` (n, 5) on the scales of CONDITIONS, not yet standardised, NaN where not measured;
    `order` the flights' places in the airframe's history.
    """

    value: FloatArray
    error: FloatArray
    conditions: FloatArray
    order: FloatArray


def log_floor(matters: float) -> float:
    """Smallest value told apart from zero before the logarithm: a twentieth of what matters."""
    return matters / 20.0


def transform(value: FloatArray, scale: Scale, matters: float) -> FloatArray:
    """The metric on the scale on which it is judged.

    Parameters
    ----------
    value : ndarray
        In the metric's unit.
    scale : {"log", "linear"}
    matters : float
        Material change, unit of the metric; positive. Sets the floor below the logarithm.

    Examples
    --------
    >>> transform(np.array([1.0, 0.0]), "log", 2.0).round(3).tolist()
    [0.0, -2.303]
    """
    if scale == "log":
        return np.asarray(np.log(np.maximum(value, log_floor(matters))))
    return np.asarray(value, dtype=np.float64)


def untransform(value: FloatArray, scale: Scale) -> FloatArray:
    """Back from the scale of `transform` to the metric's unit."""
    return np.exp(value) if scale == "log" else np.asarray(value)


def prepare(series: Series) -> Prepared:
    """A series as arrays. Points come ordered by flight; an empty series gives empty arrays."""
    raw = np.array([point.value for point in series.points], dtype=np.float64)
    error = np.array(
        [np.nan if p.standard_error is None else p.standard_error for p in series.points], dtype=np.float64
    )
    if series.scale == "log":
        error = error / np.maximum(raw, log_floor(series.matters))
    return Prepared(
        transform(raw, series.scale, series.matters),
        error,
        condition_table(series),
        np.array([point.order for point in series.points], dtype=np.float64),
    )


class Preparer:
    """Prepares each series once, however many comparisons it takes part in.

    Series are told apart by identity: hashing hundreds of points would cost as much as preparing.
    """

    def __init__(self) -> None:
        self._ready: dict[int, tuple[Series, Prepared]] = {}

    def __call__(self, series: Series) -> Prepared:
        """The prepared series; the series itself is held, so that its identity is not reused."""
        known = self._ready.get(id(series))
        if known is None:
            known = self._ready[id(series)] = (series, prepare(series))
        return known[1]


def condition_table(series: Series) -> FloatArray:
    """Each flight's conditions on the scales of CONDITIONS, shape (n, 5); NaN where not measured."""
    given = [point.conditions for point in series.points]
    named = set().union(*given) if given else set()
    table = np.full((len(given), len(CONDITION_NAMES)), np.nan)
    for k, name in enumerate(CONDITION_NAMES):
        if name in named:
            raw = np.array([conditions.get(name, np.nan) for conditions in given], dtype=np.float64)
            table[:, k] = CONDITIONS[name](raw)
    return table


def filled_conditions(
    conditions: FloatArray, centre: FloatArray, spread: FloatArray, groups: Sequence[NDArray[np.bool_]]
) -> tuple[FloatArray, FloatArray]:
    """Standardised conditions without gaps, and which of them were measured.

    A gap takes the median of the series, so that it neither helps nor accuses; a condition too
    often missing in any of the compared groups is left out (all zero), because then its gaps would
    be the difference.

    Parameters
    ----------
    conditions : ndarray, shape (n, p)
    centre, spread : ndarray, shape (p,)
        The fleet's; a spread of 0 leaves the condition out.
    groups : sequence of boolean ndarray, shape (n,)
        Flights that are compared with each other.

    Returns
    -------
    filled, known : ndarray, shape (n, p)
        `known` is 1 where measured or where the condition is left out, else 0.
    """
    usable = spread > 0.0
    if not usable.any():
        return np.zeros_like(conditions), np.ones_like(conditions)
    standard = (conditions - centre) / np.where(usable, spread, 1.0)
    known = np.isfinite(standard)
    if known.all():
        return np.where(usable, np.clip(standard, -4.0, 4.0), 0.0), np.ones_like(standard)
    for group in (np.ones(len(conditions), dtype=bool), *groups):
        if group.any():
            usable = usable & (known[group].mean(axis=0) >= MOST_MISSING)
    # beyond four deviations the line learned from the fleet is a guess
    standard = np.where(known, np.clip(standard, -4.0, 4.0), np.nan)
    filled = np.zeros_like(standard)
    for k in np.flatnonzero(usable):
        column, measured = standard[:, k], known[:, k]
        filled[:, k] = column if measured.all() else np.where(measured, column, np.median(column[measured]))
    return filled, np.where(usable, known, True).astype(np.float64)


def flight_weights(error: FloatArray, sigma: float, known: FloatArray, slope: FloatArray) -> FloatArray:
    """Relative weight of each flight, 0 to 1.

    The flight-to-flight deviation `sigma` already holds the usual measuring error; what a flight's
    own error exceeds the median by, and what an unmeasured condition may have done, is added to it.
    Errors whose median lies above `sigma` are overstated, all of them alike: the flights do not
    scatter that much. They are scaled down until it does not.

    Parameters
    ----------
    error : ndarray, shape (n,)
        NaN counts as the median.
    sigma : float
        Positive.
    known : ndarray, shape (n, p)
    slope : ndarray, shape (p,)
        Effect of one standard deviation of each condition.
    """
    given = np.isfinite(error)
    if not given.any() and known.all():
        return np.ones(error.size)
    square = np.where(given, error, np.nan) ** 2
    usual = float(np.median(square[given])) if given.any() else 0.0
    if usual > sigma**2:
        square, usual = square * (sigma**2 / usual), sigma**2
    excess = np.maximum(np.nan_to_num(square, nan=usual) - usual, 0.0)
    unknown = ((1.0 - known) * slope**2).sum(axis=1)
    return np.asarray(sigma**2 / (sigma**2 + excess + unknown))
