"""Stretches of a flight less what follows a command: a new mode, a new altitude asked for.

An aeroplane that climbs to its next height swings once because it was told to. In a stretch of half a
minute such an answer is as strong as an oscillation and stands in the same octave.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from trimkeep.detectors.model import Channel, Flight, FloatArray, Window
from trimkeep.detectors.numerics.runs import IntArray

ALTITUDE_TARGET = "altitude_target_m"
MOVED_M = 0.5
"""A smaller new height is lost in what gusts do; the least altitude error that matters."""
MOVED_WITHIN_S = 2.0
MODE_SETTLE_S = 5.0
ALTITUDE_SETTLE_S = 10.0
"""Half a longest period: on simulated flights of other seeds and sizes than those scored, pitch swung
no more than before after it."""


def undisturbed(flight: Flight, windows: Iterable[Window]) -> list[Window]:
    """The parts of the windows that lie clear of a change of mode and of a move of the altitude target.

    Parameters
    ----------
    flight : Flight
        Without an altitude target only changes of mode are seen.
    windows : iterable of (start_s, end_s)

    Returns
    -------
    list of (start_s, end_s)
        Ordered within each window. A target that moves all the time leaves nothing.
    """
    changes = [after.start_s for before, after in pairwise(flight.segments) if before.mode != after.mode]
    answers = [(change, change + MODE_SETTLE_S) for change in changes]
    if flight.has(ALTITUDE_TARGET):
        answers += flight.kept.get("moves", lambda: moves_of(flight.channel(ALTITUDE_TARGET)))
    return without(windows, answers)


def moves_of(target: Channel) -> list[Window]:
    """From when a target moves until its aeroplane has settled again; touching moves are one.

    Examples
    --------
    >>> height = Channel(np.arange(60.0), np.where(np.arange(60.0) < 30.0, 80.0, 83.0))
    >>> moves_of(height)
    [(29.0, 40.0)]
    """
    known = np.isfinite(target.value)
    time_s, value = target.time_s[known], target.value[known]
    if time_s.size < 2:
        return []
    late = _soon_after_a_change(time_s, value)
    before = np.interp(time_s[late] - MOVED_WITHIN_S, time_s, value)
    moved = late[np.abs(value[late] - before) > MOVED_M]
    if moved.size == 0:
        return []
    breaks = np.flatnonzero(np.diff(moved) > 1)
    firsts, lasts = moved[np.r_[0, breaks + 1]], moved[np.r_[breaks, moved.size - 1]]
    # The last moved sample still sees the height of `MOVED_WITHIN_S` before.
    ends = np.maximum(time_s[lasts] - MOVED_WITHIN_S, time_s[firsts]) + ALTITUDE_SETTLE_S
    return [
        (float(time_s[max(int(first) - 1, 0)]), float(end)) for first, end in zip(firsts, ends, strict=True)
    ]


def _soon_after_a_change(time_s: FloatArray, value: FloatArray) -> IntArray:
    """The samples before which, within `MOVED_WITHIN_S`, the value was another."""
    changed = np.flatnonzero(np.diff(value)) + 1
    over = np.searchsorted(time_s, time_s[changed] + MOVED_WITHIN_S, side="right")
    # A stretch begins at each change, and ends where as many have ended as have begun.
    open_ones = np.bincount(changed, minlength=time_s.size + 1) - np.bincount(over, minlength=time_s.size + 1)
    return np.flatnonzero(np.cumsum(open_ones) > 0)


def without(windows: Iterable[Window], holes: Sequence[Window]) -> list[Window]:
    """Windows less holes.

    Examples
    --------
    >>> without([(0.0, 10.0), (20.0, 30.0)], [(4.0, 5.0), (28.0, 40.0)])
    [(0.0, 4.0), (5.0, 10.0), (20.0, 28.0)]
    """
    left: list[Window] = []
    for start_s, end_s in windows:
        at = start_s
        for begin, stop in sorted(holes):
            if stop <= at or begin >= end_s:
                continue
            if begin > at:
                left.append((at, begin))
            at = max(at, stop)
        if at < end_s:
            left.append((at, end_s))
    return left
