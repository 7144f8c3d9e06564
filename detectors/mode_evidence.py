"""What the aeroplane did in each mode number that nobody has named, and what that looks like.

A log carries its autopilot's own mode numbers. Without `[modes]` in the card, contexts are unknown
and hold quality cannot be told apart from manual flying. The evidence here lets a person write the
missing lines; the guess is a proposal, never used for measuring.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.model import Channel, FloatArray, Recording, Window

# A stick that moves less than this is at rest; the trims and jitter of a radio stay below it.
STICK_AT_REST = 0.03
# Share of the surface's variance the stick must explain before the link is called direct.
DIRECT = 0.97
FOLLOWS = 0.8
# Autopilots hold altitude within a few metres in calm air; twice that is still holding.
HELD_SPREAD_M = 12.0
ENOUGH_S = 5.0


@dataclass(frozen=True, slots=True)
class ModeEvidence:
    """One unnamed mode number.

    Parameters
    ----------
    number : int
    seconds : float
        Time spent in it.
    altitude_spread_m : float or None
        5th to 95th percentile of the altitude inside its stretches, the median stretch.
    stick_share : float or None
        Share of the elevator command's variance that the pitch stick explains, 0..1.
    looks_like : str
        A control mode, or `unknown` when nothing can be said.
    """

    number: int
    seconds: float
    altitude_spread_m: float | None
    stick_share: float | None
    looks_like: str


def mode_spans(recording: Recording) -> dict[int, list[Window]]:
    """Stretches of each mode number; a number holds until the next sample."""
    if "mode_number" not in recording.channels:
        return {}
    channel = recording.channels["mode_number"]
    known = np.isfinite(channel.value)
    times, numbers = channel.time_s[known], channel.value[known]
    spans: dict[int, list[Window]] = {}
    if times.size == 0:
        return spans
    starts = np.flatnonzero(np.r_[True, np.diff(numbers) != 0])
    ends = np.r_[times[starts[1:]], recording.duration_s]
    for index, end in zip(starts, ends, strict=True):
        spans.setdefault(int(numbers[index]), []).append((float(times[index]), float(end)))
    return spans


def mode_evidence(recording: Recording, airborne: tuple[Window, ...]) -> tuple[ModeEvidence, ...]:
    """Evidence for every mode number flown in the airborne stretches, longest first."""
    found = []
    for number, spans in mode_spans(recording).items():
        inside = [part for span in spans for window in airborne if (part := _overlap(span, window))]
        seconds = sum(end - start for start, end in inside)
        if seconds >= ENOUGH_S:
            found.append(_evidence(recording, number, seconds, inside))
    return tuple(sorted(found, key=lambda item: -item.seconds))


def _overlap(first: Window, second: Window) -> Window | None:
    start, end = max(first[0], second[0]), min(first[1], second[1])
    return (start, end) if end > start else None


def _evidence(recording: Recording, number: int, seconds: float, windows: list[Window]) -> ModeEvidence:
    spread = _altitude_spread(recording, windows)
    share = _explained(recording, "stick_pitch", "elevator_cmd", windows)
    return ModeEvidence(number, seconds, spread, share, _looks_like(recording, windows, spread, share))


def _looks_like(
    recording: Recording, windows: list[Window], spread: float | None, share: float | None
) -> str:
    if share is not None and share >= DIRECT:
        return "manual"
    if (_explained(recording, "stick_pitch", "pitch_rate_dps", windows) or 0.0) >= FOLLOWS:
        return "rate"
    if (_explained(recording, "stick_roll", "bank_deg", windows) or 0.0) >= FOLLOWS:
        return "attitude"
    if spread is None or spread > HELD_SPREAD_M:
        return "unknown"
    if _moves(recording, "waypoint_distance_m", windows):
        return "mission"
    return "altitude_hold"


def _samples(recording: Recording, name: str, windows: list[Window]) -> Channel:
    channel = recording.channels[name]
    parts = [channel.between(*window) for window in windows]
    return Channel(
        np.concatenate([part.time_s for part in parts]), np.concatenate([part.value for part in parts])
    )


def _altitude_spread(recording: Recording, windows: list[Window]) -> float | None:
    name = next((name for name in ("altitude_m", "height_m") if name in recording.channels), None)
    if name is None:
        return None
    spreads = []
    for window in windows:
        value = recording.channels[name].between(*window).value
        value = value[np.isfinite(value)]
        if value.size >= 5 and window[1] - window[0] >= ENOUGH_S:
            low, high = np.percentile(value, (5, 95))
            spreads.append(float(high - low))
    return float(np.median(spreads)) if spreads else None


def _moves(recording: Recording, name: str, windows: list[Window]) -> bool:
    if name not in recording.channels:
        return False
    value = _samples(recording, name, windows).value
    value = value[np.isfinite(value)]
    return bool(value.size > 5 and np.ptp(value) > 1.0)


def _explained(recording: Recording, cause: str, effect: str, windows: list[Window]) -> float | None:
    """Squared correlation of two channels inside the windows; None where the stick stays at rest."""
    if cause not in recording.channels or effect not in recording.channels:
        return None
    stick = _samples(recording, cause, windows)
    other = _samples(recording, effect, windows)
    if stick.time_s.size < 10 or other.time_s.size < 10:
        return None
    moved = np.interp(stick.time_s, other.time_s, other.value)
    return _squared_correlation(stick.value, moved)


def _squared_correlation(first: FloatArray, second: FloatArray) -> float | None:
    good = np.isfinite(first) & np.isfinite(second)
    if good.sum() < 10 or np.std(first[good]) < STICK_AT_REST or np.std(second[good]) == 0.0:
        return None
    return float(np.corrcoef(first[good], second[good])[0, 1] ** 2)
