"""All findings of an airframe or of the fleet, from series, changes and the fleet's model.

Findings are a function of the flights, the model and the settings: neither the order of arrival nor
a clock has a part in them.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import shipped_limits
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.known_changes import Comparison, compare
from trimkeep.detectors.history.model import Change, Finding, Series, Tier, Verdict
from trimkeep.detectors.history.multiplicity import change_evidence, tiers
from trimkeep.detectors.history.single_flights import judge_single_flights
from trimkeep.detectors.history.windows import Block, Window, blocks_of, window_of


def finding_id(*parts: str) -> str:
    """Stable id of a finding: the same airframe, metric, context, kind and change give the same id."""
    return hashlib.sha256("|".join(parts).encode()).hexdigest()[:16]


def judge_airframe(
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
    *,
    touched_from: int | None = None,
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
    touched_from : int, optional
        Order of the first new flight: only findings that flights from there on can have altered are
        given, the others stand as they were given last time under the same model.

    Returns
    -------
    tuple of Finding
        One for every judged metric and change (or block of changes), and those that single flights
        show. The tier of each rests on this airframe alone.
    """
    comparisons = compare_changes(series, changes, model, settings, touched_from)
    findings = _known(comparisons, model, settings)
    findings += judge_single_flights(series, settings, finding_id)
    return tuple(findings)


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
    comparisons = compare_changes(series, changes, model, settings)
    findings = _known(comparisons, model, settings)
    findings += judge_single_flights(series, settings, finding_id)
    return tuple(findings)


def compare_changes(
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
    touched_from: int | None = None,
) -> tuple[Comparison, ...]:
    """Every judged series against every change of its airframe, each with its numbers.

    With `touched_from`, only the changes whose window a flight of that order or later is in.
    """
    limits = shipped_limits()
    grouped: dict[str, list[Change]] = defaultdict(list)
    for change in changes:
        grouped[change.airframe].append(change)
    blocks = {name: blocks_of(own, settings.block_flights) for name, own in grouped.items()}
    wanted = blocks
    if touched_from is not None:
        wanted = {name: _touched(own, touched_from) for name, own in blocks.items()}
    windows = [
        window_of(one, block, blocks[one.airframe], settings)
        for one in series
        if one.better != "none" and one.points
        for block in wanted.get(one.airframe, ())
    ]
    first = compare(windows, model, limits, settings)
    longer = _longer_baselines(windows, first, blocks, model, settings)
    second = dict(zip(longer, compare(list(longer.values()), model, limits, settings), strict=True))
    return tuple(second.get(number, comparison) for number, comparison in enumerate(first))


def _longer_baselines(
    windows: Sequence[Window],
    first: Sequence[Comparison],
    blocks: Mapping[str, tuple[Block, ...]],
    model: FleetModel,
    settings: JudgeSettings,
) -> dict[int, Window]:
    """Windows that reach back behind the change before theirs, because it was shown not to matter.

    One change back and no further, so that a verdict rests on two stretches at most and judging one
    airframe after one flight gives what judging everything gives.
    """
    verdicts = {(id(c.window.series), c.window.block.change.id): c.verdict for c in first}
    earlier = []
    for window in windows:
        block = _block_before(window.block, blocks[window.series.airframe])
        known = block is None or (id(window.series), block.change.id) in verdicts
        if block is not None and not known and len(window.before) < settings.baseline_flights:
            earlier.append(window_of(window.series, block, blocks[window.series.airframe], settings))
    for c in compare(earlier, model, shipped_limits(), settings):
        verdicts[id(c.window.series), c.window.block.change.id] = c.verdict
    longer: dict[int, Window] = {}
    for number, window in enumerate(windows):
        own = blocks[window.series.airframe]
        block = _block_before(window.block, own)
        if block is None or len(window.before) >= settings.baseline_flights:
            continue
        if verdicts.get((id(window.series), block.change.id)) is Verdict.NO_MATERIAL_CHANGE:
            reach = window_of(window.series, window.block, own, settings, immaterial={block.change.id})
            longer[number] = reach
    return longer


def _block_before(block: Block, blocks: Sequence[Block]) -> Block | None:
    """The block that ends this one's baseline."""
    earlier = [b for b in blocks if b is not block and not b.passive and b.last_order <= block.first_order]
    return earlier[-1] if earlier else None


def _touched(blocks: Sequence[Block], order: int) -> tuple[Block, ...]:
    """The blocks whose windows a flight of that order or later can be in."""
    active = [b for b in blocks if not b.passive]
    last = active[-1] if active else None
    return tuple(b for b in blocks if b.last_order >= order or _runs_into(b, active, order) or b is last)


def _runs_into(block: Block, active: Sequence[Block], order: int) -> bool:
    following = [b.first_order for b in active if b is not block and b.first_order >= block.last_order]
    return min(following, default=order + 1) > order


def _known(comparisons: Sequence[Comparison], model: FleetModel, settings: JudgeSettings) -> list[Finding]:
    evidence = change_evidence(comparisons)
    called = tiers(evidence, model.prior_change_share, settings)
    return [
        _known_finding(one, called[one.window.block.change.id], settings)
        for one in comparisons
        if one.window.before or one.window.after
    ]


def _known_finding(one: Comparison, change_called: bool, settings: JudgeSettings) -> Finding:
    series, change = one.window.series, one.window.block.change
    points = series.points
    after = [points[k].at for k in one.window.after]
    moved = one.verdict in (Verdict.WORSE, Verdict.BETTER)
    # within a change that is called, a metric speaks when its own evidence is more than a hint
    own = one.log_e >= 0.0 and (one.e_value or 0.0) >= settings.watch_e_value
    called = one.verdict is Verdict.NO_MATERIAL_CHANGE or (moved and change_called and own)
    opened = after[min(settings.min_flights_after, len(after)) - 1] if after else change.at
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
        flights_needed=one.flights_needed,
        e_value=one.e_value,
        opened_at=opened,
        updated_at=after[-1] if after else change.at,
        down_weighted=one.down_weighted,
        evidence_flights=one.evidence_flights,
    )
