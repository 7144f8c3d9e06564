"""Power and energy of cruising flight, brought to one airspeed and density; resistance of the battery."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trimkeep.config.channels import PILOT_FLOWN_MODES
from trimkeep.detectors.flight.conditions import air_density
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
from trimkeep.detectors.numerics.air import G_MPS2, SEA_LEVEL_KGPM3, true_airspeed
from trimkeep.detectors.numerics.resample import running_mean
from trimkeep.detectors.numerics.runs import BoolArray
from trimkeep.detectors.numerics.stats import Estimate, effective_samples, mean_of, pieces_of
from trimkeep.detectors.numerics.stretches import joined

RATE_HZ = 2.0
SETTLE_S = 3.0
MIN_PIECE_S = 3.0
MIN_SECONDS = 20.0
STEEPEST_DEG = 45.0
"""In steeper turns the aeroplane slips, and the simple law of the load factor no longer holds."""
REFERENCE_MPS = 15.0
PARASITE_SHARE = 0.74
"""Share of drag that grows with speed squared at 1.3 times the speed of least drag: 1.3^4/(1 + 1.3^4)."""
SPEED_POWER = 3.0 * PARASITE_SHARE - (1.0 - PARASITE_SHARE)
DENSITY_POWER = PARASITE_SHARE - (1.0 - PARASITE_SHARE)
CLIMB_EFFICIENCY = 0.5
"""Battery to climb, through speed controller, motor and propeller of small aeroplanes."""
LIFTING_DEG = 4.0
"""Angle of attack above that of no lift at the usual speed: a lift coefficient of 0.35 over 5 per radian, the
slope of a wing eight chords long (common practice, no source)."""
MOST = 0.9
"""Of the samples with airspeed: where the nose is known for fewer, nothing is said by it."""
EDGE_S = 5.0
"""At either end of the flight, where the nose is thrown or flared."""
SLOW_S = 20.0
"""The battery's own voltage falls over minutes and recovers over about this time."""
LEAST_SPREAD_A = 0.3
LEAST_SPREAD_SHARE = 0.02
LEAST_SIGNIFICANCE = 4.0

