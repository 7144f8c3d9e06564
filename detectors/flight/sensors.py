"""Sensors and links: airspeed scale by the wind triangle, satellite quality, drop-outs, gaps in the log."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trimkeep.detectors.flight.conditions import fit_wind
from trimkeep.detectors.grid import FlightGrid, live_airspeed
from trimkeep.detectors.model import (
    Channel,
    DetectorSpec,
    Flight,
    Metric,
    NotMeasured,
    Observation,
    Reason,
    Window,
)
from trimkeep.detectors.numerics.stats import mean_of, quantile_of
from trimkeep.detectors.numerics.wind import WindFit

CONTEXT = "flight"
POSITION_FIX = 3
GAP_S = 1.0
GAP_STEPS = 5.0
"""A radio link loses single packets all the time; five in a row are a drop-out."""
MIN_SECONDS = 10.0
WORST_SCALE_ERROR = 0.03
"""A scale known no better than this says nothing about a sensor that is 5 % off."""
STANDARD_DAY_ERROR = 0.014
"""Half of 8 K in 288 K: how far usual days lie from the standard one that the true airspeed rests on."""

SPEC = DetectorSpec(
    id="sensors",
    version=1,
    title="Sensors and links",
    family="sensors",
    metrics=(
        Metric(
            "airspeed_scale_error",
            "Error of the airspeed scale, true over logged minus one",
            "",
            "nearer_zero",
            0.05,
            "5 % of airspeed is half of the usual margin between the slowest flying and the stall",
            "linear",
            attention=0.1,
        ),
        Metric(
            "satellites_mean",
            "Satellites used, mean",
            "",
            "higher",
            2.0,
            "two satellites fewer widen the horizontal scatter by about a tenth at usual numbers",
            "linear",
        ),
        Metric(
            "satellite_hdop_p95",
            "Horizontal dilution not exceeded 95 % of the time",
            "",
            "lower",
            0.3,
            "raises the position scatter by a third at a usual value of 1",
        ),
        Metric(
            "satellite_loss_share",
            "Share of time without a position fix",
            "",
            "lower",
            0.005,
            "two seconds in a flight of seven minutes",
            "linear",
            attention=0.02,
        ),
        Metric(
            "log_gap_share",
            "Share of the flight missing from the log",
            "",
            "lower",
            0.01,
            "one second in 100: figures begin to rest on what was not seen",
            "linear",
            attention=0.2,
        ),
        Metric(
            "log_gap_longest_s",
            "Longest gap in the log",
            "s",
            "lower",
            2.0,
            "the time in which an aeroplane at 20 m/s flies 40 m unseen",
            "linear",
        ),
    ),
    needs_any=(
        frozenset(
            {"airspeed_mps", "satellites", "satellite_hdop", "satellite_fix", "bank_deg", "pitch_deg"}
            | {"altitude_m", "groundspeed_mps"}
        ),
    ),
    uses=frozenset({"velocity_north_mps", "velocity_east_mps", "course_deg", "altitude_m", "climb_mps"}),
    min_seconds=MIN_SECONDS,
    evidence=("airspeed_mps", "groundspeed_mps", "satellites", "satellite_hdop"),
    measures="Factor by which the logged airspeed is wrong, from turns; number of satellites, dilution, time "
    "without a fix; time missing from the log.",
    formula="Scale s of |g - w| = s v (see conditions), minus 1; told only where its standard error is below "
    f"{WORST_SCALE_ERROR:g}. Gap: the densest of attitude, position and airspeed has no sample for more than "
    f"{GAP_S:g} s and {GAP_STEPS:g} usual steps; share = sum of gaps over the airborne time.",
    source="Wind triangle: common practice, no source. Dilution of position: IS-GPS-200 (from memory).",
    cannot_tell="A scale that changes with speed or bank. A wind that changes during the turns goes into the "
    "scale; the standard error says how much. Gaps cannot tell the radio from the recorder.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Sensor figures of one flight; see `SPEC`."""
    said = [*_scale(flight), *_satellites(flight), *_gaps(flight)]
    return said or NotMeasured(Reason.UNDEFINED, "no sensor was known for long enough")


def _scale(flight: Flight) -> Iterator[Observation]:
    if not live_airspeed(flight):
        return
    wind = fit_wind(flight)
    if isinstance(wind, WindFit) and wind.scale_error < WORST_SCALE_ERROR:
        error = float(np.hypot(wind.scale_error, STANDARD_DAY_ERROR))
        yield Observation("airspeed_scale_error", CONTEXT, wind.scale - 1.0, error, wind.seconds)


def _satellites(flight: Flight) -> Iterator[Observation]:
    grid = FlightGrid.of(flight, 1.0)
    whole = [(flight.start_s, flight.end_s)]
    count = grid.pieces(grid.get("satellites"), whole, 2.0)
    if sum(piece.size for piece in count) >= MIN_SECONDS:
        found = mean_of(count)
        yield Observation("satellites_mean", CONTEXT, found.value, found.error, float(sum(map(len, count))))
    dilution = grid.pieces(grid.get("satellite_hdop", 5.0), whole, 2.0)
    if sum(piece.size for piece in dilution) >= MIN_SECONDS:
        found = quantile_of(dilution, 0.95)
        seconds = float(sum(piece.size for piece in dilution))
        yield Observation("satellite_hdop_p95", CONTEXT, found.value, found.error, seconds)
    fix = grid.get("satellite_fix")
    known = np.isfinite(fix)
    if known.sum() >= MIN_SECONDS:
        lost = known & (fix < POSITION_FIX)
        yield Observation(
            "satellite_loss_share", CONTEXT, float(lost.sum() / known.sum()), None, float(known.sum())
        )


def _gaps(flight: Flight) -> Iterator[Observation]:
    densest: Channel | None = None
    for name in ("bank_deg", "pitch_deg", "altitude_m", "airspeed_mps", "groundspeed_mps"):
        if flight.has(name):
            channel = flight.channel(name)
            if densest is None or channel.time_s.size > densest.time_s.size:
                densest = channel
    if densest is None:
        return
    times = np.concatenate(([flight.start_s], densest.time_s[np.isfinite(densest.value)], [flight.end_s]))
    steps = np.diff(times)
    usual_s = float(np.median(steps))
    long = np.flatnonzero((steps > GAP_S) & (steps > GAP_STEPS * usual_s))
    windows: tuple[Window, ...] = tuple((float(times[i]), float(times[i + 1])) for i in long)
    missing_s = float(steps[long].sum())
    yield Observation(
        "log_gap_share", CONTEXT, missing_s / flight.seconds, None, flight.seconds, windows[:20]
    )
    yield Observation(
        "log_gap_longest_s", CONTEXT, float(steps[long].max(initial=0.0)), None, flight.seconds, windows[:20]
    )
