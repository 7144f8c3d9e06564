"""The air the flight met: gust strength, wind, density, temperature; and the airspeed it was flown at.

None of these is good or bad. They are measured from the same log as everything else, so that a windy
day is not called a regression.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trimkeep.config.channels import PILOT_FLOWN_MODES
from trimkeep.detectors.grid import FlightGrid, live_airspeed
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
from trimkeep.detectors.numerics.air import (
    ZERO_C_K,
    density_kgpm3,
    standard_pressure_pa,
    standard_temperature_k,
    true_airspeed,
)
from trimkeep.detectors.numerics.gusts import edr_of, roughness_of
from trimkeep.detectors.numerics.runs import BoolArray
from trimkeep.detectors.numerics.stats import mean_of
from trimkeep.detectors.numerics.stretches import joined
from trimkeep.detectors.numerics.wind import WindFit, solve_wind, with_heading

CONTEXT = "flight"
WIND_RATE_HZ = 2.0
GUST_RATE_HZ = 10.0
ROUGH_RATE_HZ = 2.5
"""One rate for all logs, the slowest in use, so that the figure means the same on each."""
LOWEST_RATE_HZ = 3.5
"""Telemetry of 4 Hz, with the jitter of a radio link."""
EDGE_S = 5.0
"""Flare and ground roll are not free air."""
HIGH_SHARE = 0.5
"""Of the usual height. By the seventh-root law (common practice, no source) a tenth less wind blows there."""
MIN_SECONDS = 20.0
ROUGH_MEAN_S = 2.0
ROUGH_PIECE_S = 3.0
LEVEL = ("level", "turn")
SLOW_RATE_HZ = 1.0
LEAST_PRESSURE_PA = 2e4
COLDEST_K = 220.0
HOTTEST_K = 345.0
"""What a working sensor can show, hull or not."""


SPEC = DetectorSpec(
    id="conditions",
    version=2,
    title="Conditions of the flight",
    family="conditions",
    metrics=(
        Metric(
            "gust_edr",
            "Gust strength, eddy dissipation rate to the power 1/3",
            "m^(2/3)/s",
            "none",
            0.05,
            "half of the usual step between the named steps of turbulence strength",
        ),
        Metric(
            "rough_air_mps2",
            "Rough air, vertical acceleration of the flight path within 2 s",
            "m/s2",
            "none",
            0.03,
            "about what half a step of turbulence strength does; used where the airspeed sensor is dead",
        ),
        Metric("wind_mps", "Wind speed", "m/s", "none", 1.0, "a noticeable part of the airspeed", "linear"),
        Metric(
            "wind_from_deg",
            "Direction the wind comes from",
            "deg",
            "none",
            20.0,
            "less is inside a usual day's swing of the wind",
            "linear",
        ),
        Metric(
            "air_density_kgpm3",
            "Air density",
            "kg/m3",
            "none",
            0.02,
            "about 2 %: 200 m of height or 5 degrees",
            "linear",
        ),
        Metric(
            "airspeed_mps",
            "Mean calibrated airspeed in level flight, as logged",
            "m/s",
            "none",
            0.5,
            "3 % of a cruise at 15 m/s changes the surfaces' effect by 6 %",
            "linear",
        ),
        Metric(
            "air_temperature_c",
            "Air or sensor temperature",
            "degC",
            "none",
            5.0,
            "changes the density by about 2 %",
            "linear",
        ),
    ),
    needs_any=(
        frozenset(
            {"airspeed_mps", "climb_mps", "velocity_north_mps", "groundspeed_mps", "altitude_m"}
            | {"satellite_speed_mps", "static_pressure_hpa", "air_temperature_c"}
        ),
    ),
    uses=frozenset(
        {
            "velocity_east_mps",
            "course_deg",
            "satellite_course_deg",
            "heading_deg",
            "pitch_rate_dps",
        }
    ),
    min_seconds=MIN_SECONDS,
    evidence=("airspeed_mps", "groundspeed_mps", "climb_mps", "altitude_m"),
    measures="Gust strength from the airspeed, wind by the triangle of ground velocity and airspeed around "
    "turns, air density, temperature, and the mean calibrated (not true) airspeed of level and turning "
    "flight. One context, flight. Where the airspeed sensor is dead, rough_air_mps2 still tells calm "
    "from rough air, and the wind comes from the circle of ground velocities at a steady airspeed.",
    formula="gust_edr = epsilon^(1/3) from D(tau) = 2 n^2 + C2 (epsilon V tau)^(2/3), C2 = 2.0, D the mean "
    "square increment over tau = 0.2 to 2 s of the true airspeed minus the ground speed along the nose, "
    "n the sensor's noise. wind: |g - w| = s v, robust least squares for w and the airspeed scale s, over "
    f"level and turning flight and all else above {HIGH_SHARE:g} of the way from the lowest to the usual "
    "altitude; then weighted with what the heading shows across the nose, (g - w) across = b v, where both "
    "agree. air_density = p / (R T), R = 287.05287 J/(kg K); the standard atmosphere fills what is not "
    "logged. "
    f"rough_air = sqrt of the covariance of successive {1 / ROUGH_RATE_HZ:g} s means of the climb rate's "
    f"change, less its {ROUGH_MEAN_S:g} s mean and what goes with the pitch rate, where the pilot does not "
    "fly by hand.",
    source="Kolmogorov constant: S. B. Pope, Turbulent Flows, Cambridge 2000, section 6.2 (C2 = 2.0). Scale "
    "of EDR: ICAO Annex 3 (from memory). Atmosphere: ISO 2533:1975. Wind triangle: common practice, no "
    "source.",
    cannot_tell="The mean wind that the flight met, not its change with height or time: slow gusts leave a "
    "few tenths of a m/s in the mean of some minutes. A temperature sensor "
    "in a warm hull reads 20 to 40 degrees high, and the density then 7 to 12 % low, on every flight alike. "
    "Below an EDR of about 0.04 the noise of position and airspeed shows; below 3.5 Hz gust strength is not "
    "told. A strong pitching fault leaks a little into rough air.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Conditions of one flight; see `SPEC`."""
    windows = [
        (max(start, flight.start_s + EDGE_S), min(end, flight.end_s - EDGE_S))
        for start, end in joined(flight, lambda segment: segment.phase != "ground")
    ]
    level = joined(flight, lambda segment: segment.phase in LEVEL)
    said = list(_air(flight, windows, level))
    wind = _whole_wind(flight, windows, level)
    if isinstance(wind, WindFit):
        said += [
            Observation("wind_mps", CONTEXT, wind.speed_mps, wind.speed_error_mps, wind.seconds),
            Observation("wind_from_deg", CONTEXT, wind.from_deg, wind.from_error_deg, wind.seconds),
        ]
    said += _gusts(flight, level, wind if isinstance(wind, WindFit) else None)
    said += _rough(flight)
    return said or NotMeasured(Reason.UNDEFINED, "no channel was live for long enough")