SPEC = DetectorSpec(
    id="energy",
    version=2,
    title="Power, energy and battery",
    family="energy",
    metrics=(
        Metric(
            "cruise_power_w",
            "Electrical power of cruise",
            "W",
            "none",
            10.0,
            "as flown, at whatever airspeed: for context; the corrected figures are judged",
        ),
        Metric(
            "cruise_power_corrected_w",
            "Electrical power of cruise, brought to one airspeed and sea-level density",
            "W",
            "lower",
            8.0,
            "about 5 % of the cruise of a 3 kg aeroplane: three minutes of an hour's endurance",
        ),
        Metric(
            "energy_per_air_km_wh",
            "Energy per kilometre through the air, brought to one airspeed and sea-level density",
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
    uses=frozenset(
        {
            "bank_deg",
            "pitch_deg",
            "airspeed_mps",
            "altitude_m",
            "climb_mps",
            "static_pressure_hpa",
            "air_temperature_c",
        }
    ),
    min_rate_hz=0.4,
    min_seconds=MIN_SECONDS,
    evidence=("battery_voltage_v", "battery_current_a", "airspeed_mps", "throttle_cmd"),
    measures="Voltage times current in level and turning flight after settling, the pilot not flying by hand "
    "(context cruise); the same brought to one airspeed, density and load factor, less what went into height "
    "and speed where the card gives the mass, in air that sinks as in the whole flight; per kilometre of "
    "air; and the slope of voltage over current steps (context flight).",
    formula=f"P = mean(V I - m (g (climb + w) + V dV/dt) / {CLIMB_EFFICIENCY:g}), the air's sinking "
    f"w = V (sin(pitch) - {LIFTING_DEG:g} deg load (V median / V)^2) - climb, less its mean over the flight. "
    f"P0 = P (15/V)^n (1.225/rho)^k / ({PARASITE_SHARE:.2f} + {1 - PARASITE_SHARE:.2f} load^2), "
    f"n = {SPEED_POWER:.2f}, k = {DENSITY_POWER:.2f}, load = 1/cos(bank). E0 = P0 / 15 m/s. "
    f"R = -slope of voltage over current, both less their {SLOW_S:g} s running mean.",
    source="Power required, parasite ~ rho V^3 and induced ~ 1/(rho V): J. D. Anderson, Introduction to "
    "Flight, "
    "ch. 6 (from memory). Share of the two: common practice, no source.",
    cannot_tell="Air that sank or rose all flight long costs or saves power as a fault would: four minutes "
    "in gusts of 0.5 m/s leave about 0.1 m/s, 2 to 7 W at 1.7 to 2.7 m span; the stated error holds it. The "
    "nose cannot tell: the level of its estimate shifts from day to day by more. The exponents hold near "
    "cruise; far slower flight costs more than they say. A current sensor "
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
    return NotMeasured(Reason.TOO_SHORT, f"no {MIN_SECONDS:g} s of cruise, and no current steps")


def _power(grid: FlightGrid) -> Iterator[Observation]:
    voltage, current = grid.get("battery_voltage_v", 4.0), grid.get("battery_current_a", 4.0)
    bank = np.nan_to_num(grid.get("bank_deg"))
    # A pilot's full-throttle figures are no cruise.
    windows = [
        (start + SETTLE_S, end)
        for start, end in joined(
            grid.flight, lambda one: one.phase in ("level", "turn") and one.mode not in PILOT_FLOWN_MODES
        )
        if end - start > SETTLE_S + MIN_PIECE_S
    ]
    power = np.where(np.abs(bank) < STEEPEST_DEG, voltage * current, np.nan)
    drawn = grid.pieces(power, windows, MIN_PIECE_S)
    seconds = sum(piece.size for piece in drawn) * grid.step_s
    if seconds < MIN_SECONDS or not np.any(np.concatenate(drawn) > 0.0):
        return
    found = mean_of(drawn)
    yield Observation("cruise_power_w", "cruise", found.value, found.error, seconds, tuple(windows))
    yield from _corrected(grid, power, bank, windows)


def _corrected(
    grid: FlightGrid, power: FloatArray, bank: FloatArray, windows: list[Window]
) -> Iterator[Observation]:
    if not live_airspeed(grid.flight):
        return
    density = air_density(grid)
    speed = true_airspeed(grid.get("airspeed_mps"), density)
    load = 1.0 / np.cos(np.radians(np.clip(bank, -STEEPEST_DEG, STEEPEST_DEG)))
    sinking = _sinking_w(grid, speed, load)
    power = power - _stored(grid, speed) - sinking
    # Means first: the throttle answers a gust seconds later, so that sample by sample nothing fits.
    used = grid.inside(windows) & np.isfinite(power + speed)
    seconds = float(used.sum() * grid.step_s)
    if seconds < MIN_SECONDS:
        return
    mean = _at_usual_sinking(grid, power, used, np.where(np.abs(bank) < STEEPEST_DEG, sinking, np.nan))
    speed_mean = mean_of(pieces_of(np.where(used, speed, np.nan), fewest=1))
    if mean.value <= 0.0 or speed_mean.value <= 0.0:
        return
    factor = (REFERENCE_MPS / speed_mean.value) ** SPEED_POWER
    factor *= (SEA_LEVEL_KGPM3 / float(density[used].mean())) ** DENSITY_POWER
    factor /= PARASITE_SHARE + (1.0 - PARASITE_SHARE) * float(np.mean(load[used] ** 2))
    error = None
    if mean.error is not None and speed_mean.error is not None:
        by_speed = SPEED_POWER * mean.value * speed_mean.error / speed_mean.value
        error = factor * float(np.hypot(mean.error, by_speed))
    per_km = 1000.0 / 3600.0 / REFERENCE_MPS
    for metric, unit in (("cruise_power_corrected_w", 1.0), ("energy_per_air_km_wh", per_km)):
        said = None if error is None else unit * error
        yield Observation(metric, "cruise", unit * factor * mean.value, said, seconds, tuple(windows))


def _at_usual_sinking(grid: FlightGrid, power: FloatArray, used: BoolArray, sinking: FloatArray) -> Estimate:
    """Mean power of the samples used, in air that sinks as in the whole flight instead of as in them.

    Parameters
    ----------
    grid : FlightGrid
    power : ndarray, shape (n,)
        Less `sinking`, W.
    used : ndarray of bool, shape (n,)
    sinking : ndarray, shape (n,)
        What the air's sinking costs, up to a constant, W; NaN where not known.

    Notes
    -----
    The error is that of one series which adds what each sample does to the figure: what is left of the
    power and the sinking that goes into both means are not independent.
    """
    aloft = joined(grid.flight, lambda one: one.phase != "ground")
    free = [
        (max(start, grid.flight.start_s + EDGE_S), min(end, grid.flight.end_s - EDGE_S))
        for start, end in aloft
    ]
    whole = used | (grid.inside(free) & np.isfinite(sinking))
    level, usual = float(power[used].mean()), float(sinking[whole].mean())
    share = float(whole.sum() / used.sum())
    told = np.where(whole, sinking - usual, np.nan) + np.where(used, share * (power - level), 0.0)
    return Estimate(level + usual, mean_of(pieces_of(told, fewest=1)).error)


def _sinking_w(grid: FlightGrid, speed: FloatArray, load: FloatArray) -> FloatArray:
    """Battery power that the sinking of the air costs, up to a constant; zero where it cannot be told.

    At a steady height the nose stands above the path by the angle of attack and by what the air sinks. The
    level of the attitude estimate shifts from day to day by more than the air does: that constant is not
    used.
    """
    flight = grid.flight
    mass, pitch = flight.card.mass_kg, grid.get("pitch_deg")
    if mass is None or np.isfinite(pitch + grid.get("climb_mps")).sum() < MOST * np.isfinite(speed).sum():
        return np.zeros(speed.shape)
    usual = float(np.nanmedian(speed))
    attack = LIFTING_DEG * load * (usual / np.maximum(speed, 0.5 * usual)) ** 2
    rising = speed * (np.sin(np.radians(pitch)) - np.radians(attack))
    return mass * G_MPS2 * (rising - grid.get("climb_mps")) / CLIMB_EFFICIENCY


def _stored(grid: FlightGrid, speed: FloatArray) -> FloatArray:
    """Battery power that goes into height and speed; zero where the card gives no mass."""
    mass = grid.flight.card.mass_kg
    if mass is None or not grid.flight.has("climb_mps") or speed.size < 2:
        return np.zeros(speed.shape)
    faster = np.gradient(running_mean(speed, round(2.0 / grid.step_s)), grid.step_s)
    return mass * (G_MPS2 * grid.get("climb_mps") + speed * faster) / CLIMB_EFFICIENCY


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
