"""Power and energy of level flight, brought to one airspeed and density; resistance of the battery."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trimkeep.detectors.flight.conditions import air_density
from trimkeep.detectors.grid import FlightGrid, live_airspeed
from trimkeep.detectors.model import (
    DetectorSpec,
    Flight,
    Metric,
    NotMeasured,
    Observation,
    Reason,
    Window,
)
from trimkeep.detectors.numerics.air import G_MPS2, SEA_LEVEL_KGPM3, true_airspeed
from trimkeep.detectors.numerics.resample import running_mean
from trimkeep.detectors.numerics.stats import effective_samples, mean_of, pieces_of
from trimkeep.detectors.numerics.stretches import joined

RATE_HZ = 2.0
SETTLE_S = 5.0
MIN_PIECE_S = 5.0
MIN_SECONDS = 30.0
REFERENCE_MPS = 15.0
PARASITE_SHARE = 0.74
"""Share of drag that grows with speed squared at 1.3 times the speed of least drag: 1.3^4/(1 + 1.3^4)."""
SPEED_POWER = 3.0 * PARASITE_SHARE - (1.0 - PARASITE_SHARE)
DENSITY_POWER = PARASITE_SHARE - (1.0 - PARASITE_SHARE)
CLIMB_EFFICIENCY = 0.5
"""Battery to climb, through speed controller, motor and propeller of small aeroplanes."""
SLOW_S = 20.0
"""The battery's own voltage falls over minutes and recovers over about this time."""
LEAST_SPREAD_A = 0.3
LEAST_SPREAD_SHARE = 0.02
LEAST_SIGNIFICANCE = 4.0

