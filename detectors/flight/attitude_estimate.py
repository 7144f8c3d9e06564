"""Bank by the physics of the turn against the estimated bank, during and after prolonged turns.

In a coordinated turn the accelerometers feel no side force. An estimate that trusts them is pulled
towards wings level, in the limit by the whole bank; rolling out, it leans the other way by as much and
creeps back. The autopilot believes it: the aeroplane banks more than it was asked to in the turn, keeps
turning after it, and sinks in both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.flight.conditions import fit_wind, ground_velocity
from trimkeep.detectors.grid import FlightGrid
from trimkeep.detectors.model import (
    DetectorSpec,
    Flight,
    FloatArray,
    Metric,
    NotMeasured,
    Observation,
    Reason,
    Window,
)
from trimkeep.detectors.numerics.air import G_MPS2
from trimkeep.detectors.numerics.circular import wrap_180
from trimkeep.detectors.numerics.decay import time_constant
from trimkeep.detectors.numerics.robust import mad_sigma
from trimkeep.detectors.numerics.runs import BoolArray, runs
from trimkeep.detectors.numerics.stacked import stacked
from trimkeep.detectors.numerics.stats import pieces_of
from trimkeep.detectors.numerics.turn_physics import (
    TURNING_DEG,
    Turn,
    path_bank_deg,
    prolonged_turns,
    smoothed,
)
from trimkeep.detectors.numerics.wind import WindFit

RATE_HZ = 4.0
SMOOTH_S = 3.0
SHORTEST_TURN_S = 15.0
EDGE_S = 4.0
"""Launch and flare are not free flight."""
END_OF_TURN_S = 5.0
ROLLING_S = 1.0
ROLLED_S = 3.5
"""Left out before and after the end of the turn: half of the smoothing, and what a roll-out takes."""
AFTER_S = 4.0
STRAIGHT_AFTER_S = 30.0
"""This long after a prolonged turn a tilted estimate has mostly found back."""
SHORT_TURN_S = 3.0
STRAIGHT_AFTER_SHORT_S = 15.0
ACCEL_RATE_HZ = 8.0
SLIP_KNOWN_DEG = 0.25
SLIP_UNKNOWN_DEG = 0.6
"""0.01 g of side force is 0.6 degrees, and about what a turn without rudder has."""
ZERO_LINE = 1.5
"""Relative change of the time constant per relative error of the zero line, over spans about as long."""
LONGEST_CREEP_S = 60.0
SHORTEST_CREEP_S = 8.0
LEAST_SURE = 0.5
"""Relative error from which on a time constant says nothing."""
LEAST_TO_RECOVER_DEG = 2.0
MIN_BASELINE_S = 15.0
STRAIGHT_DEG = 8.0

SPEC = DetectorSpec(
    id="attitude_estimate",
    version=1,
    title="Attitude estimate in and after prolonged turns",
    family="attitude_estimate",
    metrics=(
        Metric(
            "turn_bank_error_deg",
            "Bank by the turn's physics minus estimated bank, at the end of prolonged turns",
            "deg",
            "nearer_zero",
            2.0,
            "2 degrees held unknowingly are 17 m off a straight line after 10 s at 15 m/s",
            scale="linear",
            attention=6.0,  # three times what matters (common practice, no source)
        ),
        Metric(
            "bank_error_after_turn_deg",
            "Bank error just after the turn, positive where the aeroplane still banks into it",
            "deg",
            "nearer_zero",
            2.0,
            "as for the error in the turn",
            scale="linear",
            attention=6.0,
        ),
        Metric(
            "bank_error_recovery_s",
            "Time in which the error after a turn falls to a third",
            "s",
            "lower",
            5.0,
            "a straight leg of a small survey lasts 20 to 30 s: 5 s more spoil a quarter of it",
        ),
    ),
    needs=frozenset({"bank_deg"}),
    needs_any=(
        frozenset({"velocity_north_mps", "groundspeed_mps", "satellite_speed_mps"}),
        frozenset({"velocity_east_mps", "course_deg", "satellite_course_deg"}),
    ),
    uses=frozenset({"heading_deg", "climb_mps", "airspeed_mps", "accel_y_mps2", "accel_z_mps2"}),
    min_rate_hz=1.0,
    min_seconds=30.0,
    evidence=("bank_deg", "bank_target_deg", "heading_deg", "altitude_m"),
    measures="Bank by the acceleration of the flight path against the estimated bank: at the end of turns of "
    f"{SHORTEST_TURN_S:g} s and more, just after them, and how fast the difference goes. Positive: the "
    "estimate is too flat in the turn. Contexts: turn, flight.",
    formula="bank = atan(a / (g + h'')) - s. a: derivative of the ground velocity across the air velocity, "
    "which is V times the turn rate; a steady wind drops out; direction by the wind triangle, else by the "
    "nose. h'': derivative of the climb rate. s: angle of the felt force to the side, where the "
    f"accelerometer is logged at {ACCEL_RATE_HZ:g} Hz or more. Both banks averaged over {SMOOTH_S:g} s. "
    f"Error in the turn: mean over its last {END_OF_TURN_S:g} s; after: over {AFTER_S:g} s from "
    f"{ROLLED_S:g} s after roll-out; less the mean difference in straight flight. Recovery: time constant "
    "of one exponential through all turns, where the error after them is above "
    f"{LEAST_TO_RECOVER_DEG:g} deg. Standard error: scatter of equal spans of straight flight, and what "
    "sideslip may add.",
    source="Coordinated turn: tan(bank) = V rate / g, any text on flight mechanics. That the error of an "
    "estimate levelled on accelerometers alone is the whole bank: derivation.",
    cannot_tell="Without accelerometers a turn with sideslip (little rudder, adverse yaw, a heavy wing) is "
    "flown at another bank than its path says: 0.1 g of side force is 6 degrees. The figure grows with the "
    "bank and the length of the turns, so compare flights with like turns. Position or heading estimates "
    "that fail together with the attitude hide its error.",
)


@dataclass(frozen=True, slots=True)
class Banks:
    """Bank by the path minus estimated bank on an even grid, and the turns.

    Parameters
    ----------
    time_s, error_deg : ndarray, shape (n,)
        Error less its mean in straight flight; NaN means not known.
    banked : ndarray of bool, shape (n,)
        True where both banks are those of a turn, however short: a tilted estimate is pulled anew there.
    turns : list of Turn
    slip_deg : float
        Sideslip's share that is not taken off: what stays in every figure alike.
    scatter_deg : float or None
        Standard deviation of the error's means over `AFTER_S` in straight flight.
    """

    time_s: FloatArray
    error_deg: FloatArray
    banked: BoolArray
    turns: list[Turn]
    slip_deg: float
    scatter_deg: float | None


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Errors of one flight's attitude estimate; see `SPEC`."""
    banks = compare_banks(flight)
    if banks is None:
        return NotMeasured(Reason.UNDEFINED, "bank and ground velocity are not known at the same time")
    if not banks.turns:
        return NotMeasured(Reason.NO_EXCITATION, f"no turn to one side of {SHORTEST_TURN_S:g} s or more")
    said = _mean_error(banks, "turn_bank_error_deg", "turn", -END_OF_TURN_S - ROLLING_S, -ROLLING_S)
    after = _mean_error(banks, "bank_error_after_turn_deg", "flight", ROLLED_S, ROLLED_S + AFTER_S)
    said += after
    if after and abs(after[0].value) >= LEAST_TO_RECOVER_DEG:
        said += _recovery(banks, after[0].value)
    return said or NotMeasured(Reason.UNDEFINED, "the log has holes in every prolonged turn")


