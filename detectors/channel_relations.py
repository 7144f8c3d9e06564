"""What physics says of the channels among each other, one relation at a time.

Each relation takes a `Frame` and answers with an `Answer`. They are coarse on purpose: a unit or a
sign is off by a factor of two or more, and a sound log must never fail one.

References
----------
.. [1] B. Etkin, L. D. Reid, Dynamics of Flight, 3rd ed., Wiley 1996, section 4.4 (body rates from the
   attitude's derivatives; from memory). The rest is one quantity's derivative against the next.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from trimkeep.detectors.channel_frame import (
    SPEEDS,
    STEP_S,
    TRACKS,
    VELOCITIES,
    Frame,
    Relation,
    body_rate,
    mean_of,
    rate_of,
    track,
    way_of,
)
from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.agreement import (
    FEWEST,
    NO_ANSWER,
    Agreement,
    Answer,
    moves_alike,
    same_direction,
    same_size,
)
from trimkeep.detectors.numerics.air import G_MPS2
from trimkeep.detectors.numerics.circular import covered_deg
from trimkeep.detectors.numerics.turn_physics import path_bank_deg

HALF_AROUND_DEG = 180.0
ATTITUDE = ("bank_deg", "pitch_deg", "heading_deg")
RATES = ("roll_rate_dps", "pitch_rate_dps", "yaw_rate_dps")
GYROS = ("gyro_x_dps", "gyro_y_dps", "gyro_z_dps")
ACCELS = ("accel_x_mps2", "accel_y_mps2", "accel_z_mps2")


def _rates(group: tuple[str, ...], axis: int) -> Relation:
    def ask(frame: Frame) -> Answer:
        others = [mean_of(frame.get(name), 1.0) for name in group if name != group[axis]]
        return moves_alike(body_rate(frame, axis), mean_of(frame.get(group[axis]), 1.0), others)

    return Relation(
        f"attitude's change against {group[axis]}", ("bank_deg", "pitch_deg", "heading_deg", *group), ask
    )


def _nodding(group: tuple[str, ...]) -> Relation:
    """In circles the turn is most of the pitch rate and hides which way the pitch itself is counted."""

    def ask(frame: Frame) -> Answer:
        bank, pitch = np.radians(frame.get("bank_deg")), np.radians(frame.get("pitch_deg"))
        by_turn = rate_of(frame.get("heading_deg")) * np.cos(pitch) * np.sin(bank)
        nods = rate_of(frame.get("pitch_deg")) * np.cos(bank)
        return moves_alike(nods, mean_of(frame.get(group[1]), 1.0) - by_turn)

    return Relation(f"change of pitch_deg against {group[1]} less the turn", (*ATTITUDE, group[1]), ask)


def _pair(axis: int) -> Relation:
    def ask(frame: Frame) -> Answer:
        rate = mean_of(frame.get(RATES[axis]), 1.0)
        gyros = [mean_of(frame.get(name), 1.0) for name in GYROS]
        return moves_alike(rate, gyros.pop(axis), gyros, 0.75)

    return Relation(f"{RATES[axis]} against {GYROS[axis]}", (RATES[axis], *GYROS), ask)


def _path(source: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        north, east = track(frame, source)
        climb = np.zeros(north.shape)  # a wrong climb rate must not spoil it
        path = path_bank_deg(north, east, climb, np.degrees(np.arctan2(east, north)), STEP_S)
        rivals = [mean_of(frame.get("pitch_deg"), 3.0)]
        return moves_alike(mean_of(path, 3.0), mean_of(frame.get("bank_deg"), 3.0), rivals, 0.75, (0.2, 5.0))

    return Relation(
        f"bank against the turns of the {source} track", (*TRACKS[source], "bank_deg", "pitch_deg"), ask
    )


def _nose(source: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        heading, way = frame.get("heading_deg"), way_of(frame, source)
        turning = moves_alike(mean_of(rate_of(way), 3.0), mean_of(rate_of(heading), 3.0), (), 0.75)
        if turning.said is Agreement.DIFFERS:
            return turning
        level = same_direction(way, heading, 80.0)
        return turning if level.said is Agreement.UNKNOWN else replace(level, apart=turning.apart)

    return Relation(f"heading against the {source} track", (*TRACKS[source], "heading_deg"), ask)


def _tracks(one: str, other: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        first, second = way_of(frame, one), way_of(frame, other)
        turning = moves_alike(mean_of(rate_of(first), 2.0), mean_of(rate_of(second), 2.0), (), 0.8)
        if turning.said is Agreement.DIFFERS:
            return turning
        level = same_direction(first, second)
        return turning if level.said is Agreement.UNKNOWN else replace(level, apart=turning.apart)

    return Relation(f"{one} track against {other} track", (*TRACKS[one], *TRACKS[other]), ask)


def _speeds(one: str, other: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        return same_size(np.hypot(*track(frame, one)), np.hypot(*track(frame, other)), (0.75, 1.33))

    return Relation(f"{one} speed against {other} speed", (*TRACKS[one], *TRACKS[other]), ask)


def _velocity_axis(source: str, axis: int) -> Relation:
    def ask(frame: Frame) -> Answer:
        moved, seen = track(frame, source), track(frame, "velocity")
        return moves_alike(moved[axis], mean_of(seen[axis], 1.0), (seen[1 - axis],), 0.8, (0.7, 1.4))

    return Relation(f"{source} track against {VELOCITIES[axis]}", (*TRACKS[source], *VELOCITIES), ask)


def _airspeed(source: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        air = frame.live("airspeed_mps")
        known = air[np.isfinite(air)]
        # One leg with or against the wind says nothing; a dead sensor wanders about zero.
        if covered_deg(way_of(frame, source)) < HALF_AROUND_DEG or known.size < FEWEST:
            return NO_ANSWER
        speed, level = air_speed(*track(frame, source)), float(np.median(known))
        if not speed or abs(level) < 1.0:
            return NO_ANSWER
        ratio = speed / level
        apart = abs(float(np.log(abs(ratio))))
        return Answer(Agreement.AGREES if 0.7 < ratio < 1.45 else Agreement.DIFFERS, apart)

    return Relation(
        f"airspeed against the speed of the {source} track", (*TRACKS[source], "airspeed_mps"), ask
    )


def air_speed(north_mps: FloatArray, east_mps: FloatArray) -> float | None:
    """Speed through the air by the circle that ground velocities lie on, whose centre is the wind; m/s.

    Linear least squares of v^2 = 2 w v + (a^2 - w^2): a steady wind of any strength drops out.

    Examples
    --------
    >>> way = np.linspace(0.0, 6.0, 200)
    >>> round(air_speed(15.0 * np.cos(way) + 11.0, 15.0 * np.sin(way) - 3.0), 6)
    15.0
    """
    known = np.isfinite(north_mps) & np.isfinite(east_mps)
    if known.sum() < FEWEST:
        return None
    north, east = north_mps[known], east_mps[known]
    terms = np.column_stack((2.0 * north, 2.0 * east, np.ones(north.size)))
    wind_north, wind_east, rest = np.linalg.lstsq(terms, north**2 + east**2, rcond=None)[0]
    square = rest + wind_north**2 + wind_east**2
    return float(np.sqrt(square)) if square > 0.0 else None


def _climb(name: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        return moves_alike(
            mean_of(rate_of(frame.get(name), 2.0), 2.0),
            mean_of(frame.get("climb_mps"), 3.0),
            (),
            0.75,
            # a knot is 0.51 m/s
            (0.72, 1.39),
        )

    return Relation(f"change of {name} against climb_mps", (name, "climb_mps"), ask)


def _heights(one: str, other: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        return moves_alike(frame.get(one), frame.get(other), (), 0.9, (0.45, 2.2))

    return Relation(f"{one} against {other}", (one, other), ask)


def _pressure(name: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        pressure = frame.get("static_pressure_hpa")
        # The logarithm changes with height alike in any unit; 8.4 km is the scale height at 15 degC.
        height = -8434.0 * np.log(np.where(pressure > 0.0, pressure, np.nan))
        return moves_alike(height, frame.get(name), (), 0.9, (0.45, 2.2))

    return Relation(f"static pressure against {name}", ("static_pressure_hpa", name), ask)


def _pitch_and_climb(frame: Frame) -> Answer:
    speed = np.hypot(*track(frame, "velocity"))
    for name in ("groundspeed_mps", "satellite_speed_mps", "airspeed_mps"):
        if not np.isfinite(speed).any():
            speed = frame.live(name)
    path = mean_of(np.degrees(np.arctan2(frame.get("climb_mps"), np.maximum(speed, 1e-3))), 3.0)
    if not np.isfinite(path).any() or np.nanstd(path) < 1.5:
        return NO_ANSWER
    rivals = [mean_of(frame.get("bank_deg"), 3.0)]
    return moves_alike(path, mean_of(frame.get("pitch_deg"), 3.0), rivals, 0.75, (0.25, 4.0))


def _gravity(frame: Frame) -> Answer:
    known = [mean_of(frame.get(name), 2.0) for name in ACCELS if frame.has(name)]
    norm = np.sqrt(np.sum(np.square(known), axis=0))
    return same_size(np.full(norm.shape, G_MPS2), norm, (0.4, 2.0))  # an hour of steep circles weighs twice


def _upright(frame: Frame) -> Answer:
    medians = [
        float(np.nanmedian(value)) if np.isfinite(value).any() else 0.0
        for value in (frame.get(name) for name in ACCELS)
    ]
    norm = math.hypot(*medians)
    if norm == 0.0 or not frame.has("accel_z_mps2"):
        return NO_ANSWER
    if abs(medians[2]) < 0.5 * norm and max(map(abs, medians[:2])) > 0.8 * norm:
        return Answer(Agreement.SILENT)
    if abs(medians[2]) < 0.8 * norm:
        return NO_ANSWER
    return Answer(Agreement.AGREES if medians[2] < 0.0 else Agreement.DIFFERS)


def _forward(frame: Frame) -> Answer:
    speed = frame.live("airspeed_mps")
    for source in ("velocity", "course", "satellite"):
        if not np.isfinite(speed).any():
            speed = np.hypot(*track(frame, source))
    felt = G_MPS2 * np.sin(np.radians(frame.get("pitch_deg"))) + np.nan_to_num(rate_of(speed, 2.0))
    rivals = [mean_of(frame.get("accel_y_mps2"), 2.0)]
    return moves_alike(mean_of(felt, 2.0), mean_of(frame.get("accel_x_mps2"), 2.0), rivals, 0.7)


def _sideways(frame: Frame) -> Answer:
    source = "velocity" if frame.has(*VELOCITIES) else "satellite"
    north, east = track(frame, source)
    still = np.zeros(north.shape)
    path = path_bank_deg(north, east, still, np.degrees(np.arctan2(east, north)), STEP_S)
    right, down = mean_of(frame.get("accel_y_mps2"), 3.0), mean_of(frame.get("accel_z_mps2"), 3.0)
    lean = np.degrees(np.arctan2(right, np.maximum(np.abs(down), 0.1)))
    slip = mean_of(path, 3.0) - mean_of(frame.get("bank_deg"), 3.0)
    return moves_alike(slip, lean, (), 0.6, (0.25, 4.0))


MOVED = ("velocity", "course", "satellite")

MOTION: tuple[Relation, ...] = (
    *(_rates(group, axis) for group in (RATES, GYROS) for axis in range(3)),
    *(_nodding(group) for group in (RATES, GYROS)),
    *(_pair(axis) for axis in range(3)),
    *(_path(source) for source in TRACKS if source != "position"),
    *(_nose(source) for source in TRACKS),
    *(_tracks(one, other) for one in TRACKS for other in TRACKS if one < other),
    *(_speeds(one, other) for one in TRACKS for other in TRACKS if one < other),
    *(_velocity_axis(source, axis) for source in ("course", "satellite", "position") for axis in range(2)),
    *(_airspeed(source) for source in MOVED),
    *(_climb(name) for name in ("altitude_m", "height_m", "satellite_altitude_m")),
    _heights("altitude_m", "height_m"),
    _heights("satellite_altitude_m", "altitude_m"),
    *(_pressure(name) for name in ("altitude_m", "height_m")),
    Relation(
        "pitch against climb angle",
        ("pitch_deg", "bank_deg", "climb_mps", *SPEEDS),
        _pitch_and_climb,
    ),
    Relation("size of gravity", ACCELS, _gravity),
    Relation("direction of gravity", ACCELS, _upright),
    Relation(
        "pitch and gain of speed against accel_x_mps2",
        ("pitch_deg", *ACCELS[:2], *SPEEDS, "course_deg", "satellite_course_deg"),
        _forward,
    ),
    Relation(
        "sideslip against accel_y_mps2",
        ("bank_deg", *ACCELS[1:], *VELOCITIES, *TRACKS["satellite"]),
        _sideways,
    ),
)
