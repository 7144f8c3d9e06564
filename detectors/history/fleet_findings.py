"""What a change did over the fleet: pooled over the airframes that got it, told apart where they can be.

Each airframe gives its step and the variance of it, from the same regression as its own verdict but
with fewer flights asked for: what three flights on one airframe cannot tell, three flights on each of
eight can.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import WIDTH, Limits, log_call_evidence
from trimkeep.detectors.history.coinciding import (
    Item,
    Separation,
    item_key,
    propose,
    separate,
    unresolved,
)
from trimkeep.detectors.history.comparisons import Blocks, BreaksOf
from trimkeep.detectors.history.evidence import critical_t
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.known_changes import estimate, fewest_before, verdict_of
from trimkeep.detectors.history.model import Change, ChangeItem, Effect, Separating, Series, Verdict
from trimkeep.detectors.history.pooling import crossed_effects, leave_one_out
from trimkeep.detectors.history.preparation import Preparer, untransform
from trimkeep.detectors.history.unexplained import key_of
from trimkeep.detectors.history.windows import UNBROKEN, Window, WindowFinder
from trimkeep.detectors.model import FloatArray

FEWEST_AIRFRAMES = 2
"""One airframe's own finding says all that can be said of it."""
FEWEST_TO_DIFFER = 3
"""Of two that differ nobody can say which is the odd one."""
FEWEST_FLIGHTS = 2
"""Flights on either side of an airframe's change, where the fleet's noise is known."""
DIFFERS = 2.8
"""Standard errors off what the others predict; one in two hundred airframes by chance."""


@dataclass(frozen=True, slots=True)
class PooledChange:
    """A change over the fleet, for one metric and context.

    `effect` at the airframes' median level, None where nothing bounds it; `log_e` the evidence for
    calling it; `forecast` further flights, over all airframes together, that would probably settle it
    (None: not in a season).
    """

    key: str
    series: Series
    change: Change
    airframes: tuple[str, ...]
    verdict: Verdict
    effect: Effect | None
    log_e: float
    flights_before: int
    flights_after: int
    forecast: int | None
    differing: tuple[str, ...]
    separating: Separating | None
    opened_at: datetime
    updated_at: datetime


@dataclass(frozen=True, slots=True)
class _Measured:
    """The steps of the airframes that had connected items, on the transformed scale."""

    windows: tuple[Window, ...]
    step: FloatArray
    error: FloatArray
    before: FloatArray
    sigma: float
    sigma_flights: float
    rho: float
    outlier_share: float
    freedom: float


def pool_changes(
    series: Sequence[Series],
    blocks: Blocks,
    model: FleetModel,
    limits: Limits,
    settings: JudgeSettings,
    *,
    breaks: BreaksOf | None = None,
    preparer: Preparer | None = None,
) -> tuple[PooledChange, ...]:
    """Pool every change that at least two airframes had.

    Parameters
    ----------
    series : sequence of Series
    blocks : mapping of airframe to its blocks of changes
    model, limits, settings
        As for the airframes' own verdicts.
    breaks : mapping, optional
        What happened to series unexplained.
    preparer : Preparer, optional

    Returns
    -------
    tuple of PooledChange
        One for each metric, context and group of items that the fleet can tell from others. Where
        nothing separates items that came together, they are one group and named together.
    """
    preparer, breaks = preparer or Preparer(), breaks or {}
    finder = WindowFinder(blocks, settings, preparer)
    grouped: dict[tuple[str, str], list[Series]] = defaultdict(list)
    for one in series:
        if one.better != "none" and one.points:
            grouped[one.metric, one.context].append(one)
    result = []
    for name in sorted(grouped):
        members = sorted(grouped[name], key=lambda s: s.airframe)
        known = model.of(*name)
        flights = FEWEST_FLIGHTS if known.sigma_flights > 0.0 else fewest_before(known, settings)
        windows = [
            finder(one, block, breaks=breaks.get(key_of(one), UNBROKEN))
            for one in members
            for block in blocks.get(one.airframe, ())
        ]
        windows = [w for w in windows if min(len(w.before), len(w.after)) >= flights]
        for part in _connected(windows):
            if len({w.series.airframe for w in part}) >= FEWEST_AIRFRAMES:
                result += _pool_part(part, model, limits, settings, preparer)
    return tuple(result)


