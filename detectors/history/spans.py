"""Stretches of a series that are searched as one, and the known changes that lie in them.

A search runs across known changes: what happened may have begun before one of them and gone on after
it. A history longer than the search's window is searched in windows that overlap by half.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.history.model import Series
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.steps_unknown import SHORTEST, WINDOW
from trimkeep.detectors.history.windows import Block
from trimkeep.detectors.model import FloatArray


@dataclass(frozen=True, slots=True)
class KnownPlace:
    """A known change inside a span: `place` is where in the span the first flight after it stands."""

    change: str
    place: int


@dataclass(frozen=True, slots=True)
class Span:
    """One window of one series: `points` are indices into the series, `part` counts its windows."""

    series: Series
    part: int
    points: tuple[int, ...]
    known: tuple[KnownPlace, ...]

    def step_at(self, place: int) -> FloatArray:
        """Column of a step whose first flight after stands at `place`."""
        return (np.arange(len(self.points)) >= place).astype(np.float64)


_Parts = tuple[tuple[tuple[int, ...], tuple[KnownPlace, ...]], ...]
"""Points and known changes of each window, which series with the same flights share."""


def spans_of(
    series: Sequence[Series], blocks: Mapping[str, Sequence[Block]], preparer: Preparer
) -> tuple[Span, ...]:
    """Windows of each series, oldest first; none where it has too few flights.

    Parameters
    ----------
    series : sequence of Series
    blocks : mapping of airframe to its known changes
        Flights between the changes of one block are left out: they belong neither to what was before
        nor to what came after.
    preparer : Preparer
    """
    known: dict[tuple[int, str], _Parts] = {}
    result = []
    for one in series:
        order = preparer(one).order
        key = (id(order), one.airframe)
        if key not in known:
            known[key] = _parts(order, blocks.get(one.airframe, ()))
        result += [Span(one, number, *part) for number, part in enumerate(known[key])]
    return tuple(result)


def _parts(order: FloatArray, blocks: Sequence[Block]) -> _Parts:
    active = [b for b in blocks if not b.passive]
    keep = np.ones(order.size, dtype=bool)
    for block in active:
        if block.last_order == block.first_order:
            continue
        keep &= (order < block.first_order) | (order >= block.last_order)
    usable = np.flatnonzero(keep)
    if usable.size < SHORTEST:
        return ()
    firsts = [*range(0, max(usable.size - WINDOW, 0), WINDOW // 2), max(usable.size - WINDOW, 0)]
    ends = np.array([b.last_order for b in active], dtype=np.float64)
    result = []
    for first in firsts:
        inside = usable[first : first + WINDOW]
        places = np.searchsorted(order[inside], ends).tolist()
        known = tuple(
            KnownPlace(b.change.id, place)
            for b, place in zip(active, places, strict=True)
            if 0 < place < inside.size
        )
        result.append((tuple(inside.tolist()), known))
    return tuple(result)
