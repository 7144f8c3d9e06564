"""What happened to a series that no known change explains: steps and drift.

A known change must not be credited with what happened elsewhere. So each change that seems to have had
an effect is put to the test first: leave its step out, and see whether a step at another place, or a
drift, explains the flights decisively better than the step at the change does. If so the change is
judged again on the flights up to that step, or beside that drift. Changes that stand the test are
fitted beside; then what they leave over is searched.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from trimkeep.detectors.history.calibration import WIDTH
from trimkeep.detectors.history.evidence import critical_t
from trimkeep.detectors.history.known_changes import Comparer, Comparison, verdict_of
from trimkeep.detectors.history.model import Effect, Series, Verdict
from trimkeep.detectors.history.preparation import untransform
from trimkeep.detectors.history.span_scans import (
    DECISIVE,
    Place,
    Scanner,
    SpanScan,
    known_share,
    likeliest_place,
)
from trimkeep.detectors.history.spans import Span
from trimkeep.detectors.history.windows import Block, Breaks, Drift, Window

CERTAIN = 171.0
"""Evidence at which a step at prior odds of 1:19 has posterior odds of 9:1."""
SUSPECT = 3.0
"""Evidence from which a known change is taken to have had some effect."""
MOST_IN_A_SPAN = 3
STAIRS = 9.0
"""Odds at which two steps are taken for what one drift explains nearly as well."""

Raw = Mapping[tuple[int, str], Comparison]
"""Comparisons as if nothing unexplained had happened, by identity of the series and id of the change."""
SeriesKey = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Found:
    """A step or a drift: `start`, `earliest`, `latest`, `last` are indices into the series' points.

    `name` stays when the place wanders as flights come in: the window that saw it first, and its turn
    there. `firm`: beyond doubt, so that comparisons allow for it. `rate` per flight on the transformed
    scale; `reaches_in` flights from now at which a drift reaches the metric's attention level, None:
    never.
    """

    span: Span
    name: str
    drift: bool
    firm: bool
    verdict: Verdict
    effect: Effect
    log_e: float
    start: int
    earliest: int
    latest: int
    last: int
    rate: float
    gross: tuple[str, ...]
    reaches_in: int | None


@dataclass(frozen=True, slots=True)
class Unexplained:
    """`log_evidence` of every span that was searched, what was found, what comparisons must allow for."""

    spans: tuple[Span, ...]
    log_evidence: tuple[float, ...]
    found: tuple[Found, ...]
    breaks: Mapping[SeriesKey, Breaks]


def key_of(series: Series) -> SeriesKey:
    """What a series is found by: airframe, metric, context."""
    return series.airframe, series.metric, series.context


@dataclass(slots=True)
class _Search:
    """One span under search: places held, those put to the test, whether one of them failed it."""

    span: Span
    held: set[int]
    suspects: list[int]
    cleared: bool = False
    log_evidence: float = 0.0
    found: list[Found] = field(default_factory=list)


def find_unexplained(
    spans: Sequence[Span],
    raw: Raw,
    blocks: Mapping[str, Sequence[Block]],
    scanner: Scanner,
    comparer: Comparer,
    tolerance: int,
) -> Unexplained:
    """Search all spans for steps and drift.

    Parameters
    ----------
    spans : sequence of Span
    raw : mapping
        Comparisons for every known change inside the spans.
    blocks : mapping of airframe to its blocks of known changes
    scanner : Scanner
    comparer : Comparer
    tolerance : int
        Flights by which a step may lie beside a known change and still be that change.

    Returns
    -------
    Unexplained
    """
    searches = [_prepared(span, raw) for span in spans]
    _test_suspects(searches, scanner, tolerance)
    _search(searches, scanner, tolerance)
    # what was found may have given some changes their effect, or hidden it: hold those that have one now
    again = _held_anew([s for s in searches if s.found], blocks, comparer)
    _search([search for _, search in again], scanner, tolerance)
    for first, second in again:
        if second.found:
            first.found, first.log_evidence = second.found, second.log_evidence
    found = _merged([one for search in searches for one in search.found])
    return Unexplained(tuple(spans), tuple(s.log_evidence for s in searches), found, _breaks_of(found))


def _prepared(span: Span, raw: Raw) -> _Search:
    compared = {known.change: raw.get((id(span.series), known.change)) for known in span.known}
    held, suspects = _roles(span, compared)
    return _Search(span, held, suspects)


def _roles(span: Span, compared: Mapping[str, Comparison | None]) -> tuple[set[int], list[int]]:
    """Places to hold from the start, and those to put to the test, weakest first.

    A change that could not be compared yet is held without a test: its flights have a level of their own.
    """
    held: set[int] = set()
    suspects: list[tuple[float, int]] = []
    for known in span.known:
        one = compared[known.change]
        if one is None or not one.judged:
            held.add(known.place)
        elif _has_effect(one):
            suspects.append((one.log_e, known.place))
    return held, [place for _, place in sorted(suspects)]


def _has_effect(one: Comparison) -> bool:
    return one.verdict in (Verdict.WORSE, Verdict.BETTER) or one.log_e >= np.log(SUSPECT)


def _test_suspects(searches: Sequence[_Search], scanner: Scanner, tolerance: int) -> None:
    for search in searches:
        search.held.update(search.suspects)
    for turn in range(max((len(s.suspects) for s in searches), default=0)):
        tested = [s for s in searches if len(s.suspects) > turn]
        without = [s.held - {s.suspects[turn]} for s in tested]
        scans = scanner([s.span for s in tested], without)
        for search, one, left in zip(tested, scans, without, strict=True):
            if one.alarms and known_share(one, search.span, tolerance) < DECISIVE:
                search.held, search.cleared = left, True


def _search(searches: Sequence[_Search], scanner: Scanner, tolerance: int) -> None:
    """Fill in what each span holds, step after step until nothing is left or the rest is a drift."""
    active = list(searches)
    for turn in range(MOST_IN_A_SPAN):
        scans = scanner([s.span for s in active], [s.held for s in active])
        ours: list[tuple[_Search, SpanScan]] = []
        for search, one in zip(active, scans, strict=True):
            known = one.alarms and known_share(one, search.span, tolerance) >= DECISIVE
            if turn == 0:
                search.log_evidence = 0.0 if known else one.log_evidence
            if one.alarms and not known:
                ours.append((search, one))
        active = []
        for (search, one), place in zip(ours, _places(ours, scanner, tolerance), strict=True):
            found = _found(search, one, place, turn)
            if found.verdict not in (Verdict.WORSE, Verdict.BETTER):
                continue
            search.found.append(found)
            if not place.drift:
                search.held = search.held | {place.start}
                active.append(search)


def _places(ours: Sequence[tuple[_Search, SpanScan]], scanner: Scanner, tolerance: int) -> list[Place]:
    """Where and what it is; what looks like a drift is put to the test, since two steps look like one."""
    places = [likeliest_place(one, search.span, tolerance) for search, one in ours]
    steps = [likeliest_place(one, search.span, tolerance, steps_only=True) for search, one in ours]
    doubted = [k for k, place in enumerate(places) if place.drift and not steps[k].drift]
    held = [ours[k][0].held | {steps[k].start} for k in doubted]
    for k, rest in zip(doubted, scanner([ours[k][0].span for k in doubted], held), strict=True):
        weight = ours[k][1].log_place
        as_steps = weight[steps[k].hypothesis] + rest.log_evidence
        if rest.alarms and as_steps > weight[places[k].hypothesis] + np.log(STAIRS):
            places[k] = steps[k]
    return places


def _held_anew(
    searches: Sequence[_Search], blocks: Mapping[str, Sequence[Block]], comparer: Comparer
) -> list[tuple[_Search, _Search]]:
    """Searches whose held changes turn out to be others once what was found is allowed for."""
    wanted: list[tuple[_Search, list[Window]]] = []
    for search in searches:
        series = search.span.series
        breaks = _breaks_of(search.found).get(key_of(series))
        inside = {known.change for known in search.span.known}
        if breaks is not None and inside:
            within = [b for b in blocks.get(series.airframe, ()) if b.change.id in inside]
            wanted.append((search, [comparer.window(series, block, breaks=breaks) for block in within]))
    compared = iter(comparer.each([window for _, windows in wanted for window in windows]))
    again = []
    for search, windows in wanted:
        own = {window.block.change.id: next(compared) for window in windows}
        held, suspects = _roles(search.span, own)
        steps = {search.span.points.index(one.start) for one in search.found if not one.drift}
        if held | set(suspects) != search.held - steps:
            again.append((search, _Search(search.span, held | set(suspects), [], search.cleared)))
    return again


def _found(search: _Search, one: SpanScan, place: Place, turn: int) -> Found:
    span, series = search.span, search.span.series
    best, length = place.hypothesis, len(span.points)
    sigma, error = float(one.sigma[best]), float(one.rise_error[best])
    critical = critical_t(
        np.array(one.log_limit), np.array(float(length)), np.array((sigma / error) ** 2), WIDTH
    )
    level, rise, half = float(one.level[best]), float(one.rise[best]), float(critical) * error
    before, after, low, high = (
        float(v)
        for v in untransform(
            np.minimum(level + np.array([0.0, rise, rise - half, rise + half]), 700.0), series.scale
        )
    )
    ratio = after / before if series.scale == "log" and before > 0.0 else None
    effect = Effect(ratio, after - before, low - before, high - before, series.unit, before, after)
    start, last = span.points[place.start], span.points[-1]
    return Found(
        span=span,
        name=f"{turn}.{span.part}",
        drift=place.drift,
        firm=search.cleared or one.log_evidence >= np.log(CERTAIN),
        verdict=verdict_of(effect, series.better, series.matters),
        effect=effect,
        log_e=one.log_evidence,
        start=start,
        earliest=span.points[place.earliest],
        latest=span.points[place.latest],
        last=last,
        rate=rise / (length - place.start),
        gross=tuple(series.points[p].flight_id for p, odd in zip(span.points, one.gross, strict=True) if odd),
        reaches_in=_reaches(series, effect, last - start + 1) if place.drift else None,
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
    kept: dict[int, list[Found]] = defaultdict(list)
    for one in found:
        own = kept[id(one.span.series)]
        for number, previous in enumerate(own):
            if previous.span.part != one.span.part and _overlap(previous, one):
                own[number] = replace(one, name=previous.name, firm=previous.firm or one.firm)
                break
        else:
            own.append(one)
    return tuple(one for own in kept.values() for one in own)


def _overlap(one: Found, other: Found) -> bool:
    """Their places overlap, or one is a drift that the other sees a part of."""
    if one.drift or other.drift:
        return one.start <= other.last and other.start <= one.last
    return one.earliest <= other.latest + 1 and other.earliest <= one.latest + 1


def _breaks_of(found: Sequence[Found]) -> dict[SeriesKey, Breaks]:
    """What is firm, by series; of several drifts the newest."""
    result: dict[SeriesKey, Breaks] = {}
    for one in found:
        if not one.firm:
            continue
        series = one.span.series
        known = result.get(key_of(series), Breaks())
        if one.drift:
            result[key_of(series)] = replace(known, drift=Drift(one.start, one.rate))
        else:
            steps = (*known.steps, series.points[one.start].order)
            result[key_of(series)] = replace(known, steps=tuple(sorted(steps)))
    return result