def fit_wind(flight: Flight) -> WindFit | str:
    """Wind of a flight's level stretches by the triangle, with the airspeed sensor where it lives.

    Else why there is none.
    """
    return flight.kept.get("level wind", lambda: _level_wind(flight))


def _level_wind(flight: Flight) -> WindFit | str:
    grid = FlightGrid.of(flight, WIND_RATE_HZ)
    return _solved(grid, grid.inside(joined(flight, lambda segment: segment.phase in LEVEL)))


def _solved(grid: FlightGrid, wanted: BoolArray) -> WindFit | str:
    north, east = _ground(grid, wanted)
    return solve_wind(north, east, _level_air(grid) if live_airspeed(grid.flight) else None, grid.step_s)


def _ground(grid: FlightGrid, wanted: BoolArray) -> tuple[FloatArray, FloatArray]:
    north, east = ground_velocity(grid)
    return np.where(wanted, north, np.nan), east


def _level_air(grid: FlightGrid) -> FloatArray:
    air = true_airspeed(grid.get("airspeed_mps"), air_density(grid, standard_day=True))
    return _horizontal(air, grid)


def _whole_wind(flight: Flight, windows: list[Window], level: list[Window]) -> WindFit | str:
    """Wind of a flight from all that was flown high enough, climbs and the pilot's part too.

    Gusts of several hundred metres pass in tens of seconds: what they leave in a mean falls only with the
    time it is taken over. `fit_wind` is for figures of the level stretches, which want the wind met there.
    """
    if not live_airspeed(flight):
        return fit_wind(flight)  # which takes the airspeed to be steady, as it is in no climb
    grid = FlightGrid.of(flight, WIND_RATE_HZ)
    north, east = _ground(grid, grid.inside(level) | (grid.inside(windows) & _high(grid)))
    air = _level_air(grid)
    fit = solve_wind(north, east, air, grid.step_s)
    return fit if isinstance(fit, str) else with_heading(fit, north, east, air, grid.get("heading_deg"))


