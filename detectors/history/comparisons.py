"""Every series against every change: which windows, how far back, and how little to do after one flight."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import shipped_limits
from trimkeep.detectors.history.calibration_scan import shipped_scan_limits
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.known_changes import Comparison, compare
from trimkeep.detectors.history.model import Change, Series, Verdict
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.span_scans import Scanner
from trimkeep.detectors.history.spans import Span, spans_of
from trimkeep.detectors.history.steps_unknown import WINDOW
from trimkeep.detectors.history.unexplained import SeriesKey, Unexplained, find_unexplained, key_of
from trimkeep.detectors.history.windows import UNBROKEN, Block, Breaks, Window, blocks_of, window_of

Blocks = Mapping[str, tuple[Block, ...]]
BreaksOf = Mapping[SeriesKey, Breaks]


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
    touched_from: int | None = None,
    preparer: Preparer | None = None,
) -> tuple[tuple[Comparison, ...], Unexplained]:
    """Every judged series against every change of its airframe, and what no change explains.

    Parameters
    ----------
    series : sequence of Series
    blocks : mapping of airframe to its blocks of changes
    model : FleetModel
    settings : JudgeSettings
    touched_from : int, optional
        Only the changes whose window a flight of that order or later is in, and what else such a
        flight can have altered.
    preparer : Preparer, optional
        Shared with other calls on the same series.

    Returns
    -------
    comparisons : tuple of Comparison
    unexplained : Unexplained
    """
    preparer = preparer or Preparer()
    judged = [one for one in series if one.better != "none" and one.points]
    wanted = blocks
    if touched_from is not None:
        wanted = {name: _touched(own, touched_from) for name, own in blocks.items()}
    spans = [span for one in judged for span in _near(one, blocks, touched_from, preparer)]
    raw = _compare_raw(judged, spans, wanted, blocks, model, settings, preparer)
    scanner = Scanner(model, shipped_scan_limits(), settings, preparer)
    unexplained = find_unexplained(spans, raw, blocks, scanner, model, settings, preparer)
    if touched_from is not None:
        wanted = _with_broken(wanted, unexplained, blocks, touched_from)
    allowed = _Allowed(blocks, unexplained.breaks, model, settings, preparer)
    return allowed.compare(judged, raw, wanted), unexplained


def _near(series: Series, blocks: Blocks, touched_from: int | None, preparer: Preparer) -> tuple[Span, ...]:
    """The spans that matter: all, or those that a comparison which new flights touch reaches back to."""
    order = preparer(series).order
    old = order.size if touched_from is None else int(np.searchsorted(order, touched_from))
    reaching = 0 if touched_from is None else max(old - 2 * WINDOW, 0)
    return spans_of(series, blocks.get(series.airframe, ()), order, reaching=reaching)


def _compare_raw(
    series: Sequence[Series],
    spans: Sequence[Span],
    wanted: Blocks,
    blocks: Blocks,
    model: FleetModel,
    settings: JudgeSettings,
    preparer: Preparer,
) -> dict[tuple[int, str], Comparison]:
    """Every change that is wanted, precedes one that is, or lies in a span, as if nothing else happened."""
    inside: dict[int, set[str]] = defaultdict(set)
    for span in spans:
        inside[id(span.series)].update(known.change for known in span.known)
    windows = []
    for one in series:
        own = blocks.get(one.airframe, ())
        names = inside[id(one)] | {b.change.id for b in wanted.get(one.airframe, ())}
        for block in wanted.get(one.airframe, ()):
            names |= {b.change.id for b in _neighbours(block, own)}
        order = preparer(one).order
        windows += [
            window_of(one, block, own, settings, order=order) for block in own if block.change.id in names
        ]
    compared = compare(windows, model, shipped_limits(), settings, preparer)
    return {(id(c.window.series), c.window.block.change.id): c for c in compared}


def _with_broken(wanted: Blocks, unexplained: Unexplained, blocks: Blocks, touched_from: int) -> Blocks:
    """What is wanted, and the changes in the spans where something new flights show was found."""
    names: dict[str, set[str]] = defaultdict(set)
    for found in unexplained.found:
        series = found.span.series
        if series.points[found.last].order >= touched_from:
            names[series.airframe].update(known.change for known in found.span.known)
    return {
        airframe: tuple(b for b in own if b in wanted.get(airframe, ()) or b.change.id in names[airframe])
        for airframe, own in blocks.items()
    }


@dataclass(frozen=True, slots=True)
class _Allowed:
    """Comparisons that allow for what happened unexplained, and reach back where they may."""

    blocks: Blocks
    breaks: BreaksOf
    model: FleetModel
    settings: JudgeSettings
    preparer: Preparer

    def compare(
        self, series: Sequence[Series], raw: Mapping[tuple[int, str], Comparison], wanted: Blocks
    ) -> tuple[Comparison, ...]:
        """One comparison for each series and wanted change of its airframe, in that order."""
        pairs = [(one, block) for one in series for block in wanted.get(one.airframe, ())]
        beside = [_neighbours(block, self.blocks[one.airframe]) for one, block in pairs]
        known = dict(raw)
        anew = {
            (id(one), b.change.id): self._window(one, b)
            for (one, block), others in zip(pairs, beside, strict=True)
            for b in (block, *others)
            if key_of(one) in self.breaks or (id(one), b.change.id) not in known
        }
        known.update(zip(anew, self._compare(list(anew.values())), strict=True))
        longer: dict[tuple[int, str], Window] = {}
        for (one, block), others in zip(pairs, beside, strict=True):
            # one change on either side and no further, so that new flights touch few verdicts
            harmless = [
                b.change.id
                for b in others
                if known[id(one), b.change.id].verdict is Verdict.NO_MATERIAL_CHANGE
            ]
            if harmless:
                longer[id(one), block.change.id] = self._window(one, block, *harmless)
        known.update(zip(longer, self._compare(list(longer.values())), strict=True))
        return tuple(known[id(one), block.change.id] for one, block in pairs)

    def _window(self, series: Series, block: Block, *immaterial: str) -> Window:
        breaks = self.breaks.get(key_of(series), UNBROKEN)
        own = self.blocks[series.airframe]
        order = self.preparer(series).order
        return window_of(series, block, own, self.settings, immaterial=immaterial, breaks=breaks, order=order)

    def _compare(self, windows: Sequence[Window]) -> tuple[Comparison, ...]:
        return compare(windows, self.model, shipped_limits(), self.settings, self.preparer)


def _neighbours(block: Block, blocks: Sequence[Block]) -> tuple[Block, ...]:
    """The blocks that end this one's flights before and after."""
    active = [b for b in blocks if b is not block and not b.passive]
    earlier = [b for b in active if b.last_order <= block.first_order]
    later = [b for b in active if b.first_order >= block.last_order]
    return (*earlier[-1:], *later[:1])


def _touched(blocks: Sequence[Block], order: int) -> tuple[Block, ...]:
    """The blocks whose windows a flight of that order or later can be in."""
    active = [b for b in blocks if not b.passive]
    # the last change but one may run on across the last
    newest = active[-2:]
    return tuple(b for b in blocks if b.last_order >= order or _runs_into(b, active, order) or b in newest)


def _runs_into(block: Block, active: Sequence[Block], order: int) -> bool:
    following = [b.first_order for b in active if b is not block and b.first_order >= block.last_order]
    return min(following, default=order + 1) > order
