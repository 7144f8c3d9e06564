"""Every series against every change: which windows, how far back, and how little to do after one flight."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import shipped_limits
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.known_changes import Comparison, compare
from trimkeep.detectors.history.model import Change, Series, Verdict
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.windows import Block, Window, blocks_of, window_of

Blocks = Mapping[str, tuple[Block, ...]]
Steps = Mapping[tuple[str, str, str], Collection[int]]


def key_of(series: Series) -> tuple[str, str, str]:
    """What a series is found by: airframe, metric, context."""
    return series.airframe, series.metric, series.context


def blocks_by_airframe(changes: Sequence[Change], settings: JudgeSettings) -> dict[str, tuple[Block, ...]]:
    """The changes of each airframe, joined into blocks where too few flights lie between them."""
    grouped: dict[str, list[Change]] = defaultdict(list)
    for change in changes:
        grouped[change.airframe].append(change)
    return {name: blocks_of(own, settings.block_flights) for name, own in grouped.items()}


def compare_changes(
    series: Sequence[Series],
    blocks: Blocks,
    model: FleetModel,
    settings: JudgeSettings,
    *,
    steps: Steps | None = None,
    touched_from: int | None = None,
    preparer: Preparer | None = None,
) -> tuple[Comparison, ...]:
    """Every judged series against every change of its airframe, each with its numbers.

    Parameters
    ----------
    series : sequence of Series
    blocks : mapping of airframe to its blocks of changes
    model : FleetModel
    settings : JudgeSettings
    steps : mapping, optional
        Orders at which a series (by airframe, metric, context) stepped unexplained: they end windows.
    touched_from : int, optional
        Only the changes whose window a flight of that order or later is in.
    preparer : Preparer, optional
        Shared with other calls on the same series.
    """
    limits = shipped_limits()
    steps = steps or {}
    preparer = preparer or Preparer()
    wanted = blocks
    if touched_from is not None:
        wanted = {name: _touched(own, touched_from) for name, own in blocks.items()}
    windows = [
        window_of(one, block, blocks[one.airframe], settings, steps=steps.get(key_of(one), ()))
        for one in series
        if one.better != "none" and one.points
        for block in wanted.get(one.airframe, ())
    ]
    first = compare(windows, model, limits, settings, preparer)
    longer = _longer_baselines(windows, first, blocks, model, settings, steps, preparer)
    second = dict(zip(longer, compare(list(longer.values()), model, limits, settings, preparer), strict=True))
    return tuple(second.get(number, comparison) for number, comparison in enumerate(first))


def _longer_baselines(
    windows: Sequence[Window],
    first: Sequence[Comparison],
    blocks: Blocks,
    model: FleetModel,
    settings: JudgeSettings,
    steps: Steps,
    preparer: Preparer,
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
            own = blocks[window.series.airframe]
            breaks = steps.get(key_of(window.series), ())
            earlier.append(window_of(window.series, block, own, settings, steps=breaks))
    for c in compare(earlier, model, shipped_limits(), settings, preparer):
        verdicts[id(c.window.series), c.window.block.change.id] = c.verdict
    longer: dict[int, Window] = {}
    for number, window in enumerate(windows):
        own = blocks[window.series.airframe]
        block = _block_before(window.block, own)
        if block is None or len(window.before) >= settings.baseline_flights:
            continue
        if verdicts.get((id(window.series), block.change.id)) is Verdict.NO_MATERIAL_CHANGE:
            reach = window_of(
                window.series,
                window.block,
                own,
                settings,
                immaterial={block.change.id},
                steps=steps.get(key_of(window.series), ()),
            )
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