def compare_banks(flight: Flight) -> Banks | None:
    """Both banks of a flight, compared; None where they are never known together."""
    grid = FlightGrid.of(flight, RATE_HZ)
    north, east = ground_velocity(grid)
    path = path_bank_deg(north, east, grid.get("climb_mps"), _direction(grid, north, east), grid.step_s)
    leaning = _side_force_deg(grid)
    slip_deg = SLIP_UNKNOWN_DEG if leaning is None else SLIP_KNOWN_DEG
    path = path if leaning is None else path - leaning
    inside = (grid.time_s > flight.start_s + EDGE_S) & (grid.time_s < flight.end_s - EDGE_S)
    path = smoothed(np.where(inside, path, np.nan), SMOOTH_S, grid.step_s)
    estimated = smoothed(grid.get("bank_deg"), SMOOTH_S, grid.step_s)
    error = wrap_180(path - estimated)
    if not np.isfinite(error).any():
        return None
    turns = prolonged_turns(path, grid.step_s, SHORTEST_TURN_S)
    mean, scatter = _straight(error, path, turns, grid.step_s)
    banked = np.minimum(np.abs(path), np.abs(estimated)) >= TURNING_DEG
    return Banks(grid.time_s, error - mean, banked, turns, slip_deg, scatter)


def _direction(grid: FlightGrid, north: FloatArray, east: FloatArray) -> FloatArray:
    """Direction of the air velocity, deg; by the wind, else the heading, else the track."""
    wind = fit_wind(grid.flight)
    if isinstance(wind, WindFit):
        return np.degrees(np.arctan2(east - wind.east_mps, north - wind.north_mps))
    heading = grid.get("heading_deg")
    return np.where(np.isfinite(heading), heading, np.degrees(np.arctan2(east, north)))


