"""From the scan of each stretch between known changes to what is found there.

A stretch longer than the scan's window is looked at in windows that overlap by half, so that a step
of last year is found as well as one of last week. What two windows both show is one step.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import WIDTH
from trimkeep.detectors.history.calibration_scan import ScanLimits
from trimkeep.detectors.history.evidence import critical_t
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.known_changes import verdict_of
from trimkeep.detectors.history.model import Effect, Series, Verdict
from trimkeep.detectors.history.preparation import (
    Prepared,
    Preparer,
    filled_conditions,
    flight_weights,
    untransform,
)
from trimkeep.detectors.history.steps_unknown import NAMED, SHORTEST, WINDOW, Scan, difference_scale, scan
from trimkeep.detectors.history.windows import Block
from trimkeep.detectors.model import FloatArray


@dataclass(frozen=True, slots=True)
class Stretch:
    """One window of one series between known changes: `points` are indices, `number` counts the
    airframe's stretches from 0, `part` the windows of one stretch."""

    series: Series
    number: int
    part: int
    points: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """A step or a drift: `start`, `earliest`, `latest` are indices into the series' points.

    `first_seen` is the part of the stretch in which it was seen first, so that its name stays when
    its place wanders;
    `reaches_in` flights from now at which a drift reaches the metric's attention level, None: never.
    """

    stretch: Stretch
    first_seen: int
    drift: bool
    verdict: Verdict
    effect: Effect
    log_e: float
    start: int
    earliest: int
    latest: int
    last: int
    gross: tuple[str, ...]
    reaches_in: int | None


def stretches_of(series: Series, blocks: Sequence[Block]) -> tuple[Stretch, ...]:
    """The windows of a series: each stretch between changes, in overlapping parts of WINDOW flights."""
    order = np.array([p.order for p in series.points])
    active = [b for b in blocks if not b.passive]
    starts = [0.0, *(float(b.last_order) for b in active)]
    ends = [*(float(b.first_order) for b in active), np.inf]
    result = []
    for number, (low, high) in enumerate(zip(starts, ends, strict=True)):
        inside = np.flatnonzero((order >= low) & (order < high))
        if inside.size < SHORTEST:
            continue
        first, part = 0, 0
        while inside.size - first > WINDOW:
            result.append(Stretch(series, number, part, tuple(inside[first : first + WINDOW].tolist())))
            first, part = first + WINDOW // 2, part + 1
        result.append(Stretch(series, number, part, tuple(inside[-WINDOW:].tolist())))
    return tuple(result)


@dataclass(frozen=True, slots=True)
class ScannedStretches:
    """What was scanned: `log_evidence` of every stretch, in the order of `stretches`, and what was found."""

    stretches: tuple[Stretch, ...]
    log_evidence: FloatArray
    found: tuple[Found, ...]


def scan_stretches(
    series: Sequence[Series],
    blocks: Mapping[str, Sequence[Block]],
    model: FleetModel,
    limits: ScanLimits,
    settings: JudgeSettings,
    touched_from: int | None = None,
    preparer: Preparer | None = None,
) -> ScannedStretches:
    """Look for steps and drift in all stretches of all series.

    Parameters
    ----------
    series : sequence of Series
    blocks : mapping of airframe to its blocks of known changes
    model : FleetModel
    limits : ScanLimits
    settings : JudgeSettings
        `unexplained_level` is the chance of a false one per series in 60 flights.
    touched_from : int, optional
        Only windows that reach to within two window lengths of the flight of this order: no
        comparison that it touches reaches further back.
    preparer : Preparer, optional
        Shared with other calls on the same series.
    """
    stretches = [
        stretch
        for one in series
        if one.better != "none"
        for stretch in stretches_of(one, blocks.get(one.airframe, ()))
        if touched_from is None or one.points[stretch.points[-1]].order >= touched_from - 2 * WINDOW
    ]
    preparer = preparer or Preparer()
    adjusted: dict[int, FloatArray] = {}
    by_length: dict[int, list[int]] = defaultdict(list)
    for number, stretch in enumerate(stretches):
        by_length[len(stretch.points)].append(number)
        if id(stretch.series) not in adjusted:
            adjusted[id(stretch.series)] = _adjusted(stretch.series, preparer(stretch.series), model)
    log_evidence = np.zeros(len(stretches))
    candidates: list[tuple[int, Found]] = []
    for length, numbers in sorted(by_length.items()):
        chosen = [stretches[number] for number in numbers]
        result, limit = _scan_batch(chosen, adjusted, model, limits, settings)
        log_evidence[numbers] = result.log_evidence
        for row in np.flatnonzero(result.log_evidence > limit):
            one = _found(chosen[row], result, int(row), float(limit[row]), length)
            if one.verdict in (Verdict.WORSE, Verdict.BETTER):
                candidates.append((numbers[row], one))
    candidates.sort(key=lambda pair: pair[0])
    return ScannedStretches(tuple(stretches), log_evidence, _merged([one for _, one in candidates]))


