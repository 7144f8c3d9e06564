"""Which flights are compared for which change.

Changes with fewer than a few flights between them cannot be told apart on one airframe: they are one
block with several candidates. A block's flights before reach back to the block before it, its flights
after up to the next one. A change that has been shown not to matter for a metric does not end that
metric's baseline; an inspection touches nothing and ends none.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.model import Change, Series
from trimkeep.detectors.model import FloatArray

PASSIVE_KINDS = frozenset({"inspection"})
"""Kinds of work that leave the aeroplane as it was."""


@dataclass(frozen=True, slots=True)
class Block:
    """Changes that are judged as one: `first_order` of the first flight after any of them, `last_order`
    of the first flight after all of them. `change` carries all items under the first change's id."""

    change: Change
    first_order: int
    last_order: int

    @property
    def passive(self) -> bool:
        """True when none of its items can have altered the aeroplane."""
        return all(kind in PASSIVE_KINDS for kind in self.change.kinds)


@dataclass(frozen=True, slots=True)
class Window:
    """One series around one block: indices into the series' points."""

    series: Series
    block: Block
    before: tuple[int, ...]
    after: tuple[int, ...]


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


def window_of(
    series: Series,
    block: Block,
    blocks: Sequence[Block],
    settings: JudgeSettings,
    *,
    immaterial: Collection[str] = (),
    steps: Collection[int] = (),
) -> Window:
    """The flights of `series` before and after `block`.

    Parameters
    ----------
    series : Series
    block : Block
    blocks : sequence of Block
        All blocks of the airframe.
    settings : JudgeSettings
        How many flights at most on either side.
    immaterial : collection of str
        Ids of changes shown not to matter for this series: the baseline runs on behind them.
    steps : collection of int
        Orders at which this series stepped without any change being known.
    """
    order: FloatArray = np.array([p.order for p in series.points], dtype=np.float64)
    ending = [b for b in blocks if b is not block and not b.passive]
    start = max(
        [b.last_order for b in ending if b.last_order <= block.first_order and b.change.id not in immaterial]
        + [s for s in steps if s < block.first_order],
        default=0,
    )
    end = min(
        [float(b.first_order) for b in ending if b.first_order >= block.last_order]
        + [float(s) for s in steps if s > block.last_order],
        default=np.inf,
    )
    before = np.flatnonzero((order >= start) & (order < block.first_order))
    # flights between two changes of a skipped block belong to neither level
    for other in ending:
        if other.change.id in immaterial and other.last_order > other.first_order:
            inside = (order[before] >= other.first_order) & (order[before] < other.last_order)
            before = before[~inside]
    after = np.flatnonzero((order >= block.last_order) & (order < end))
    return Window(
        series,
        block,
        tuple(before[-settings.baseline_flights :].tolist()),
        tuple(after[: settings.horizon_flights].tolist()),
    )
