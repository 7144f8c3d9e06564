"""All findings of an airframe or of the fleet, from series, changes and the fleet's model.

Findings are a function of the flights, the model and the settings: neither the order of arrival nor
a clock has a part in them.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import shipped_limits
from trimkeep.detectors.history.causes import with_causes
from trimkeep.detectors.history.coinciding import item_key, propose, unresolved
from trimkeep.detectors.history.comparisons import Memory, blocks_by_airframe, judge_series
from trimkeep.detectors.history.fleet_findings import PooledChange, pool_changes
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.known_changes import LARGEST_LOG_E, Comparison
from trimkeep.detectors.history.model import Change, ChangeItem, Finding, Series, Tier, Verdict
from trimkeep.detectors.history.multiplicity import (
    change_evidence,
    pooled_evidence,
    span_name,
    tiers,
    unexplained_evidence,
)
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.single_flights import judge_single_flights
from trimkeep.detectors.history.unexplained import Found
from trimkeep.detectors.history.windows import Window


@dataclass(frozen=True, slots=True)
class Judged:
    """Findings, and the evidence of every change and stretch that they rest on, by its name."""

    findings: tuple[Finding, ...]
    evidence: Mapping[str, float]


def finding_id(*parts: str) -> str:
    """Stable id of a finding: the same airframe, metric, context, kind and change give the same id."""
    return hashlib.sha256("|".join(parts).encode()).hexdigest()[:16]


def judge_airframe(
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
) -> tuple[Finding, ...]:
    """Findings of one airframe, as after a new flight.

    Parameters
    ----------
    series : sequence of Series
        All metrics of the airframe.
    changes : sequence of Change
        All its changes, in any order.
    model : FleetModel
        What the fleet has taught; `FleetModel()` when it has taught nothing yet.
    settings : JudgeSettings

    Returns
    -------
    tuple of Finding
        One for every judged metric and change (or block of changes), and those that single flights
        show. The tier of each rests on this airframe alone.
    """
    return _judge(series, changes, model, settings).findings


def judge_part(
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
    *,
    elsewhere: Mapping[str, float],
    over_fleet: Sequence[Finding],
    memory: Memory | None = None,
) -> Judged:
    """Findings of some airframes as they stand within the fleet, without judging the rest of it again.

    Parameters
    ----------
    series, changes, model, settings
        As in `judge_airframe`, of the airframes that are judged.
    elsewhere : mapping of str to float
        Evidence of everything else on the table, as the last judging of it left it.
    over_fleet : sequence of Finding
        Fleet-wide findings as they stand: they tell apart what was changed together.
    memory : Memory, optional
        Kept between judgings, for what a new flight has not touched. The findings are the same without.
    """
    return _judge(series, changes, model, settings, elsewhere=elsewhere, standing=over_fleet, memory=memory)


def judge_fleet(
    series: Sequence[Series], changes: Sequence[Change], model: FleetModel, settings: JudgeSettings
) -> tuple[Finding, ...]:
    """Findings of the whole fleet, as for a digest.

    Parameters
    ----------
    series, changes, model, settings
        As in `judge_airframe`, of all airframes.

    Returns
    -------
    tuple of Finding
        Those of each airframe with tiers that keep the promised share of false alarms over all
        changes together.
    """
    return judge_whole(series, changes, model, settings).findings


def judge_whole(
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
    *,
    memory: Memory | None = None,
) -> Judged:
    """`judge_fleet` with the evidence it rests on; `memory` as in `judge_part`."""
    return _judge(series, changes, model, settings, pooled=True, memory=memory)


def _judge(
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
    *,
    pooled: bool = False,
    elsewhere: Mapping[str, float] | None = None,
    standing: Sequence[Finding] = (),
    memory: Memory | None = None,
) -> Judged:
    blocks = blocks_by_airframe(changes, settings)
    preparer = Preparer()
    comparisons, unexplained = judge_series(series, blocks, model, settings, preparer=preparer, memory=memory)
    evidence = change_evidence(comparisons, settings) | unexplained_evidence(unexplained)
    over_fleet: tuple[PooledChange, ...] = ()
    if pooled:
        over_fleet = pool_changes(
            series,
            blocks,
            model,
            shipped_limits(),
            settings,
            breaks=unexplained.breaks,
            preparer=preparer,
        )
        evidence |= pooled_evidence(over_fleet)
    called = tiers({**(elsewhere or {}), **evidence}, model.prior_change_share, settings)
    pooled_findings = [
        _fleet_finding(one, called[one.change.id], _cited(one, comparisons), settings) for one in over_fleet
    ]
    told = _told_apart([*pooled_findings, *standing])
    findings = [
        _known_finding(
            one,
            called[one.window.block.change.id],
            told.get((one.window.series.metric, one.window.series.context), ()),
            settings,
        )
        for one in comparisons
        if one.window.before or one.window.after
    ]
    findings += [
        _unexplained_finding(found, called[span_name(found.span)], settings) for found in unexplained.found
    ]
    findings += pooled_findings
    findings += judge_single_flights(series, settings, finding_id)
    ranked = with_causes([*findings, *standing])[: len(findings)]
    return Judged(ranked, evidence)


def _told_apart(findings: Sequence[Finding]) -> dict[tuple[str, str], list[tuple[ChangeItem, ...]]]:
    """By metric and context, what the fleet as a whole speaks of by itself."""
    told: dict[tuple[str, str], list[tuple[ChangeItem, ...]]] = defaultdict(list)
    for one in findings:
        if one.scope == "fleet" and one.change is not None:
            told[one.metric, one.context].append(one.change.items)
    return told


def _is_closed(window: Window) -> bool:
    """Whether something later has ended the flights after the change: no further one will join them."""
    last = len(window.series.points) - 1
    return (
        last >= 0 and window.series.points[last].order >= window.block.last_order and last not in window.after
    )


def _known_finding(
    one: Comparison,
    change_called: bool,
    told: Sequence[Sequence[ChangeItem]],
    settings: JudgeSettings,
) -> Finding:
    series, change = one.window.series, one.window.block.change
    points = series.points
    after = [points[k].at for k in one.window.after]
    moved = one.verdict in (Verdict.WORSE, Verdict.BETTER)
    # within a change that is called, a metric speaks when its own evidence is more than a hint
    own = one.log_e >= 0.0 and (one.e_value or 0.0) >= settings.watch_e_value
    called = one.verdict is Verdict.NO_MATERIAL_CHANGE or (moved and change_called and own)
    opened = after[min(settings.min_flights_after, len(after)) - 1] if after else change.at
    early = one.verdict is Verdict.TOO_EARLY
    separating = None
    if moved and len(change.items) > 1:
        pieces = unresolved(change.items, told)
        separating = propose(pieces, [series.airframe], [len(after)], one.sigma, one.step)
    return Finding(
        id=finding_id(series.airframe, series.metric, series.context, "known_change", change.id),
        scope="airframe",
        airframes=(series.airframe,),
        metric=series.metric,
        family=series.family,
        context=series.context,
        kind="known_change",
        verdict=one.verdict,
        tier=Tier.CALLED if called else Tier.WATCH,
        change=change,
        effect=one.effect,
        flights_before=len(one.window.before),
        flights_after=len(one.window.after),
        flights_needed=None if early and _is_closed(one.window) else one.flights_needed,
        e_value=one.e_value,
        opened_at=opened,
        updated_at=after[-1] if after else change.at,
        down_weighted=one.down_weighted,
        evidence_flights=one.evidence_flights,
        separating=separating,
    )


def _unexplained_finding(found: Found, span_called: bool, settings: JudgeSettings) -> Finding:
    """A step nobody wrote down, or a drift; `flights_needed` of a drift: until it asks for attention."""
    series = found.span.series
    first, last = series.points[found.start], series.points[found.last]
    change = Change(f"{series.airframe}:{first.flight_id}", series.airframe, first.at, first.order, ())
    inside = [k for k in found.span.points if k < found.start]
    flights_after = len(found.span.points) - len(inside)
    # as within a known change: what else happened in these flights lends it no evidence
    own = found.log_e >= np.log(settings.watch_e_value)
    called = span_called and own and flights_after >= settings.min_flights_called
    return Finding(
        id=finding_id(series.airframe, series.metric, series.context, "unexplained", found.name),
        scope="airframe",
        airframes=(series.airframe,),
        metric=series.metric,
        family=series.family,
        context=series.context,
        kind="drift" if found.drift else "unexplained_step",
        verdict=found.verdict,
        tier=Tier.CALLED if called else Tier.WATCH,
        change=None if found.drift else change,
        effect=found.effect,
        flights_before=len(inside),
        flights_after=flights_after,
        flights_needed=found.reaches_in if found.drift else 0,
        e_value=float(np.exp(min(found.log_e, LARGEST_LOG_E))),
        opened_at=first.at,
        updated_at=last.at,
        down_weighted=found.gross,
        evidence_flights=tuple(
            series.points[k].flight_id for k in (found.last, found.start, max(found.start - 1, 0))
        ),
    )


def _cited(one: PooledChange, comparisons: Sequence[Comparison]) -> tuple[str, ...]:
    """A flight after and one before, of the two airframes that show a change over the fleet most clearly."""
    wanted = {item_key(item) for item in one.change.items}
    mine = [
        c
        for c in comparisons
        if c.judged
        and (c.window.series.metric, c.window.series.context) == (one.series.metric, one.series.context)
        and c.window.series.airframe in one.airframes
        and any(item_key(item) in wanted for item in c.window.block.change.items)
    ]
    mine.sort(key=lambda c: (-abs(c.step / c.standard_error), c.window.series.airframe))
    return tuple(
        dict.fromkeys(name for c in mine[:2] for name in (c.evidence_flights[0], c.evidence_flights[-1]))
    )


def _fleet_finding(
    one: PooledChange, change_called: bool, cited: tuple[str, ...], settings: JudgeSettings
) -> Finding:
    """A change pooled over the fleet."""
    moved = one.verdict in (Verdict.WORSE, Verdict.BETTER)
    e_value = float(np.exp(min(one.log_e, LARGEST_LOG_E)))
    speaks = moved and change_called and e_value >= settings.watch_e_value
    return Finding(
        id=finding_id("fleet", one.series.metric, one.series.context, "known_change", one.change.id),
        scope="fleet",
        airframes=one.airframes,
        metric=one.series.metric,
        family=one.series.family,
        context=one.series.context,
        kind="known_change",
        verdict=one.verdict,
        tier=Tier.CALLED if speaks or one.verdict is Verdict.NO_MATERIAL_CHANGE else Tier.WATCH,
        change=one.change,
        effect=one.effect,
        flights_before=one.flights_before,
        flights_after=one.flights_after,
        flights_needed=one.forecast,
        e_value=e_value,
        opened_at=one.opened_at,
        updated_at=one.updated_at,
        evidence_flights=cited,
        differing=one.differing,
        separating=one.separating,
    )
