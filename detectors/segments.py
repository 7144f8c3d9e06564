"""From an airborne stretch to its segments: one control mode, one phase each.

Phases: `climb` and `descent` are meant changes of height, `turn` is level but banked, `level` is the
rest, `ground` is a touch of the ground inside a flight. Where the autopilot holds an altitude that
the log states, the target decides what is meant: a slow swing or a sink about a steady target stays
`level`, for that is a fault to be measured, not a descent. What a detector leaves out after a change
of segment is its own business.
"""

from __future__ import annotations

import numpy as np

from trimkeep.config.channels import CONTROL_MODES, HELD_ALTITUDE_MODES
from trimkeep.detectors.model import FloatArray, Phase, Recording, Segment
from trimkeep.detectors.numerics.resample import even_grid, held, running_mean, sampled
from trimkeep.detectors.numerics.runs import BoolArray, IntArray, filled, hysteresis, runs, without_short

STEP_S = 0.2
BRIDGE_S = 3.0
PHASES: tuple[Phase, ...] = ("level", "turn", "climb", "descent", "ground")

BANKED_DEG = 12.0
UPRIGHT_DEG = 7.0
"""Gusts bank an aeroplane by 5 to 10 degrees for a second; a turn is more, and lasts."""
BANK_MEAN_S = 1.5
SHORTEST_TURN_S = 3.0
CLIMBING_MPS = 1.0
LEVELLING_MPS = 0.6
CLIMB_MEAN_S = 10.0
"""Longer than the slow pitching that altitude loops fall into, so that it averages out."""
SHORTEST_CLIMB_S = 5.0
TARGET_MOVES_MPS = 0.3
CAPTURED_M = 3.0
CAPTURE_MPS = 0.5
CAPTURE_GRACE_S = 30.0
"""An aeroplane that needs longer than this plus its error at 0.5 m/s cannot reach the target."""
TARGET_JUMPS_M = 2.0
ON_GROUND_M = 1.0
G_MPS2 = 9.80665


def segments_of(recording: Recording, start_s: float, end_s: float) -> tuple[Segment, ...]:
    """Segments of an airborne stretch, gapless and in order.

    Parameters
    ----------
    recording : Recording
    start_s, end_s : float
        Seconds from the recording's start.

    Returns
    -------
    tuple of Segment
        Mode `unknown` where the log names none.
    """
    grid_s = even_grid(start_s, end_s, STEP_S)
    mode = _modes(recording, grid_s)
    phase = _phases(recording, grid_s, mode)
    both = mode * len(PHASES) + phase
    starts = np.flatnonzero(np.diff(both, prepend=both[0] - 1))
    times = _edges(recording, grid_s, mode, starts)
    times[0] = start_s
    ends = np.append(times[1:], end_s)
    return tuple(
        Segment(float(begin), float(end), CONTROL_MODES[mode[index]], PHASES[phase[index]])
        for index, begin, end in zip(starts, times, ends, strict=True)
        if end > begin
    )


def _modes(recording: Recording, grid_s: FloatArray) -> IntArray:
    channel = recording.channels.get("control_mode")
    if channel is None:
        return np.zeros(grid_s.size, dtype=np.int64)
    code = held(channel, grid_s)
    return np.where((code >= 0) & (code < len(CONTROL_MODES)), np.nan_to_num(code), 0).astype(np.int64)


def _edges(recording: Recording, grid_s: FloatArray, mode: IntArray, starts: IntArray) -> FloatArray:
    """Times of the segments' starts: at the sample that changed the mode, else on the grid."""
    times = grid_s[starts].astype(np.float64)
    channel = recording.channels.get("control_mode")
    if channel is None:
        return times
    for place, index in enumerate(starts):
        if index > 0 and mode[index] != mode[index - 1]:
            at = np.searchsorted(channel.time_s, grid_s[index], side="right") - 1
            times[place] = max(float(channel.time_s[at]), float(grid_s[index - 1]))
    return times


def _phases(recording: Recording, grid_s: FloatArray, mode: IntArray) -> IntArray:
    climb = _climb_rate(recording, grid_s)
    slow_climb = running_mean(climb, round(CLIMB_MEAN_S / STEP_S))
    shortest = round(SHORTEST_CLIMB_S / STEP_S)
    climbing = without_short(hysteresis(slow_climb, CLIMBING_MPS, LEVELLING_MPS), shortest)
    descending = without_short(hysteresis(-slow_climb, CLIMBING_MPS, LEVELLING_MPS), shortest)
    direction = np.where(climbing, 1, np.where(descending, -1, 0))
    direction = _by_target(recording, grid_s, mode, direction)
    phase = np.where(_turning(recording, grid_s), 1, 0)
    phase = np.where(direction > 0, 2, np.where(direction < 0, 3, phase))
    return np.where(_grounded(recording, grid_s), 4, phase).astype(np.int64)


