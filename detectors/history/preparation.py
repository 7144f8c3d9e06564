"""From a series of flights to numbers that can be compared: scale, conditions, weights.

A positive, skewed metric is judged on its logarithm, where its noise is even. The conditions of each
flight come in as standardised columns. A flight that was measured badly (a large standard error, or
conditions that were not measured) counts for less.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

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


def prepare(series: Series, conditions: FloatArray | None = None) -> Prepared:
    """A series as arrays. Points come ordered by flight; an empty series gives empty arrays.

    Parameters
    ----------
    series : Series
    conditions : ndarray, shape (n, 5), optional
        Its `condition_table`, where that is known.
    """
    raw = np.array([point.value for point in series.points], dtype=np.float64)
    error = np.array(
        [np.nan if p.standard_error is None else p.standard_error for p in series.points], dtype=np.float64
    )
    if series.scale == "log":
        error = error / np.maximum(raw, log_floor(series.matters))
    return Prepared(
        transform(raw, series.scale, series.matters),
        error,
        condition_table(series) if conditions is None else conditions,
        np.array([point.order for point in series.points], dtype=np.float64),
    )


class Preparer:
    """Prepares each series once, however many comparisons it takes part in.

    Series are told apart by identity: hashing hundreds of points would cost as much as preparing.
    Series with the same flights get the very same `order`, for others to see that by identity too.
    """

    def __init__(self) -> None:
        self._ready: dict[int, tuple[Series, Prepared]] = {}
        self._orders: dict[bytes, FloatArray] = {}
        self._conditions: dict[tuple[int, ...], FloatArray] = {}

    def __call__(self, series: Series) -> Prepared:
        """The prepared series; the series itself is held, so that its identity is not reused."""
        known = self._ready.get(id(series))
        if known is None:
            # metrics of one flight share what was measured of its conditions
            flown = tuple([id(point.conditions) for point in series.points])
            table = self._conditions.get(flown)
            if table is None:
                table = self._conditions[flown] = condition_table(series)
            ready = prepare(series, table)
            order = self._orders.setdefault(ready.order.tobytes(), ready.order)
            known = self._ready[id(series)] = (series, replace(ready, order=order))
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
    """`fill_groups` for one series.

    Parameters
    ----------
    conditions : ndarray, shape (n, p)
    centre, spread : ndarray, shape (p,)
    groups : sequence of boolean ndarray, shape (n,)
        Flights that are compared with each other; all of them together are always one group.

    Returns
    -------
    filled, known : ndarray, shape (n, p)
    """
    together = np.stack([np.ones(len(conditions), dtype=bool), *groups])
    filled, known = fill_groups(conditions[None], centre[None], spread[None], together[None])
    return filled[0], known[0]


def fill_groups(
    conditions: FloatArray, centre: FloatArray, spread: FloatArray, groups: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Standardised conditions without gaps, and which of them were measured.

    A gap takes the median of the series, so that it neither helps nor accuses; a condition too
    often missing in any of the compared groups is left out (all zero), because then its gaps would
    be the difference.

    Parameters
    ----------
    conditions : ndarray, shape (B, n, p)
    centre, spread : ndarray, shape (B, p)
        The fleet's; a spread of 0 leaves the condition out.
    groups : ndarray of bool, shape (B, g, n)
        Flights that are compared with each other; what is in none of them is padding.

    Returns
    -------
    filled, known : ndarray, shape (B, n, p)
        `known` is 1 where measured or where the condition is left out, else 0.
    """
    usable = spread > 0.0
    standard = (conditions - centre[:, None]) / np.where(usable, spread, 1.0)[:, None]
    inside = np.asarray(groups.any(axis=1))[:, :, None]
    measured = np.isfinite(standard)
    # beyond four deviations the line learned from the fleet is a guess
    filled = np.where(measured, np.clip(standard, -4.0, 4.0), 0.0)
    gaps = np.flatnonzero((~measured & inside & usable[:, None]).any(axis=(1, 2)))
    if gaps.size:
        for group in (inside[gaps, :, 0], *np.moveaxis(groups[gaps], 1, 0)):
            size = group.sum(axis=1)[:, None]
            share = (measured[gaps] & group[:, :, None]).sum(axis=1) / np.maximum(size, 1)
            usable[gaps] &= (share >= MOST_MISSING) | (size == 0)
        seen = (measured & inside)[gaps]
        middle = masked_median(np.moveaxis(filled[gaps], 2, 1), np.moveaxis(seen, 2, 1))
        filled[gaps] = np.where(seen, filled[gaps], np.nan_to_num(middle)[:, None])
    used = usable[:, None]
    return np.where(used, filled, 0.0), np.where(used, measured, True).astype(np.float64)


def flight_weights(error: FloatArray, sigma: float, known: FloatArray, slope: FloatArray) -> FloatArray:
    """`weigh_flights` for one series: arrays without their first axis."""
    everything = np.ones((1, error.size), dtype=bool)
    return weigh_flights(error[None], np.array([sigma]), known[None], slope[None], everything)[0]


def weigh_flights(
    error: FloatArray, sigma: FloatArray, known: FloatArray, slope: FloatArray, present: NDArray[np.bool_]
) -> FloatArray:
    """Relative weight of each flight, 0 to 1; 0 where not `present`.

    The flight-to-flight deviation `sigma` already holds the usual measuring error; what a flight's
    own error exceeds the median by, and what an unmeasured condition may have done, is added to it.
    Errors whose median lies above `sigma` are overstated, all of them alike: the flights do not
    scatter that much. They are scaled down until it does not.

    Parameters
    ----------
    error : ndarray, shape (B, n)
        NaN counts as the median.
    sigma : ndarray, shape (B,)
        Positive.
    known : ndarray, shape (B, n, p)
    slope : ndarray, shape (B, p)
        Effect of one standard deviation of each condition.
    present : ndarray of bool, shape (B, n)
    """
    floor = (sigma**2)[:, None]
    excess = np.zeros(error.shape)
    given = np.isfinite(error) & present
    if given.any():
        square = np.where(given, error, 0.0) ** 2
        usual = np.nan_to_num(masked_median(square, given))[:, None]
        overstated = usual > floor
        square = np.where(overstated, square * (floor / np.where(overstated, usual, 1.0)), square)
        usual = np.where(overstated, floor, usual)
        excess = np.where(given, np.maximum(square - usual, 0.0), 0.0)
    if not known.all():
        excess = excess + np.einsum("bnp,bp->bn", 1.0 - known, slope**2)
    return np.where(present, floor / (floor + excess), 0.0)


def masked_median(value: FloatArray, mask: NDArray[np.bool_]) -> FloatArray:
    """Median along the last axis of the entries where `mask`; NaN where there are none."""
    ordered = np.sort(np.where(mask, value, np.inf), axis=-1)
    count = mask.sum(axis=-1)
    low = np.maximum((count - 1) // 2, 0)[..., None]
    high = np.minimum(count // 2, value.shape[-1] - 1)[..., None]
    middle = 0.5 * (np.take_along_axis(ordered, low, -1) + np.take_along_axis(ordered, high, -1))
    return np.where(count > 0, middle[..., 0], np.nan)
