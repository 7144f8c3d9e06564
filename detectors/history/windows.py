"""Which flights are compared for which change.

Changes with fewer than a few flights between them cannot be told apart on one airframe: they are one
block with several candidates. A block's flights before reach back to the block before it, its flights
after up to the next one. A change that has been shown not to matter for a metric does not end that
metric's flights before or after another; an inspection touches nothing and ends none. What happened
to a series without any change being known (`Breaks`) does: a step ends the window, a drift is fitted
beside the change.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.model import Change, Series
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.model import FloatArray

PASSIVE_KINDS = frozenset({"inspection"})
"""Kinds of work that leave the aeroplane as it was."""


@dataclass(frozen=True, slots=True)
class Block:
    """Changes that are judged as one: `first_order` of the first flight after any of them, `last_order`
    of the first flight after all of them. `change` carries all items under the first change's id;
    `passive` when none of its items can have altered the aeroplane."""

    change: Change
    first_order: int
    last_order: int
    passive: bool = field(init=False)

    def __post_init__(self) -> None:
        passive = all(kind in PASSIVE_KINDS for kind in self.change.kinds)
        object.__setattr__(self, "passive", passive)


@dataclass(frozen=True, slots=True)
class Drift:
    """A series that moves by `rate` a flight (transformed scale) from the point `start` on."""

    start: int
    rate: float

    def rise(self, points: Sequence[int]) -> FloatArray:
        """How far it had got at each of the points, in flights.

        Examples
        --------
        >>> Drift(3, 0.1).rise([0, 3, 5]).tolist()
        [0.0, 1.0, 3.0]
        """
        return np.maximum(np.asarray(points, dtype=np.float64) - self.start + 1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Breaks:
    """What is beyond doubt in one series though nobody wrote it down.

    `steps`: orders of the first flight after each; `drift`: one at most.
    """

    steps: tuple[int, ...] = ()
    drift: Drift | None = None


UNBROKEN = Breaks()


@dataclass(frozen=True, slots=True)
class Window:
    """One series around one block: indices into the series' points. `drift` is fitted beside."""

    series: Series
    block: Block
    before: tuple[int, ...]
    after: tuple[int, ...]
    drift: Drift | None = None


def blocks_of(changes: Sequence[Change], block_flights: int) -> tuple[Block, ...]:
    """Changes of one airframe, oldest first, joined where fewer than `block_flights` lie between."""
    ordered = sorted(changes, key=lambda c: (c.first_order, c.at, c.id))
    groups: list[list[Change]] = []
    for change in ordered:
        if groups and change.first_order - groups[-1][-1].first_order < block_flights:
            groups[-1].append(change)
        else:
            groups.append([change])
    blocks = []
    for group in groups:
        first, last = group[0], group[-1]
        items = tuple(item for change in group for item in change.items)
        joined = Change(first.id, first.airframe, first.at, last.first_order, items)
        blocks.append(Block(joined, first.first_order, last.first_order))
    return tuple(blocks)


class WindowFinder:
    """Finds the flights before and after each block, once for all series of an airframe that share them.

    Parameters
    ----------
    blocks : mapping of airframe to its blocks
    settings : JudgeSettings
        How many flights at most on either side.
    preparer : Preparer
    """

    def __init__(
        self, blocks: Mapping[str, Sequence[Block]], settings: JudgeSettings, preparer: Preparer
    ) -> None:
        self._blocks, self._settings, self._preparer = blocks, settings, preparer
        self._known: dict[tuple[object, ...], tuple[tuple[int, ...], tuple[int, ...]]] = {}

    def __call__(
        self,
        series: Series,
        block: Block,
        *,
        immaterial: Collection[str] = (),
        breaks: Breaks = UNBROKEN,
    ) -> Window:
        """The flights of `series` before and after `block`.

        Parameters
        ----------
        series : Series
        block : Block
            One of its airframe's.
        immaterial : collection of str
            Ids of changes shown not to matter for this series: its flights run on across them.
        breaks : Breaks
            What happened to this series without any change being known.
        """
        order = self._preparer(series).order
        key = (id(order), series.airframe, block.change.id, frozenset(immaterial), breaks.steps)
        sides = self._known.get(key)
        if sides is None:
            blocks = self._blocks[series.airframe]
            sides = _sides(block, blocks, self._settings, immaterial, breaks.steps, order)
            self._known[key] = sides
        before, after = sides
        drift = breaks.drift
        if drift is not None and (not after or drift.start > after[-1]):
            drift = None
        return Window(series, block, before, after, drift)


def _sides(
    block: Block,
    blocks: Sequence[Block],
    settings: JudgeSettings,
    immaterial: Collection[str],
    steps: Sequence[int],
    order: FloatArray,
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    ending = [b for b in blocks if b is not block and not b.passive]
    start = max(
        [b.last_order for b in ending if b.last_order <= block.first_order and b.change.id not in immaterial]
        + [s for s in steps if s < block.first_order],
        default=0,
    )
    end = min(
        [
            float(b.first_order)
            for b in ending
            if b.first_order >= block.last_order and b.change.id not in immaterial
        ]
        + [float(s) for s in steps if s > block.last_order],
        default=np.inf,
    )
    # flights between two changes of a skipped block belong to neither level
    between = np.zeros(order.size, dtype=bool)
    for other in ending:
        if other.change.id in immaterial:
            between |= (order >= other.first_order) & (order < other.last_order)
    before = np.flatnonzero((order >= start) & (order < block.first_order) & ~between)
    after = np.flatnonzero((order >= block.last_order) & (order < end) & ~between)
    return (
        tuple(before[-settings.baseline_flights :].tolist()),
        tuple(after[: settings.horizon_flights].tolist()),
    )