def _items(window: Window) -> frozenset[Item]:
    return frozenset(item_key(item) for item in window.block.change.items)


def _connected(windows: Sequence[Window]) -> list[list[Window]]:
    """Windows that share items, directly or through others, belong to one regression."""
    parts: list[tuple[set[Item], list[Window]]] = []
    for window in windows:
        items, members = set(_items(window)), [window]
        if not items:
            continue
        apart = []
        for known, others in parts:
            if known & items:
                items |= known
                members = others + members
            else:
                apart.append((known, others))
        parts = [*apart, (items, members)]
    return [members for _, members in parts]


def _pool_part(
    windows: Sequence[Window],
    model: FleetModel,
    limits: Limits,
    settings: JudgeSettings,
    preparer: Preparer,
) -> list[PooledChange]:
    fit = estimate(windows, model, preparer).fit
    known = model.of(windows[0].series.metric, windows[0].series.context)
    measured = _Measured(
        tuple(windows),
        fit.step,
        fit.standard_error,
        fit.before,
        float(np.median(fit.sigma)),
        known.sigma_flights,
        known.rho,
        known.outlier_share,
        float(fit.freedom.sum()),
    )
    separation = separate([_items(w) for w in windows])
    if not all(separation.estimable):
        separation = _as_they_came(windows)
    crossed = crossed_effects(
        measured.step, measured.error**2, separation.design, settings.pooling_spread * measured.sigma
    )
    result = []
    for column, group in enumerate(separation.groups):
        rows = np.flatnonzero(separation.design[:, column] > 0.0).tolist()
        if len({windows[row].series.airframe for row in rows}) >= FEWEST_AIRFRAMES:
            estimate_error = float(crossed.estimate[column]), float(crossed.error[column])
            result.append(_pooled(measured, rows, group, estimate_error, crossed.spread, limits, settings))
    return result


def _as_they_came(windows: Sequence[Window]) -> Separation:
    """Every combination of items that occurred as one group of its own: only sums can be told."""
    combinations = sorted({tuple(sorted(_items(w))) for w in windows})
    design = np.array([[float(tuple(sorted(_items(w))) == c) for c in combinations] for w in windows])
    return Separation(tuple(combinations), design, (True,) * len(combinations))


