"""Which stretches of a flight a detector looks at: by control mode and phase, merged where they touch."""

from __future__ import annotations

from collections.abc import Callable, Collection

from trimkeep.config.channels import HELD_ALTITUDE_MODES, PILOT_FLOWN_MODES
from trimkeep.detectors.model import Flight, Phase, Segment, Window

UNKNOWN_MODE = frozenset({"unknown"})
"""A log without a mode map still gives figures; they stand apart under a context of their own."""

# Context word -> modes. The words are those of the observations.
STRAIGHT_CONTEXTS: dict[str, frozenset[str]] = {
    "held_level": HELD_ALTITUDE_MODES,
    "pilot_flown": PILOT_FLOWN_MODES,
    "mode_unknown": UNKNOWN_MODE,
}
LEVEL: tuple[Phase, ...] = ("level",)


def stretches(
    flight: Flight,
    modes: Collection[str],
    phases: Collection[Phase] = LEVEL,
    settle_s: float = 0.0,
) -> list[Window]:
    """Stretches flown in one of the modes and phases; touching segments are one stretch.

    Parameters
    ----------
    flight : Flight
    modes, phases : collection of str
    settle_s : float
        Left out at the start of each stretch: what came before still rings there.

    Returns
    -------
    list of (start_s, end_s)
        Ordered; stretches that are over before they have settled are left out.
    """
    return joined(flight, lambda segment: segment.mode in modes and segment.phase in phases, settle_s)


def joined(flight: Flight, wanted: Callable[[Segment], bool], settle_s: float = 0.0) -> list[Window]:
    """Like `stretches`, for any rule on a segment."""
    found: list[list[float]] = []
    for segment in flight.segments:
        if not wanted(segment):
            continue
        if found and segment.start_s - found[-1][1] < 1e-6:
            found[-1][1] = segment.end_s
        else:
            found.append([segment.start_s, segment.end_s])
    return [(start + settle_s, end) for start, end in found if end - start > settle_s]


def total_seconds(windows: Collection[Window]) -> float:
    """Summed length, seconds."""
    return sum(end - start for start, end in windows)
