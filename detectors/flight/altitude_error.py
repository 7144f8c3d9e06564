"""How well altitude, climb rate and airspeed are held while the autopilot holds them.

Straight and turning flight apart, after settling. Without a logged target the swing about each
stretch's own straight line is measured instead, under contexts of its own, never mixed.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trimkeep.config.channels import HELD_ALTITUDE_MODES
from trimkeep.detectors.grid import FlightGrid, live_airspeed
from trimkeep.detectors.model import (
    DetectorSpec,
    Flight,
    FloatArray,
    Metric,
    NotMeasured,
    Observation,
    Phase,
    Reason,
    Window,
)
from trimkeep.detectors.numerics.stats import Estimate, quantile_of, rms_of
from trimkeep.detectors.numerics.stretches import UNKNOWN_MODE, stretches
from trimkeep.detectors.segments import altitude_target

RATE_HZ = 5.0
SETTLE_S = 4.0
"""Attitude settles in about this time after a roll-out or a change of mode; a height still being captured
is a climb or a descent, not yet held (see `segments`)."""
SETTLE_TURN_S = 3.0
MIN_PIECE_S = 3.0
LINE_S = 120.0
"""Without a target, heights are measured about a line of at most this length: longer than any swing."""
MIN_SECONDS = 30.0
MIN_KEPT_S = 15.0
"""Two periods of a slow height swing, after settling."""

# Context -> modes, phase, what is left out at the start.
CONTEXTS: tuple[tuple[str, frozenset[str], Phase, float], ...] = (
    ("held_level", HELD_ALTITUDE_MODES, "level", SETTLE_S),
    ("held_turn", HELD_ALTITUDE_MODES, "turn", SETTLE_TURN_S),
    ("mode_unknown", UNKNOWN_MODE, "level", SETTLE_S),
)

SPEC = DetectorSpec(
    id="altitude_error",
    version=1,
    title="Altitude, climb rate and airspeed while they are held",
    family="altitude_hold",
    metrics=(
        Metric(
            "altitude_error_rms_m",
            "Altitude error, root mean square",
            "m",
            "lower",
            0.5,
            "about the scatter of a barometric height over a minute: less cannot be told from the sensor, "
            "more shows in overlap and ground clearance of a survey",
        ),
        Metric(
            "altitude_error_p95_m",
            "Altitude error not exceeded 95 % of the time",
            "m",
            "lower",
            1.0,
            "two of the smallest root-mean-square changes that matter, as for a normal error",
        ),
        Metric(
            "climb_rate_rms_mps",
            "Climb rate in held altitude, root mean square",
            "m/s",
            "lower",
            0.15,
            "a height swing of 0.5 m amplitude and 15 s period, the least that matters in height",
        ),
        Metric(
            "airspeed_error_rms_mps",
            "Airspeed error, root mean square",
            "m/s",
            "lower",
            0.5,
            "about 3 % of a cruise at 15 m/s: less is inside the scatter of a small pressure sensor",
        ),
    ),
    needs_any=(frozenset({"altitude_m", "height_m"}),),
    uses=frozenset(
        {
            "altitude_target_m",
            "altitude_error_m",
            "climb_mps",
            "airspeed_mps",
            "airspeed_target_mps",
            "airspeed_error_mps",
        }
    ),
    modes=HELD_ALTITUDE_MODES | UNKNOWN_MODE,
    min_seconds=MIN_SECONDS,
    evidence=(
        "altitude_m",
        "altitude_target_m",
        "climb_mps",
        "airspeed_mps",
        "airspeed_target_mps",
        "elevator_cmd",
    ),
    measures="Altitude asked for minus altitude, climb rate and airspeed error in level and in turning "
    "flight while the autopilot holds an altitude, after settling. Contexts: held_level, held_turn; "
    "mode_unknown where the log names no mode but states a target; ..._no_target where no target is "
    "logged: the swing about the stretch's own line.",
    formula="rms = sqrt(mean(e^2)), p95 = 95th percentile of |e|, e = target - altitude on a 5 Hz grid, "
    f"from {SETTLE_S:g} s ({SETTLE_TURN_S:g} s in turns) after the stretch began. Without target: "
    f"e = altitude minus a straight line fitted to each stretch of at most {LINE_S:g} s. Standard errors "
    f"by the effective "
    "number of samples (Bendat and Piersol, Random Data, 4th ed., section 8.2).",
    source="Shape after the altitude-hold requirement of MIL-F-9490D 3.1.2.5 (from memory); its limits are "
    "for crewed aircraft and are not used.",
    cannot_tell="A height that the log's own estimate has wrong is wrong here too: a drifting barometer "
    "shows as no error. Gusts and thermals count as error; the judge takes their part off.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Hold quality of one flight, by context; see `SPEC`."""
    grid = FlightGrid.of(flight, RATE_HZ)
    said: list[Observation] = []
    for context, modes, phase, settle_s in CONTEXTS:
        windows = stretches(flight, modes, (phase,), settle_s)
        if windows:
            said.extend(_context(grid, context, windows))
    if said:
        return said
    return NotMeasured(Reason.TOO_SHORT, f"no {MIN_KEPT_S:g} s of level or turning flight after settling")


