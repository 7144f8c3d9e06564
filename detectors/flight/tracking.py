"""How well mission legs are followed: cross-track error on the leg, overshoot after each turn."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

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
from trimkeep.detectors.numerics.local_plane import to_plane
from trimkeep.detectors.numerics.stats import Estimate, quantile_of, rms_of
from trimkeep.detectors.numerics.stretches import stretches

RATE_HZ = 4.0
MISSION = frozenset({"mission"})
SETTLE_S = 5.0
"""Rolling out of a turn onto a leg takes a few seconds; what comes then is tracking."""
MIN_LEG_S = 4.0
MIN_SECONDS = 15.0
OVERSHOOT_S = 25.0
FEWEST_TURNS = 2
SIDE_M = 0.5
"""Nearer to the line than this there is no side to have come from."""

SPEC = DetectorSpec(
    id="tracking",
    version=1,
    title="Track keeping on mission legs",
    family="tracking",
    metrics=(
        Metric(
            "cross_track_rms_m",
            "Distance from the leg, root mean square",
            "m",
            "lower",
            1.0,
            "about the scatter of a satellite position; more shows as uneven overlap of survey lines",
        ),
        Metric(
            "cross_track_p95_m",
            "Distance from the leg not exceeded 95 % of the time",
            "m",
            "lower",
            2.0,
            "two of the smallest root-mean-square changes that matter, as for a normal error",
        ),
        Metric(
            "turn_overshoot_m",
            "Overshoot past the new leg after a turn, median",
            "m",
            "lower",
            2.0,
            "two position scatters; more lengthens the run-in before each survey line",
            "linear",
        ),
    ),
    needs_any=(frozenset({"cross_track_m", "latitude_deg"}),),
    uses=frozenset({"longitude_deg"}),
    modes=MISSION,
    min_rate_hz=1.0,
    min_seconds=MIN_SECONDS,
    evidence=("cross_track_m", "bank_deg", "latitude_deg", "longitude_deg"),
    measures="Distance from the line being followed, in straight mission flight after settling (context "
    "mission_leg), and how far the aeroplane passes beyond the new line after each turn. Where no "
    "distance is "
    "logged: the scatter about each leg's own straight track (context mission_leg_own_line), another figure.",
    formula=f"rms and 95th percentile of the logged cross-track distance, from {SETTLE_S:g} s after "
    f"roll-out. "
    f"Overshoot: the largest distance on the side opposite to that of the approach within {OVERSHOOT_S:g} "
    f"s of "
    "roll-out, 0 when the line is not passed; the median over the turns. Own line: total least squares in a "
    "local plane.",
    source="Track capture with an overshoot and continuous tracking as in MIL-DTL-9490E 3.1.2.8.1.2; its "
    "limits "
    "are for crewed aircraft and are not used. Local plane: radii of curvature of the WGS 84 ellipsoid.",
    cannot_tell="A position that the satellites have wrong is wrong here too. Wind pushes every leg; the "
    "judge "
    "takes its part off. The own-line figure does not see a steady offset from the planned line.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Track keeping of one flight; see `SPEC`."""
    grid = FlightGrid.of(flight, RATE_HZ)
    straight = stretches(flight, MISSION)
    legs = [(start + SETTLE_S, end) for start, end in straight if end - start > SETTLE_S + MIN_LEG_S]
    cross = grid.get("cross_track_m")
    if np.isfinite(cross[grid.inside(legs)]).any():
        said = list(_errors("mission_leg", grid.pieces(cross, legs, MIN_LEG_S), legs))
        said += _overshoot(grid, cross, straight)
    else:
        pieces = [piece for window in legs for piece in _own_line(grid, window)]
        said = list(_errors("mission_leg_own_line", pieces, legs))
    return said or NotMeasured(Reason.TOO_SHORT, f"no {MIN_SECONDS:g} s on straight mission legs")


def _errors(context: str, pieces: list[FloatArray], windows: list[Window]) -> Iterator[Observation]:
    seconds = sum(piece.size for piece in pieces) / RATE_HZ
    if seconds < MIN_SECONDS:
        return
    found: tuple[tuple[str, Estimate], ...] = (
        ("cross_track_rms_m", rms_of(pieces)),
        ("cross_track_p95_m", quantile_of([np.abs(piece) for piece in pieces], 0.95)),
    )
    for metric, one in found:
        yield Observation(metric, context, one.value, one.error, seconds, tuple(windows))


def _own_line(grid: FlightGrid, window: Window) -> list[FloatArray]:
    latitude, longitude = grid.get("latitude_deg"), grid.get("longitude_deg")
    pieces = []
    for lat, lon in zip(
        grid.pieces(latitude + 0.0 * longitude, [window], MIN_LEG_S),
        grid.pieces(longitude + 0.0 * latitude, [window], MIN_LEG_S),
        strict=True,
    ):
        east, north = to_plane(lat, lon)
        track = np.column_stack((east - east.mean(), north - north.mean()))
        across = np.linalg.eigh(track.T @ track)[1][:, 0]
        pieces.append(track @ across)
    return pieces


def _overshoot(grid: FlightGrid, cross: FloatArray, straight: list[Window]) -> Iterator[Observation]:
    """Median overshoot over the legs that were entered from a turn."""
    found, windows = [], []
    for start_s, end_s in straight:
        came = any(abs(one.end_s - start_s) < 1e-6 and one.phase == "turn" for one in grid.flight.segments)
        window = (start_s, min(end_s, start_s + OVERSHOOT_S))
        part = cross[grid.inside([window])]
        part = part[np.isfinite(part)]
        if not came or part.size < MIN_LEG_S * RATE_HZ:
            continue
        sides = part[np.abs(part) > SIDE_M]
        if sides.size:
            found.append(max(0.0, float((-np.sign(sides[0]) * part).max())))
            windows.append(window)
    if len(found) >= FEWEST_TURNS:
        error = 1.25 * float(np.std(found, ddof=1)) / np.sqrt(len(found))
        seconds = sum(end - start for start, end in windows)
        yield Observation(
            "turn_overshoot_m", "mission_leg", float(np.median(found)), error, seconds, tuple(windows)
        )