def _climb_rate(recording: Recording, grid_s: FloatArray) -> FloatArray:
    climb = sampled(recording, "climb_mps", grid_s, BRIDGE_S)
    if np.isfinite(climb).any():
        return climb
    for name in ("altitude_m", "height_m"):
        altitude = sampled(recording, name, grid_s, BRIDGE_S)
        if np.isfinite(altitude).sum() > 2:
            return np.gradient(altitude, STEP_S)
    return climb


def _turning(recording: Recording, grid_s: FloatArray) -> BoolArray:
    bank = np.abs(running_mean(_bank(recording, grid_s), round(BANK_MEAN_S / STEP_S)))
    shortest = round(SHORTEST_TURN_S / STEP_S)
    return without_short(filled(hysteresis(bank, BANKED_DEG, UPRIGHT_DEG), shortest // 2), shortest)


def _bank(recording: Recording, grid_s: FloatArray) -> FloatArray:
    """Bank, or the bank that would turn the course so fast, where attitude is not logged; deg."""
    bank = sampled(recording, "bank_deg", grid_s, BRIDGE_S)
    if np.isfinite(bank).any():
        return bank
    for course_name, speed_name in (
        ("course_deg", "groundspeed_mps"),
        ("satellite_course_deg", "satellite_speed_mps"),
    ):
        course = sampled(recording, course_name, grid_s, BRIDGE_S)
        if np.isfinite(course).sum() > 2:
            rate = np.gradient(running_mean(course, round(1.0 / STEP_S)), STEP_S)
            speed = sampled(recording, speed_name, grid_s, BRIDGE_S)
            return turn_bank_deg(speed, rate)
    return bank


def turn_bank_deg(speed_mps: FloatArray, turn_rate_dps: FloatArray) -> FloatArray:
    """Bank of a level coordinated turn: tan(bank) = V rate / g; positive to the right."""
    return np.degrees(np.arctan(speed_mps * np.radians(turn_rate_dps) / G_MPS2))


def altitude_target(recording: Recording, grid_s: FloatArray, max_gap_s: float = BRIDGE_S) -> FloatArray:
    """Altitude asked for, m above sea level, as logged or from the logged error; NaN where neither is."""
    target = sampled(recording, "altitude_target_m", grid_s, max_gap_s)
    if np.isfinite(target).any():
        return target
    return sampled(recording, "altitude_m", grid_s, max_gap_s) + sampled(
        recording, "altitude_error_m", grid_s, max_gap_s
    )


def _by_target(recording: Recording, grid_s: FloatArray, mode: IntArray, direction: IntArray) -> IntArray:
    """Where a stated altitude is held, the target says what is meant and what is a fault."""
    holds = np.isin(mode, [CONTROL_MODES.index(name) for name in HELD_ALTITUDE_MODES])
    target = altitude_target(recording, grid_s)
    altitude = sampled(recording, "altitude_m", grid_s, BRIDGE_S)
    known = holds & np.isfinite(target) & np.isfinite(altitude)
    meant = direction.copy()
    for first, last in zip(*runs(known), strict=True):
        meant[first:last] = _meant(grid_s[first:last], target[first:last], altitude[first:last])
    return meant


def _meant(grid_s: FloatArray, target: FloatArray, altitude: FloatArray) -> IntArray:
    """1, -1 while the target ramps or is being captured after a jump, else 0."""
    error = target - altitude
    moves = np.diff(target)
    meant, ramps = np.zeros(target.size, dtype=np.int64), np.zeros(target.size, dtype=np.bool_)
    if moves.any():
        slope = np.gradient(running_mean(target, round(2.0 / STEP_S)), STEP_S)
        ramps = without_short(np.abs(slope) > TARGET_MOVES_MPS, round(3.0 / STEP_S))
        meant = np.where(ramps, np.sign(slope), 0).astype(np.int64)
    jumps = np.flatnonzero(np.abs(moves) > TARGET_JUMPS_M) + 1
    ends_of_ramps = runs(ramps)[1]
    for begin in np.unique(np.concatenate(([0], jumps, ends_of_ramps[ends_of_ramps < target.size]))):
        limit = CAPTURE_GRACE_S + abs(error[begin]) / CAPTURE_MPS
        stop = np.searchsorted(grid_s, grid_s[begin] + limit)
        away = np.abs(error[begin:stop]) > CAPTURED_M
        captured = int(np.argmin(away)) if not away.all() else away.size
        part = slice(begin, begin + captured)
        meant[part] = np.where(meant[part] == 0, np.sign(error[begin]), meant[part])
    return meant


def _grounded(recording: Recording, grid_s: FloatArray) -> BoolArray:
    landed = sampled(recording, "landed_state", grid_s, BRIDGE_S)
    return without_short(landed == 1, round(1.0 / STEP_S))
