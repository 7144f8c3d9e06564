"""From a recording to its flights: airborne stretches, by whatever the log has.

Airspeed, ground speed, height, armed flag, landed state and throttle are looked at together on a
5 Hz grid, so that one dead or missing channel decides nothing. Flying is moving fast or being high;
being on the ground is being slow and low. Between the two the last clear state holds, which also
carries a flight over a gap in the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.model import Flight, FloatArray, Recording, Window
from trimkeep.detectors.numerics.resample import even_grid, sampled
from trimkeep.detectors.numerics.runs import (
    BoolArray,
    filled,
    last_known,
    runs,
    without_short,
)
from trimkeep.detectors.segments import segments_of

SPLITTER_VERSION = 1

STEP_S = 0.2
BRIDGE_S = 3.0
"""Satellite positions come once a second on slow links; two may be lost."""
SHORTEST_FLIGHT_S = 10.0
"""A throw that fails is over in less; nothing can be measured in it anyway."""
TOUCH_S = 8.0
"""A bounce or a touch-and-go is no landing."""
HIGH_M = 8.0
LOW_M = 4.0
"""Barometric heights wander by a metre or two in half an hour."""
OFF_GROUND_M = 1.5
STALL_SHARE = 0.75
"""Below three quarters of the stall speed nothing flies; sensors and gusts err by less."""
SLOW_SHARE = 0.6
SLOWEST_MPS = 5.0
"""Faster than anyone carries an aeroplane, slower than any of 1 m span flies."""
FASTEST_MPS = 12.0
WALKING_MPS = 3.0
DEAD_SENSOR_MPS = 4.0
THROTTLE_UP = 0.15
THROTTLE_IDLE = 0.05
EDGE_S = 3.0
"""Airborne this soon after the log's first evidence means that it began in the air."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the log says about flying, on an even grid; NaN where it says nothing.

    `height_m` is above the ground where the aeroplane stood, `height_m` of a log that never stood
    still is above the take-off place as logged.
    """

    time_s: FloatArray
    ground_mps: FloatArray
    air_mps: FloatArray
    height_m: FloatArray
    armed: FloatArray
    landed: FloatArray
    throttle: FloatArray

    @property
    def speed_mps(self) -> FloatArray:
        """The larger of both speeds; NaN where neither is known."""
        return np.fmax(self.ground_mps, self.air_mps)


def split(recording: Recording, card: AirframeCard) -> tuple[Flight, ...]:
    """Flights of a recording with their segments, first one first.

    Parameters
    ----------
    recording : Recording
    card : AirframeCard
        Its stall speed, where given, sets the speed that counts as flying.

    Returns
    -------
    tuple of Flight
        Numbered from 1. Empty when nothing flew.
    """
    evidence = gather(recording)
    flights = []
    for number, (start_s, end_s) in enumerate(airborne(evidence, card), start=1):
        first_s, last_s = _known_span(evidence)
        flights.append(
            Flight(
                recording=recording,
                card=card,
                number=number,
                start_s=start_s,
                end_s=end_s,
                segments=segments_of(recording, start_s, end_s),
                starts_airborne=start_s <= first_s + EDGE_S,
                ends_airborne=end_s >= last_s - EDGE_S,
            )
        )
    return tuple(flights)


def gather(recording: Recording) -> Evidence:
    """The evidence of a recording on a 5 Hz grid; gathered once for each recording."""
    return recording.kept.get("evidence", lambda: _gathered(recording))


def _gathered(recording: Recording) -> Evidence:
    grid_s = even_grid(0.0, recording.duration_s, STEP_S)

    def get(name: str) -> FloatArray:
        return sampled(recording, name, grid_s, BRIDGE_S)

    ground = get("groundspeed_mps")
    if not np.isfinite(ground).any():
        ground = get("satellite_speed_mps")
    if not np.isfinite(ground).any():
        ground = np.hypot(get("velocity_north_mps"), get("velocity_east_mps"))
    air = get("airspeed_mps")
    if not _alive(air):
        air = np.full(grid_s.shape, np.nan)
    landed, throttle = get("landed_state"), get("throttle_cmd")
    evidence = Evidence(
        time_s=grid_s,
        ground_mps=ground,
        air_mps=air,
        height_m=np.full(grid_s.shape, np.nan),
        armed=get("armed"),
        landed=np.where(landed > 0, landed, np.nan),
        throttle=np.where(np.isfinite(throttle), throttle, get("stick_throttle")),
    )
    height = _height(evidence, get("height_m"), get("altitude_m"))
    return Evidence(grid_s, ground, air, height, evidence.armed, evidence.landed, evidence.throttle)


def _alive(air_mps: FloatArray) -> bool:
    known = air_mps[np.isfinite(air_mps)]
    return bool(known.size and np.percentile(known, 95) > DEAD_SENSOR_MPS and np.ptp(known) > 0.5)


def _height(evidence: Evidence, height_m: FloatArray, altitude_m: FloatArray) -> FloatArray:
    """Height above where the aeroplane stood before and after, straight in between."""
    with np.errstate(invalid="ignore"):
        still = evidence.speed_mps < 0.5 * WALKING_MPS
        resting = (evidence.armed == 0) | (evidence.landed == 1) | (evidence.throttle < THROTTLE_IDLE)
    logged = height_m if np.isfinite(height_m).any() else altitude_m
    stood = without_short(still & resting & np.isfinite(logged), round(2.0 / STEP_S))
    if stood.any():
        return logged - np.interp(evidence.time_s, evidence.time_s[stood], logged[stood])
    return height_m


def airborne(evidence: Evidence, card: AirframeCard) -> list[Window]:
    """Airborne stretches, seconds from the recording's start, in order."""
    flying_mps = _flying_speed(evidence, card)
    state = _clear_state(evidence, flying_mps)
    known = np.flatnonzero(state)
    if known.size == 0:
        return []
    state = last_known(state)
    state[: known[0]] = state[known[0]] if evidence.time_s[known[0]] < EDGE_S else -1
    up = filled(state > 0, round(TOUCH_S / STEP_S))
    stretches = []
    for first, last in zip(*runs(up), strict=True):
        if not _left_the_ground(evidence, first, last):
            continue
        start, stop = _lift_off(evidence, first, last), _touch_down(evidence, first, last)
        window = (float(evidence.time_s[start]), float(evidence.time_s[min(stop, up.size - 1)]))
        if window[1] - window[0] >= SHORTEST_FLIGHT_S:
            stretches.append(window)
    return stretches