def _high(grid: FlightGrid) -> BoolArray:
    """Where the aeroplane is more than `HIGH_SHARE` of the way from its lowest to its usual altitude."""
    slow = FlightGrid.of(grid.flight, SLOW_RATE_HZ)
    altitude = _altitude(slow)
    known = np.isfinite(altitude)
    if not known.any():
        return np.zeros(grid.time_s.shape, dtype=bool)
    lowest, usual = float(altitude[known].min()), float(np.median(altitude[known]))
    now = np.interp(grid.time_s, slow.time_s[known], altitude[known])
    return np.asarray(now > lowest + HIGH_SHARE * (usual - lowest))


def _horizontal(air_mps: FloatArray, grid: FlightGrid) -> FloatArray:
    """The level part of the air velocity, by the climb rate."""
    climb = np.nan_to_num(grid.get("climb_mps"))
    return np.sqrt(np.maximum(air_mps**2 - climb**2, 0.0))


def ground_velocity(grid: FlightGrid) -> tuple[FloatArray, FloatArray]:
    """North and east ground velocity from the best source there is; all NaN without any."""
    north, east = grid.get("velocity_north_mps"), grid.get("velocity_east_mps")
    if np.isfinite(north).any() and np.isfinite(east).any():
        return north, east
    for speed_name, course_name in (
        ("groundspeed_mps", "course_deg"),
        ("satellite_speed_mps", "satellite_course_deg"),
    ):
        speed, course = grid.get(speed_name), np.radians(grid.get(course_name))
        if np.isfinite(speed + course).any():
            return speed * np.cos(course), speed * np.sin(course)
    return north, east


def air_density(grid: FlightGrid, *, standard_day: bool = False) -> FloatArray:
    """Density on the grid, kg/m3; the standard atmosphere at sea level where nothing is known.

    With `standard_day` the logged temperature is left out. Most sensors sit in a warm hull: how their
    reading changes from flight to flight is worth having, but its level makes an absolute figure (the
    scale of the airspeed) wrong by up to 5 %, a hot or cold day only by 2 %.
    """
    slow = FlightGrid.of(grid.flight, SLOW_RATE_HZ)
    dense = grid.flight.kept.get(("density", standard_day), lambda: _slow_density(slow, standard_day))
    return np.interp(grid.time_s, slow.time_s, dense)


def _slow_density(slow: FlightGrid, standard_day: bool) -> FloatArray:
    altitude = _altitude(slow)
    altitude = _filled(slow.time_s, altitude, np.zeros(altitude.shape))
    pressure = 100.0 * slow.get("static_pressure_hpa")
    pressure = _filled(
        slow.time_s, np.where(pressure > LEAST_PRESSURE_PA, pressure, np.nan), standard_pressure_pa(altitude)
    )
    standard = standard_temperature_k(altitude)
    sensed = slow.get("air_temperature_c") + ZERO_C_K
    kelvin = standard if standard_day else _filled(slow.time_s, sensed, standard)
    kelvin = np.clip(kelvin, COLDEST_K, HOTTEST_K)
    return density_kgpm3(pressure, kelvin)


def _altitude(grid: FlightGrid) -> FloatArray:
    """Altitude above sea level from the best source there is; all NaN without any."""
    altitude = grid.get("altitude_m")
    return altitude if np.isfinite(altitude).any() else grid.get("satellite_altitude_m")


def _filled(time_s: FloatArray, value: FloatArray, otherwise: FloatArray) -> FloatArray:
    """Unknown samples joined from the known ones; `otherwise` where none is known."""
    known = np.isfinite(value)
    return np.interp(time_s, time_s[known], value[known]) if known.any() else otherwise