SPEC = DetectorSpec(
    id="energy",
    version=1,
    title="Power, energy and battery",
    family="energy",
    metrics=(
        Metric(
            "cruise_power_w",
            "Electrical power of level flight",
            "W",
            "none",
            10.0,
            "as flown, at whatever airspeed: for context; the corrected figures are judged",
        ),
        Metric(
            "cruise_power_corrected_w",
            "Electrical power of level flight, brought to 15 m/s and sea-level density",
            "W",
            "lower",
            8.0,
            "about 5 % of the cruise of a 3 kg aeroplane: three minutes of an hour's endurance",
        ),
        Metric(
            "energy_per_air_km_wh",
            "Energy per kilometre through the air, brought to 15 m/s and sea-level density",
            "Wh/km",
            "lower",
            0.15,
            "about 5 % of a usual 3 Wh/km",
        ),
        Metric(
            "battery_resistance_mohm",
            "Internal resistance of the battery with its wiring",
            "mohm",
            "lower",
            5.0,
            "at 30 A this is 0.15 V, a tenth of the margin between a full and an empty cell stack",
        ),
        Metric(
            "battery_sag_v",
            "Voltage lost at the current not exceeded 95 % of the time",
            "V",
            "lower",
            0.3,
            "brings the landing forward by about 5 % of a usual discharge",
        ),
    ),
    needs=frozenset({"battery_voltage_v", "battery_current_a"}),
    uses=frozenset({"airspeed_mps", "altitude_m", "climb_mps", "static_pressure_hpa", "air_temperature_c"}),
    min_rate_hz=0.4,
    min_seconds=MIN_SECONDS,
    evidence=("battery_voltage_v", "battery_current_a", "airspeed_mps", "throttle_cmd"),
    measures="Voltage times current in level flight after settling (context level); the same brought to one "
    "airspeed and density, less the power of climbing where the card gives the mass; per kilometre of air; "
    "and the slope of voltage over current steps (context flight).",
    formula=f"P = mean(V I) - m g climb / {CLIMB_EFFICIENCY:g}. P0 = P (15/V)^n (1.225/rho)^k with n = "
    f"{SPEED_POWER:.2f}, "
    f"k = {DENSITY_POWER:.2f} (drag {PARASITE_SHARE:.0%} parasitic, the rest induced). E0 = P0 / 15 m/s. "
    f"R = -slope of "
    f"voltage over current, both less their {SLOW_S:g} s running mean.",
    source="Power required, parasite ~ rho V^3 and induced ~ 1/(rho V): J. D. Anderson, Introduction to "
    "Flight, "
    "ch. 6 (from memory). Share of the two: common practice, no source.",
    cannot_tell="The exponents hold near cruise; far slower flight costs more than they say. A current "
    "sensor "
    "whose scale is off shifts power and resistance alike. Temperature moves the resistance of a battery by "
    "about 1 % a degree.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Energy figures of one flight; see `SPEC`."""
    grid = FlightGrid.of(flight, RATE_HZ)
    said = [*_power(grid), *_battery(grid)]
    if said:
        return said
    current = grid.get("battery_current_a", 4.0)
    if np.nanmax(np.abs(current), initial=0.0) == 0.0:
        return NotMeasured(Reason.UNDEFINED, "the battery current reads zero or is never known")
    return NotMeasured(Reason.TOO_SHORT, f"no {MIN_SECONDS:g} s of level flight, and no current steps")


def _power(grid: FlightGrid) -> Iterator[Observation]:
    voltage, current = grid.get("battery_voltage_v", 4.0), grid.get("battery_current_a", 4.0)
    windows = [
        (start + SETTLE_S, end)
        for start, end in joined(grid.flight, lambda one: one.phase == "level")
        if end - start > SETTLE_S + MIN_PIECE_S
    ]
    power = voltage * current
    drawn = grid.pieces(power, windows, MIN_PIECE_S)
    seconds = sum(piece.size for piece in drawn) * grid.step_s
    if seconds < MIN_SECONDS or not np.any(np.concatenate(drawn) > 0.0):
        return
    found = mean_of(drawn)
    yield Observation("cruise_power_w", "level", found.value, found.error, seconds, tuple(windows))
    yield from _corrected(grid, power, windows)


def _corrected(grid: FlightGrid, power: np.ndarray, windows: list[Window]) -> Iterator[Observation]:
    if not live_airspeed(grid.flight):
        return
    density = air_density(grid)
    speed = true_airspeed(grid.get("airspeed_mps"), density)
    mass = grid.flight.card.mass_kg
    if mass is not None and grid.flight.has("climb_mps"):
        power = power - mass * G_MPS2 * grid.get("climb_mps") / CLIMB_EFFICIENCY
    # Means first: the throttle answers a gust seconds later, so that sample by sample nothing fits.
    known = np.isfinite(power + speed + density)
    pieces = {
        name: grid.pieces(np.where(known, value, np.nan), windows, MIN_PIECE_S)
        for name, value in (("power", power), ("speed", speed), ("density", density))
    }
    seconds = sum(piece.size for piece in pieces["power"]) * grid.step_s
    if seconds < MIN_SECONDS:
        return
    drawn, fast, dense = (mean_of(pieces[name]) for name in ("power", "speed", "density"))
    if drawn.value <= 0.0 or fast.value <= 0.0:
        return
    factor = (REFERENCE_MPS / fast.value) ** SPEED_POWER * (SEA_LEVEL_KGPM3 / dense.value) ** DENSITY_POWER
    error = None
    if drawn.error is not None and fast.error is not None:
        error = factor * float(np.hypot(drawn.error, SPEED_POWER * drawn.value * fast.error / fast.value))
    shown = tuple(windows)
    yield Observation("cruise_power_corrected_w", "level", factor * drawn.value, error, seconds, shown)
    per_km = 1000.0 / 3600.0 / REFERENCE_MPS
    yield Observation(
        "energy_per_air_km_wh",
        "level",
        factor * drawn.value * per_km,
        None if error is None else error * per_km,
        seconds,
        shown,
    )


def _battery(grid: FlightGrid) -> Iterator[Observation]:
    voltage, current = grid.get("battery_voltage_v", 4.0), grid.get("battery_current_a", 4.0)
    known = np.isfinite(voltage) & np.isfinite(current)
    seconds = float(known.sum() * grid.step_s)
    if seconds < MIN_SECONDS:
        return
    width = round(SLOW_S / grid.step_s)
    volts = np.where(known, voltage - running_mean(np.where(known, voltage, np.nan), width), np.nan)
    amps = np.where(known, current - running_mean(np.where(known, current, np.nan), width), np.nan)
    moved, sagged = amps[known], volts[known]
    spread = float(moved.std())
    if spread < max(LEAST_SPREAD_A, LEAST_SPREAD_SHARE * abs(float(np.nanmean(current)))):
        return
    slope = float(moved @ sagged) / float(moved @ moved)
    rest = pieces_of(np.where(known, (volts - slope * amps) * amps, np.nan))
    scores = np.concatenate(rest) if rest else np.zeros(0)
    if scores.size < 2:
        return
    memory = scores.size / effective_samples(rest)
    error = float(np.sqrt(scores.var() * scores.size * memory)) / float(moved @ moved)
    if -slope <= LEAST_SIGNIFICANCE * error:
        return
    yield Observation("battery_resistance_mohm", "flight", -1000.0 * slope, 1000.0 * error, seconds)
    high = float(np.quantile(current[known], 0.95))
    yield Observation("battery_sag_v", "flight", -slope * high, error * abs(high), seconds)