def _adjusted(series: Series, ready: Prepared, model: FleetModel) -> FloatArray:
    """Values with the fleet's influence of the conditions removed, and weights, shape (2, n)."""
    one = model.of(series.metric, series.context)
    slope = np.array(one.slope)
    filled, known = filled_conditions(ready.conditions, np.array(one.centre), np.array(one.spread), ())
    sigma = one.sigma
    if sigma <= 0.0 and ready.value.size > 2:
        sigma = float(difference_scale(ready.value[None], np.array([one.rho]))[0])
    weight = flight_weights(ready.error, max(sigma, 1e-9), known, slope)
    return np.stack([ready.value - filled @ slope, weight])


def _scan_batch(
    stretches: Sequence[Stretch],
    adjusted: Mapping[int, FloatArray],
    model: FleetModel,
    limits: ScanLimits,
    settings: JudgeSettings,
) -> tuple[Scan, FloatArray]:
    models = [model.of(s.series.metric, s.series.context) for s in stretches]
    both = np.stack([adjusted[id(s.series)][:, list(s.points)] for s in stretches])
    rho = np.array([m.rho for m in models])
    sigma_flights = np.array([m.sigma_flights for m in models])
    result = scan(
        both[:, 0],
        np.maximum(both[:, 1], 1e-6),
        sigma=np.array([m.sigma for m in models]),
        sigma_flights=sigma_flights,
        rho=rho,
    )
    flights = np.full(len(stretches), float(both.shape[2]))
    shares = np.array([m.outlier_share for m in models])
    return result, limits.at(settings.unexplained_level, flights, rho, shares, sigma_flights)


def _found(stretch: Stretch, result: Scan, row: int, limit: float, length: int) -> Found:
    series = stretch.series
    sigma, error = float(result.sigma[row]), float(result.rise_error[row])
    critical = critical_t(np.array(limit), np.array(float(length)), np.array((sigma / error) ** 2), WIDTH)
    level, rise, half = float(result.level[row]), float(result.rise[row]), float(critical) * error
    before, after, low, high = (
        float(v)
        for v in untransform(
            np.minimum(level + np.array([0.0, rise, rise - half, rise + half]), 700.0), series.scale
        )
    )
    ratio = after / before if series.scale == "log" and before > 0.0 else None
    effect = Effect(ratio, after - before, low - before, high - before, series.unit, before, after)
    start, earliest, latest = (
        stretch.points[int(k)] for k in (result.start[row], result.earliest[row], result.latest[row])
    )
    drift = bool(result.ramp_share[row] >= NAMED)
    return Found(
        stretch=stretch,
        first_seen=stretch.part,
        drift=drift,
        verdict=verdict_of(effect, series.better, series.matters),
        effect=effect,
        log_e=float(result.log_evidence[row]),
        start=start,
        earliest=earliest,
        latest=latest,
        last=stretch.points[-1],
        gross=tuple(
            series.points[p].flight_id
            for p, odd in zip(stretch.points, result.gross[row], strict=True)
            if odd
        ),
        reaches_in=_reaches(series, effect, stretch.points[-1] - start + 1) if drift else None,
    )


def _reaches(series: Series, effect: Effect, flights: int) -> int | None:
    """Flights until a drift that goes on as it did reaches the level that asks for attention."""
    if series.attention is None or effect.difference == 0.0:
        return None
    goal = -series.attention if series.better == "nearer_zero" and effect.after < 0.0 else series.attention
    more = (goal - effect.after) / (effect.difference / flights)
    return int(np.ceil(more)) if 0.0 < more < 1000.0 else None


def _merged(found: Sequence[Found]) -> tuple[Found, ...]:
    """What overlapping windows both show counts once: the later window has seen more of it."""
    kept: list[Found] = []
    for one in found:
        previous = kept[-1] if kept else None
        same_stretch = (
            previous is not None
            and previous.stretch.series is one.stretch.series
            and previous.stretch.number == one.stretch.number
        )
        if previous is not None and same_stretch and _overlap(previous, one):
            kept[-1] = replace(one, first_seen=previous.first_seen)
        else:
            kept.append(one)
    return tuple(kept)


def _overlap(one: Found, other: Found) -> bool:
    """Their places overlap, or one is a drift that the other sees a part of."""
    if one.drift or other.drift:
        return True
    return one.earliest <= other.latest + 1 and other.earliest <= one.latest + 1