def _air(flight: Flight, windows: list[Window], level: list[Window]) -> Iterator[Observation]:
    grid = FlightGrid.of(flight, 1.0)
    known = any(flight.has(name) for name in ("static_pressure_hpa", "altitude_m", "satellite_altitude_m"))
    if known:
        yield from _mean(grid, "air_density_kgpm3", air_density(grid), windows)
    yield from _mean(grid, "air_temperature_c", grid.get("air_temperature_c"), windows)
    if live_airspeed(flight):
        yield from _mean(grid, "airspeed_mps", grid.get("airspeed_mps"), level)


def _mean(grid: FlightGrid, metric: str, value: FloatArray, windows: list[Window]) -> Iterator[Observation]:
    pieces = grid.pieces(value, windows, 2.0)
    seconds = sum(piece.size for piece in pieces) * grid.step_s
    if seconds >= MIN_SECONDS:
        found = mean_of(pieces)
        yield Observation(metric, CONTEXT, found.value, found.error, seconds)


def _gusts(flight: Flight, windows: list[Window], wind: WindFit | None) -> list[Observation]:
    if not live_airspeed(flight) or flight.channel("airspeed_mps").rate_hz < LOWEST_RATE_HZ:
        return []
    # Resampling a 4 Hz sensor to another rate would smooth away the very differences that are measured.
    rate_hz = min(GUST_RATE_HZ, flight.channel("airspeed_mps").rate_hz)
    grid = FlightGrid.of(flight, rate_hz)
    air = _horizontal(true_airspeed(grid.get("airspeed_mps", average=False), air_density(grid)), grid)
    pieces = grid.pieces(air - _inertial(grid, wind), windows, 4.0)
    found = edr_of(pieces, grid.step_s, float(np.nanmedian(air)))
    if found is None:
        return []
    seconds = sum(piece.size for piece in pieces) * grid.step_s
    return [Observation("gust_edr", CONTEXT, found.value, found.error, seconds)]


def _inertial(grid: FlightGrid, wind: WindFit | None) -> FloatArray:
    """Speed along the nose relative to the mean air: what the aeroplane itself does to its airspeed."""
    heading = np.radians(grid.get("heading_deg"))
    north, east = ground_velocity(grid)
    along = (north - (wind.north_mps if wind else 0.0)) * np.cos(heading) + (
        east - (wind.east_mps if wind else 0.0)
    ) * np.sin(heading)
    slow = (
        grid.flight.has("velocity_north_mps")
        and grid.flight.channel("velocity_north_mps").rate_hz < LOWEST_RATE_HZ
    )
    if slow or not np.isfinite(along).any():
        # Positions once a second cannot follow; the aeroplane's own changes of speed then count as gusts.
        return np.zeros(grid.time_s.shape)
    return along


def _rough(flight: Flight) -> list[Observation]:
    if not flight.has("climb_mps") or flight.channel("climb_mps").rate_hz < 0.95 * ROUGH_RATE_HZ:
        return []
    # The estimated climb rate, not the accelerometer: a slow log's single samples of the latter are
    # vibration folded back. A pilot's stirring is no gust.
    windows = joined(flight, lambda one: one.phase in LEVEL and one.mode not in PILOT_FLOWN_MODES)
    grid = FlightGrid.of(flight, ROUGH_RATE_HZ)
    if grid.time_s.size < 3:
        return []
    felt = np.gradient(grid.get("climb_mps"), grid.step_s)
    pitching = np.where(np.isfinite(felt), np.nan_to_num(grid.get("pitch_rate_dps")), np.nan)
    accel = grid.pieces(felt, windows, ROUGH_PIECE_S)
    rates = grid.pieces(pitching, windows, ROUGH_PIECE_S)
    seconds = sum(piece.size for piece in accel) * grid.step_s
    found = roughness_of(accel, rates, round(ROUGH_MEAN_S * ROUGH_RATE_HZ))
    if found is None or seconds < MIN_SECONDS:
        return []
    return [Observation("rough_air_mps2", CONTEXT, found.value, found.error, seconds)]