def _side_force_deg(grid: FlightGrid) -> FloatArray | None:
    """How far the felt force leans to the right of the aeroplane's own upright, deg; None where unknown.

    On real logs most of the difference between path and estimate in sideslips is just this.
    """
    names = ("accel_y_mps2", "accel_z_mps2")
    # Slower, single samples of a shaking sensor add more than the slip that they would take off.
    if not all(grid.flight.has(n) and grid.flight.channel(n).rate_hz >= ACCEL_RATE_HZ for n in names):
        return None
    right, down = (smoothed(grid.get(name), SMOOTH_S, grid.step_s) for name in names)
    return np.nan_to_num(np.degrees(np.arctan2(right, np.maximum(-down, 0.3 * G_MPS2))))


def _straight(
    error: FloatArray, path: FloatArray, turns: Sequence[Turn], step_s: float
) -> tuple[float, float | None]:
    """Mean error in straight flight away from prolonged turns, and the scatter of its short means.

    A board or a wing that is not quite level is there in all of the flight; it is not the turns' doing.
    """
    straight = np.abs(path) < STRAIGHT_DEG
    for first, last in zip(*runs(np.abs(path) >= TURNING_DEG), strict=True):
        if (last - first) * step_s >= SHORT_TURN_S:
            straight[first : last + round(STRAIGHT_AFTER_SHORT_S / step_s)] = False
    for turn in turns:
        straight[turn.first : turn.last + round(STRAIGHT_AFTER_S / step_s)] = False
    pieces = pieces_of(error, straight.astype(np.float64), round(AFTER_S / step_s))
    seconds = sum(piece.size for piece in pieces) * step_s
    if seconds < MIN_BASELINE_S:
        return 0.0, None
    size = round(AFTER_S / step_s)
    parts = [part for piece in pieces for part in np.array_split(piece, max(piece.size // size, 1))]
    means = np.concatenate([rows.mean(axis=1) for _, rows in stacked(parts)])
    # Robust, because a short bank in the straight parts is no noise of the method.
    scatter = mad_sigma(means) if means.size >= 4 else None
    return float(np.median(np.concatenate(pieces))), scatter


def _mean_error(banks: Banks, metric: str, context: str, from_s: float, to_s: float) -> list[Observation]:
    """Mean over the turns of the error in a span counted from their ends, towards the turn positive."""
    found: list[float] = []
    windows: list[Window] = []
    for turn in banks.turns:
        end_s = float(banks.time_s[turn.last - 1])
        first, last = np.searchsorted(banks.time_s, (end_s + from_s, end_s + to_s))
        part = banks.error_deg[first:last]
        if (
            part.size
            and last < banks.time_s.size
            and np.isfinite(part).all()
            and _clear(banks, turn, int(last))
        ):
            found.append(turn.side * float(part.mean()))
            windows.append((float(banks.time_s[turn.first]), float(banks.time_s[last])))
    if not found:
        return []
    error = banks.scatter_deg
    if len(found) >= 3:
        error = max(error or 0.0, float(np.std(found, ddof=1)))
    return [
        Observation(
            metric,
            context,
            float(np.mean(found)),
            None if error is None else float(np.hypot(error / np.sqrt(len(found)), banks.slip_deg)),
            len(found) * (to_s - from_s),
            tuple(windows),
        )
    ]


def _clear(banks: Banks, turn: Turn, until: int) -> bool:
    """True when no other prolonged turn has begun before a sample."""
    return not any(turn.last <= other.first < until for other in banks.turns)


def _recovery(banks: Banks, start_deg: float) -> list[Observation]:
    """One time constant for all stretches after turns."""
    step_s = float(banks.time_s[1] - banks.time_s[0])
    decays = [part for turn in banks.turns if (part := _creep(banks, turn, step_s)) is not None]
    found = time_constant(decays, step_s, 2.0 * LONGEST_CREEP_S)
    if found is None or found.error is None:
        return []
    # A zero line that is off by a little bends the curve's end by a lot.
    zero = ZERO_LINE * np.hypot(banks.scatter_deg or 0.0, banks.slip_deg) / abs(start_deg)
    relative = float(np.hypot(found.error / found.value, zero))
    if relative > LEAST_SURE:
        return []
    seconds = sum(part.size for part in decays) * step_s
    return [Observation("bank_error_recovery_s", "flight", found.value, relative * found.value, seconds)]


def _creep(banks: Banks, turn: Turn, step_s: float) -> FloatArray | None:
    """The error after one turn, until the log has a hole, the next turn begins or a minute is over."""
    first = turn.last + round(ROLLED_S / step_s)
    last = first + round(LONGEST_CREEP_S / step_s)
    part = turn.side * banks.error_deg[first:last]
    ended = np.flatnonzero(~np.isfinite(part) | banks.banked[first:last])
    part = part[: ended[0]] if ended.size else part
    return part if part.size * step_s >= SHORTEST_CREEP_S else None
