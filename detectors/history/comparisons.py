"""Every series against every change: which windows, and how far back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import shipped_limits
from trimkeep.detectors.history.calibration_scan import shipped_scan_limits
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.known_changes import Comparer, Comparison, Measured
from trimkeep.detectors.history.memory import Recall
from trimkeep.detectors.history.model import Change, Series, Verdict
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.span_scans import Scanner, SpanScan
from trimkeep.detectors.history.spans import spans_of
from trimkeep.detectors.history.unexplained import Raw, SeriesKey, Unexplained, find_unexplained, key_of
from trimkeep.detectors.history.windows import UNBROKEN, Block, Breaks, WindowFinder, blocks_of

Blocks = Mapping[str, tuple[Block, ...]]
BreaksOf = Mapping[SeriesKey, Breaks]


@dataclass(frozen=True, slots=True)
class Memory:
    """What a process that judges again and again remembers; results are the same without it."""

    comparisons: Recall[Measured] = field(default_factory=Recall)
    scans: Recall[SpanScan] = field(default_factory=Recall)


def blocks_by_airframe(changes: Sequence[Change], settings: JudgeSettings) -> dict[str, tuple[Block, ...]]:
    """The changes of each airframe, joined into blocks where too few flights lie between them."""
    grouped: dict[str, list[Change]] = defaultdict(list)
    for change in changes:
        grouped[change.airframe].append(change)
    return {name: blocks_of(own, settings.block_flights) for name, own in grouped.items()}


def judge_series(
    series: Sequence[Series],
    blocks: Blocks,
    model: FleetModel,
    settings: JudgeSettings,
    *,
    preparer: Preparer | None = None,
    memory: Memory | None = None,
) -> tuple[tuple[Comparison, ...], Unexplained]:
    """Every judged series against every change of its airframe, and what no change explains.

    Parameters
    ----------
    series : sequence of Series
    blocks : mapping of airframe to its blocks of changes
    model : FleetModel
    settings : JudgeSettings
    preparer : Preparer, optional
        Shared with other calls on the same series.
    memory : Memory, optional
        Shared with other judgings.

    Returns
    -------
    comparisons : tuple of Comparison
    unexplained : Unexplained
    """
    preparer = preparer or Preparer()
    judged = [one for one in series if one.better != "none" and one.points]
    scanner = Scanner(model, shipped_scan_limits(), settings, preparer, memory.scans if memory else None)
    comparer = Comparer(
        model,
        shipped_limits(),
        settings,
        preparer,
        WindowFinder(blocks, settings, preparer),
        memory.comparisons if memory else None,
    )
    pairs = [(one, block) for one in judged for block in blocks.get(one.airframe, ())]
    raw = comparer([comparer.window(one, block) for one, block in pairs])
    unexplained = find_unexplained(
        spans_of(judged, blocks, preparer), raw, blocks, scanner, comparer, settings.block_flights - 1
    )
    return _allowed(pairs, raw, unexplained.breaks, blocks, comparer), unexplained


def _allowed(
    pairs: Sequence[tuple[Series, Block]],
    raw: Raw,
    breaks: BreaksOf,
    blocks: Blocks,
    comparer: Comparer,
) -> tuple[Comparison, ...]:
    """One comparison for each series and change, in that order.

    They allow for what happened unexplained, and reach back where they may.
    """
    known = dict(raw)
    known |= comparer(
        [
            comparer.window(one, block, breaks=breaks[key_of(one)])
            for one, block in pairs
            if key_of(one) in breaks
        ]
    )
    beside = {id(block): _neighbours(block, own) for own in blocks.values() for block in own}
    longer = []
    for one, block in pairs:
        # one change on either side and no further, so that new flights touch few verdicts
        harmless = [
            other.change.id
            for other in beside[id(block)]
            if known[id(one), other.change.id].verdict is Verdict.NO_MATERIAL_CHANGE
        ]
        if harmless:
            own_breaks = breaks.get(key_of(one), UNBROKEN)
            longer.append(comparer.window(one, block, immaterial=harmless, breaks=own_breaks))
    result = known | comparer(longer)
    return tuple(result[id(one), block.change.id] for one, block in pairs)


def _neighbours(block: Block, blocks: Sequence[Block]) -> tuple[Block, ...]:
    """The blocks that end this one's flights before and after."""
    active = [b for b in blocks if b is not block and not b.passive]
    earlier = [b for b in active if b.last_order <= block.first_order]
    later = [b for b in active if b.first_order >= block.last_order]
    return (*earlier[-1:], *later[:1])