def _pooled(
    measured: _Measured,
    rows: Sequence[int],
    group: Sequence[Item],
    estimate_error: tuple[float, float],
    spread: float,
    limits: Limits,
    settings: JudgeSettings,
) -> PooledChange:
    step, error = estimate_error
    mine = [measured.windows[row] for row in rows]
    series = mine[0].series
    n_before = np.array([len(w.before) for w in mine], dtype=np.float64)
    n_after = np.array([len(w.after) for w in mine], dtype=np.float64)
    more = np.arange(0.0, settings.season_flights + 1.0)
    # each airframe's error shrinks with its flights after; the spread between airframes stays
    shrink = np.mean(
        (1.0 / n_before[:, None] + 1.0 / (n_after[:, None] + more))
        / (1.0 / n_before[:, None] + 1.0 / n_after[:, None]),
        axis=0,
    )
    floor = spread**2 / len(rows)
    later = np.sqrt(np.minimum(floor, error**2) + np.maximum(error**2 - floor, 0.0) * shrink)
    shape = more.shape
    log_limit = limits.at(
        settings.level,
        np.full(shape, n_before.mean()),
        np.maximum(n_after.mean() + more, settings.min_flights_after),
        np.full(shape, measured.rho),
        np.full(shape, measured.outlier_share),
        np.full(shape, measured.sigma_flights),
    )
    information = (measured.sigma / later) ** 2
    half = critical_t(log_limit, np.full(shape, measured.freedom), information, WIDTH) * later
    before = float(np.median(measured.before[list(rows)]))
    # no end to the interval: they differ by far more than their flights scatter, so few say nothing of a next
    effect = _effect(series, before, step, float(half[0])) if np.isfinite(half[0]) else None
    matters = float(np.median([w.series.matters for w in mine]))
    verdict = Verdict.TOO_EARLY if effect is None else verdict_of(effect, series.better, matters)
    shrunk = step * information[0] / (1.0 + information[0])
    settled = [
        verdict_of(_effect(series, before, float(shrunk), float(h)), series.better, matters)
        is not Verdict.TOO_EARLY
        for h in half
    ]
    ahead = next((int(n) for n, done in zip(more, settled, strict=True) if done and n > 0), None)
    log_e = log_call_evidence(np.array(step / error), np.array(measured.freedom), np.array(information[0]))
    change = _fleet_change(mine, group)
    separating = None
    if verdict in (Verdict.WORSE, Verdict.BETTER):
        flown = [len(w.after) for w in mine]
        names = [w.series.airframe for w in mine]
        separating = propose(unresolved(change.items), names, flown, measured.sigma, step)
    return PooledChange(
        key="|".join("/".join(item) for item in group),
        series=series,
        change=change,
        airframes=tuple(sorted({w.series.airframe for w in mine})),
        verdict=verdict,
        effect=effect,
        log_e=float(log_e),
        flights_before=int(n_before.sum()),
        flights_after=int(n_after.sum()),
        forecast=0 if verdict is not Verdict.TOO_EARLY else None if ahead is None else ahead * len(rows),
        differing=_differing(measured, rows, group, settings),
        separating=separating,
        opened_at=_opened(mine),
        updated_at=max(w.series.points[w.after[-1]].at for w in mine),
    )


def _effect(series: Series, before: float, step: float, half: float) -> Effect:
    base, after, low, high = (
        float(v)
        for v in untransform(
            np.minimum(before + np.array([0.0, step, step - half, step + half]), 700.0), series.scale
        )
    )
    ratio = after / base if series.scale == "log" and base > 0.0 else None
    return Effect(ratio, after - base, low - base, high - base, series.unit, base, after)


def _differing(
    measured: _Measured, rows: Sequence[int], group: Sequence[Item], settings: JudgeSettings
) -> tuple[str, ...]:
    """Airframes that had just this group and on which it did something else."""
    alone = [row for row in rows if _items(measured.windows[row]) == frozenset(group)]
    if len(alone) < FEWEST_TO_DIFFER:
        return ()
    distance, _ = leave_one_out(
        measured.step[alone], measured.error[alone] ** 2, settings.pooling_spread * measured.sigma
    )
    odd = {
        measured.windows[row].series.airframe
        for row, d in zip(alone, distance, strict=True)
        if abs(d) > DIFFERS
    }
    return tuple(sorted(odd))


def _opened(windows: Sequence[Window]) -> datetime:
    """When the second airframe had flown often enough to be compared."""
    ready: Mapping[str, datetime] = {
        w.series.airframe: w.series.points[w.after[FEWEST_FLIGHTS - 1]].at for w in windows
    }
    return sorted(ready.values())[FEWEST_AIRFRAMES - 1]


def _fleet_change(windows: Sequence[Window], group: Sequence[Item]) -> Change:
    """The change as the fleet had it: the first airframe's words, an id from what it is."""
    first = min((w.block.change for w in windows), key=lambda c: (c.at, c.id))
    wanted = set(group)
    items: dict[Item, ChangeItem] = {}
    for item in first.items:
        if item_key(item) in wanted:
            items.setdefault(item_key(item), item)
    name = hashlib.sha256(repr(sorted(group)).encode()).hexdigest()[:12]
    return Change(f"fleet:{name}", "", first.at, first.first_order, tuple(items.values()))