def _context(grid: FlightGrid, context: str, windows: list[Window]) -> Iterator[Observation]:
    recording = grid.flight.recording
    target = altitude_target(recording, grid.time_s)
    altitude = grid.get("altitude_m")
    error = _logged_error(grid, target - altitude)
    if np.isfinite(error).any():
        pieces = grid.pieces(error, windows, MIN_PIECE_S)
        where = context
    elif context == "mode_unknown":
        return  # nothing says that any altitude was meant to be held
    else:
        height = altitude if np.isfinite(altitude).any() else grid.get("height_m")
        pieces = [line for piece in grid.pieces(height, windows, MIN_PIECE_S) for line in _about_lines(piece)]
        where = f"{context}_no_target"
    if _seconds(pieces) >= MIN_KEPT_S:
        yield _say("altitude_error_rms_m", where, rms_of(pieces), pieces, windows)
        yield _say(
            "altitude_error_p95_m", where, quantile_of([np.abs(p) for p in pieces], 0.95), pieces, windows
        )
    else:
        return
    for metric, value in (
        ("climb_rate_rms_mps", grid.get("climb_mps")),
        ("airspeed_error_rms_mps", _airspeed_error(grid)),
    ):
        pieces = grid.pieces(value, windows, MIN_PIECE_S)
        if _seconds(pieces) >= MIN_KEPT_S:
            yield _say(metric, where, rms_of(pieces), pieces, windows)


def _logged_error(grid: FlightGrid, difference: FloatArray) -> FloatArray:
    """The difference of target and altitude, or the error as the log states it where no target is logged."""
    if grid.flight.has("altitude_target_m"):
        return difference
    return grid.get("altitude_error_m")


def _airspeed_error(grid: FlightGrid) -> FloatArray:
    if not live_airspeed(grid.flight):
        return np.full(grid.time_s.shape, np.nan)
    if grid.flight.has("airspeed_target_mps"):
        return grid.get("airspeed_target_mps") - grid.get("airspeed_mps")
    return grid.get("airspeed_error_mps")


def _about_lines(piece: FloatArray) -> Iterator[FloatArray]:
    parts = max(round(piece.size / (LINE_S * RATE_HZ)), 1)
    for part in np.array_split(piece, parts):
        place = np.arange(part.size) - 0.5 * (part.size - 1)
        slope = float(place @ part) / float(place @ place)
        yield part - part.mean() - slope * place


def _seconds(pieces: list[FloatArray]) -> float:
    return sum(piece.size for piece in pieces) / RATE_HZ


def _say(
    metric: str, context: str, found: Estimate, pieces: list[FloatArray], windows: list[Window]
) -> Observation:
    return Observation(metric, context, found.value, found.error, _seconds(pieces), tuple(windows))