def _flying_speed(evidence: Evidence, card: AirframeCard) -> float:
    stall = card.limits.get("stall_speed_mps")
    if stall is not None:
        return STALL_SHARE * stall
    speed = evidence.speed_mps
    if not np.isfinite(speed).any():
        return SLOWEST_MPS
    return float(np.clip(0.5 * np.nanpercentile(speed, 90), SLOWEST_MPS, FASTEST_MPS))


def _clear_state(evidence: Evidence, flying_mps: float) -> np.ndarray:
    """1 where the aeroplane surely flies, -1 where it surely does not, 0 where one cannot tell."""
    speed, height = evidence.speed_mps, evidence.height_m
    blank = ~np.isfinite(speed)
    with np.errstate(invalid="ignore"):
        # In a strong wind the airspeed sensor of a parked aeroplane reads flying speed.
        fast = (speed > flying_mps) & ~(evidence.ground_mps < WALKING_MPS)
        high = height > HIGH_M
        low = ~(height > LOW_M)
        slow = speed < SLOW_SHARE * flying_mps
        disarmed, on_ground = evidence.armed == 0, evidence.landed == 1
        up = (fast | high) & ~disarmed
        down = (slow & low) | (~fast & ~high & (disarmed | on_ground))
        # A log with neither speed nor height: what is left are flags and throttle.
        mute = blank & ~np.isfinite(height)
        up |= mute & ((evidence.landed >= 2) | (~on_ground & ~disarmed & (evidence.throttle > THROTTLE_UP)))
        idle = evidence.throttle < THROTTLE_IDLE
        down |= blank & ((height < 0.5 * LOW_M) | (low & idle) | on_ground | disarmed)
    down &= ~up
    up = without_short(up, round(2.0 / STEP_S))
    down = without_short(down, round(3.0 / STEP_S))
    return np.where(up, 1, np.where(down, -1, 0))


def _left_the_ground(evidence: Evidence, first: int, last: int) -> bool:
    """False for a fast taxi: heights are known and none is off the ground."""
    height = evidence.height_m[first:last]
    landed = evidence.landed[first:last]
    if np.any(landed >= 2) or not np.isfinite(height).any():
        return True
    return bool(np.nanmax(height) > LOW_M)


def _lift_off(evidence: Evidence, first: int, last: int) -> int:
    """The moment the wheels leave, where flags or heights show it; else where it became fast."""
    reach = round(15.0 / STEP_S)
    flagged = _flag_edge(evidence.landed, max(first - reach, 0), min(first + reach, last), rising=True)
    if flagged is not None:
        return flagged
    height = evidence.height_m
    aloft = np.flatnonzero(height[first:last] > LOW_M)
    if first == 0 or aloft.size == 0 or aloft[0] > 2 * reach:
        return first
    before = np.flatnonzero(height[max(first - reach, 0) : first + aloft[0]] < OFF_GROUND_M)
    return max(first - reach, 0) + int(before[-1]) if before.size else first


def _touch_down(evidence: Evidence, first: int, last: int) -> int:
    """The moment the wheels touch, where flags or heights show it; else where it became slow."""
    reach = round(15.0 / STEP_S)
    flagged = _flag_edge(evidence.landed, max(last - reach, first), last + reach, rising=False)
    if flagged is not None:
        return flagged
    height = evidence.height_m
    aloft = np.flatnonzero(height[first:last] > LOW_M)
    if last >= height.size or aloft.size == 0 or last - first - aloft[-1] > 2 * reach:
        return last
    from_here = first + int(aloft[-1])
    after = np.flatnonzero(height[from_here:last] < OFF_GROUND_M)
    return from_here + int(after[0]) if after.size else last


def _flag_edge(landed: FloatArray, first: int, last: int, *, rising: bool) -> int | None:
    """Where the landed state leaves (rising) or reaches `ground` between two indices."""
    part = landed[first:last]
    ground: BoolArray = part == 1
    if rising:
        edges = np.flatnonzero(ground[:-1] & (part[1:] >= 2)) + 1
        return first + int(edges[0]) if edges.size else None
    edges = np.flatnonzero((part[:-1] >= 2) & ground[1:]) + 1
    return first + int(edges[-1]) if edges.size else None


def _known_span(evidence: Evidence) -> Window:
    """First and last moment at which speed or height is known."""
    known = np.flatnonzero(np.isfinite(evidence.speed_mps) | np.isfinite(evidence.height_m))
    if known.size == 0:
        return float(evidence.time_s[0]), float(evidence.time_s[-1])
    return float(evidence.time_s[known[0]]), float(evidence.time_s[known[-1]])
