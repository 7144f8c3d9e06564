"""What no aeroplane does, and what a battery's figures say of each other.

Bounds are as wide as the trade is: from a model of half a kilogram to an aeroplane of a hundred.
"""

from __future__ import annotations

import numpy as np

from trimkeep.detectors.channel_frame import STEP_S, TRACKS, Frame, Relation, way_of
from trimkeep.detectors.numerics.agreement import FEWEST, NO_ANSWER, Agreement, Answer, within
from trimkeep.detectors.numerics.circular import covered_deg

ALL_AROUND_DEG = 240.0
LEAST_SPAN_DEG = 30.0
"""Five times as much as a full turn in radians."""
VOLTAGE_V = (2.0, 900.0)
CRUISE_W = (0.5, 30_000.0)
CURRENT_A = (0.02, 500.0)
ENOUGH_AH = 0.02
SECONDS_PER_HOUR = 3600.0


def _range(name: str, low: float, high: float) -> Relation:
    return Relation(f"range of {name}", (name,), lambda frame: within(frame.raw(name), low, high))


def _full_turns(name: str) -> Relation:
    """A direction in radians jumps by 6.28 at a full turn, which looks like noise and not like a turn."""
    sources = [source for source, channels in TRACKS.items() if name not in channels]

    def ask(frame: Frame) -> Answer:
        flown = max(covered_deg(way_of(frame, source)) for source in sources)
        shown = frame.raw(name)
        shown = shown[np.isfinite(shown)]
        if flown < ALL_AROUND_DEG or shown.size < FEWEST:
            return NO_ANSWER
        return Answer(Agreement.AGREES if np.ptp(shown) > LEAST_SPAN_DEG else Agreement.DIFFERS)

    return Relation(f"span of {name}", (name, *(one for source in sources for one in TRACKS[source])), ask)


def _middle(frame: Frame, name: str) -> float | None:
    """Median in the air; None without samples or for a sensor that stands still."""
    value = frame.live(name)
    known = value[np.isfinite(value)]
    return float(np.median(known)) if known.size >= FEWEST else None


def _between(value: float | None, limits: tuple[float, float]) -> Answer:
    if value is None:
        return NO_ANSWER
    return Answer(Agreement.AGREES if limits[0] < value < limits[1] else Agreement.DIFFERS)


def _voltage(frame: Frame) -> Answer:
    return _between(_middle(frame, "battery_voltage_v"), VOLTAGE_V)


def _power(frame: Frame) -> Answer:
    volts, amperes = _middle(frame, "battery_voltage_v"), _middle(frame, "battery_current_a")
    if volts is None or amperes is None or volts == 0.0 or amperes == 0.0:
        return NO_ANSWER
    # Its sign is the current's, which has a relation of its own.
    return _between(abs(volts * amperes), CRUISE_W)


def _discharge(frame: Frame) -> Answer:
    amperes = _middle(frame, "battery_current_a")
    if amperes is None or abs(amperes) < CURRENT_A[0]:
        return NO_ANSWER
    return Answer(Agreement.AGREES if amperes > 0.0 else Agreement.DIFFERS)


def _drawn(frame: Frame) -> tuple[float, float] | None:
    """Charge drawn between the first and the last known value, Ah, and the hours between."""
    used = frame.live("battery_used_ah")
    known = np.flatnonzero(np.isfinite(used))
    if known.size < FEWEST:
        return None
    hours = float(known[-1] - known[0]) * STEP_S / SECONDS_PER_HOUR
    return float(used[known[-1]] - used[known[0]]), hours


def _charge_rate(frame: Frame) -> Answer:
    drawn = _drawn(frame)
    return NO_ANSWER if drawn is None else _between(drawn[0] / drawn[1], CURRENT_A)


def _charge(frame: Frame) -> Answer:
    drawn, amperes = _drawn(frame), frame.live("battery_current_a")
    if drawn is None or abs(drawn[0]) < ENOUGH_AH or np.isfinite(amperes).sum() < FEWEST:
        return NO_ANSWER
    ratio = float(np.nanmean(amperes)) * drawn[1] / drawn[0]
    apart = abs(float(np.log(abs(ratio)))) if ratio else 0.0
    return Answer(Agreement.AGREES if 0.5 < ratio < 2.0 else Agreement.DIFFERS, apart)


BOUNDS: tuple[Relation, ...] = (
    *(_range(f"{name}_cmd", -1.5, 1.5) for name in ("elevator", "aileron", "rudder")),
    *(_range(f"stick_{name}", -1.5, 1.5) for name in ("pitch", "roll", "yaw")),
    *(_range(f"{name}_integrator", -1.5, 1.5) for name in ("pitch", "roll")),
    *(_range(name, -1.5, 1.5) for name in ("throttle_cmd", "stick_throttle", "battery_left")),
    _range("static_pressure_hpa", 200.0, 1100.0),
    _range("latitude_deg", -90.0, 90.0),
    _range("longitude_deg", -360.0, 360.0),
    *(
        _range(name, -360.5, 360.5)
        for name in ("heading_deg", "course_deg", "satellite_course_deg", "heading_target_deg")
    ),
    *(_range(name, -181.0, 181.0) for name in ("bank_deg", "bank_target_deg")),
    *(_range(name, -91.0, 91.0) for name in ("pitch_deg", "pitch_target_deg")),
    *(_full_turns(name) for name in ("heading_deg", "course_deg", "satellite_course_deg")),
    Relation("size of battery_voltage_v", ("battery_voltage_v",), _voltage),
    Relation("cruise power", ("battery_voltage_v", "battery_current_a"), _power),
    Relation("direction of battery_current_a", ("battery_current_a",), _discharge),
    Relation("size of battery_used_ah", ("battery_used_ah",), _charge_rate),
    Relation("battery_current_a against battery_used_ah", ("battery_current_a", "battery_used_ah"), _charge),
)
