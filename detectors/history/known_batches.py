"""Windows of many series as arrays, for one regression over all of them.

Everything is taken out of the series by index at once: an airframe has hundreds of windows after a few
years, and all of them are looked at after every flight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.detectors.history.fleet_model import FleetModel, MetricModel
from trimkeep.detectors.history.memory import digest
from trimkeep.detectors.history.preparation import (
    CONDITION_NAMES,
    Prepared,
    Preparer,
    fill_groups,
    weigh_flights,
)
from trimkeep.detectors.history.step_fit import MAD_TO_SIGMA, BoolArray, StepFit, fit_steps
from trimkeep.detectors.history.windows import Window
from trimkeep.detectors.model import FloatArray

DRIFT_UNIT = 10.0
"""Flights; a drift is fitted as so much for ten flights."""
DRIFT_FLIGHTS = 1e-3
"""What the rate of a drift, as it was found, counts in the fit: a place to start from, no more."""
PADDED_TO = 16
"""Windows are padded to a multiple of so many flights."""


@dataclass(frozen=True, slots=True)
class WindowBatch:
    """Windows of different lengths, padded at the end, as arrays of shape (B, n).

    `conditions` has one column for each of CONDITION_NAMES that a model of this batch allows for and,
    where a window drifts, one for the drift; `names`, `slope` and `slope_flights` go with the columns.
    `sigma_flights`, `rho`, `outlier_share` of each window's metric, shape (B,).
    """

    value: FloatArray
    conditions: FloatArray
    names: tuple[str, ...]
    present: BoolArray
    after: BoolArray
    weight: FloatArray
    n_before: FloatArray
    n_after: FloatArray
    sigma: FloatArray
    slope: FloatArray
    slope_flights: FloatArray
    sigma_flights: FloatArray
    rho: FloatArray
    outlier_share: FloatArray

    def fit(self) -> StepFit:
        """The regression on the step."""
        return fit_steps(
            self.value,
            self.conditions,
            self.after,
            self.weight,
            sigma=self.sigma,
            sigma_flights=self.sigma_flights,
            slope=self.slope,
            slope_flights=self.slope_flights,
            rho=self.rho,
            measured=np.array([name != "drift" for name in self.names], dtype=bool),
        )

    def removed(self, fit: StepFit) -> FloatArray:
        """What the conditions account for in each flight, shape (B, n)."""
        part = np.einsum("bnp,bp->bn", self.conditions, fit.slope)
        return np.asarray(part + self.after * fit.steeper[:, None])


def alike(windows: Sequence[Window], model: FleetModel) -> list[list[int]]:
    """Places of windows that are padded to the same length and allow for the same conditions.

    Fitted together they are fitted in the same order of sums whatever stands beside them, so that a
    series alone gives the same bits as in company.
    """
    groups: dict[tuple[int, tuple[bool, ...], bool], list[int]] = {}
    for place, window in enumerate(windows):
        length = -(-(len(window.before) + len(window.after)) // PADDED_TO)
        spread = model.of(window.series.metric, window.series.context).spread
        used = tuple([s > 0.0 for s in spread])
        groups.setdefault((length, used, window.drift is not None), []).append(place)
    return list(groups.values())


def assemble(windows: Sequence[Window], model: FleetModel, preparer: Preparer) -> WindowBatch:
    """Take the windows' flights out of their series.

    Parameters
    ----------
    windows : sequence of Window
        Of any airframes, each with at least one flight on either side.
    model : FleetModel
    preparer : Preparer

    Returns
    -------
    WindowBatch
        In the order of `windows`.
    """
    n_before = np.array([len(w.before) for w in windows])
    n_after = np.array([len(w.after) for w in windows])
    place, present = _places(windows, n_before + n_after)
    after = present & (np.arange(place.shape[1]) >= n_before[:, None])
    stacked, offset = _stacked(windows, preparer)
    picked = place + offset[:, None]

    known = [model.of(w.series.metric, w.series.context) for w in windows]
    all_spreads = _table(known, "spread")
    pick = np.flatnonzero((all_spreads > 0.0).any(axis=0))
    centre, spread = _table(known, "centre")[:, pick], all_spreads[:, pick]
    slope, slope_flights = _table(known, "slope")[:, pick], _table(known, "slope_flights")[:, pick]
    value = np.where(present, stacked.value[picked], 0.0)
    filled, measured = fill_groups(
        stacked.conditions[:, pick][picked], centre, spread, np.stack([present & ~after, after], axis=1)
    )
    sigma = np.array([m.sigma for m in known])
    for row in np.flatnonzero(sigma <= 0.0).tolist():
        own = value[row][present[row]]
        sigma[row] = _own_sigma(own, after[row][present[row]])
    weight = weigh_flights(stacked.error[picked], sigma, measured, slope, present)
    names = tuple(CONDITION_NAMES[k] for k in pick)
    filled = np.where(present[:, :, None], filled, 0.0)
    if any(w.drift is not None for w in windows):
        names = (*names, "drift")
        risen, rate = _drifts(windows, place, present)
        filled = np.concatenate([filled, risen[:, :, None]], axis=2)
        slope = np.column_stack([slope, rate])
        slope_flights = np.column_stack([slope_flights, np.full(len(windows), DRIFT_FLIGHTS)])
    return WindowBatch(
        value=value,
        conditions=filled,
        names=names,
        present=present,
        after=after,
        weight=weight,
        n_before=n_before.astype(np.float64),
        n_after=n_after.astype(np.float64),
        sigma=sigma,
        slope=slope,
        slope_flights=slope_flights,
        sigma_flights=np.array([m.sigma_flights for m in known]),
        rho=np.array([m.rho for m in known]),
        outlier_share=np.array([m.outlier_share for m in known]),
    )


def window_keys(windows: Sequence[Window], model: FleetModel, preparer: Preparer, words: str) -> list[bytes]:
    """A digest of everything that the comparison of each window rests on.

    Parameters
    ----------
    windows, model, preparer
        As in `assemble`.
    words : str
        What is the same for all of them: settings, limits.
    """
    flights: dict[int, FloatArray] = {}
    learned: dict[tuple[str, str], str] = {}
    keys = []
    for window in windows:
        series = window.series
        rows = flights.get(id(series))
        if rows is None:
            ready = preparer(series)
            used = np.array(model.of(series.metric, series.context).spread) > 0.0
            rows = np.column_stack([ready.value, ready.error, ready.conditions[:, used]])
            flights[id(series)] = rows
        name = (series.metric, series.context)
        if name not in learned:
            learned[name] = repr(model.of(*name))
        first, last = window.before[0], window.after[-1]
        unbroken = last - first + 1 == len(window.before) + len(window.after)
        shown = rows[first : last + 1] if unbroken else rows[np.array(window.before + window.after)]
        said = (
            f"{words}{learned[name]}{series.scale}{series.better}{series.matters!r}{series.unit}"
            f"{len(window.before)}"
        )
        if window.drift is not None:
            risen = window.drift.rise([*window.before, *window.after]).tolist()
            said = f"{said}{window.drift.rate!r}{risen}"
        keys.append(digest(shown, said))
    return keys


def _places(
    windows: Sequence[Window], lengths: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Indices into each window's series, padded with its first flight, and which of them are no padding."""
    longest = -(-int(lengths.max()) // PADDED_TO) * PADDED_TO
    place = np.empty((len(windows), longest), dtype=np.int64)
    rows: dict[tuple[int, int], NDArray[np.int64]] = {}
    for number, window in enumerate(windows):
        # an airframe's series share their flights, and with them the very same tuples
        key = (id(window.before), id(window.after))
        row = rows.get(key)
        if row is None:
            flights = np.array(window.before + window.after)
            row = np.concatenate([flights, np.full(longest - flights.size, flights[0])])
            rows[key] = row
        place[number] = row
    return place, np.arange(longest) < lengths[:, None]


def _stacked(windows: Sequence[Window], preparer: Preparer) -> tuple[Prepared, NDArray[np.int64]]:
    """All series one after another, and where each window's series begins."""
    ready: dict[int, Prepared] = {}
    for window in windows:
        if id(window.series) not in ready:
            ready[id(window.series)] = preparer(window.series)
    starts = np.cumsum([0, *(one.value.size for one in ready.values())])
    begin = dict(zip(ready, starts.tolist(), strict=False))
    parts = list(ready.values())
    whole = Prepared(
        np.concatenate([one.value for one in parts]),
        np.concatenate([one.error for one in parts]),
        np.concatenate([one.conditions for one in parts]),
        np.concatenate([one.order for one in parts]),
    )
    return whole, np.array([begin[id(w.series)] for w in windows])


def _table(models: Sequence[MetricModel], name: str) -> FloatArray:
    return np.array([getattr(m, name) for m in models], dtype=np.float64)


def _drifts(
    windows: Sequence[Window], place: NDArray[np.int64], present: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """The column of each window's drift, zero where there is none, and its rate, for ten flights each."""
    risen, rate = np.zeros(place.shape), np.zeros(len(windows))
    for row, window in enumerate(windows):
        if window.drift is not None:
            flights = place[row][present[row]].tolist()
            height = window.drift.rise([*flights, window.after[0]]) / DRIFT_UNIT
            risen[row, : len(flights)] = height[:-1] - height[-1]
            rate[row] = window.drift.rate * DRIFT_UNIT
    return risen, rate


def _own_sigma(value: FloatArray, late: BoolArray) -> float:
    """Noise of a series that the fleet knows nothing of; only for the relative weights."""
    deviation = np.concatenate([np.abs(part - np.median(part)) for part in (value[~late], value[late])])
    return max(MAD_TO_SIGMA * float(np.median(deviation)), 1e-9)
