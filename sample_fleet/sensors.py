"""What the sensors make of the flight: noise that goes into the loops, and what is only logged.

Sizes are those of small, cheap sensors (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.world import Weather, first_order_noise

Series = NDArray[np.float64]
EARTH_M = 6_378_137.0
FLATTENING_E2 = 6.69437999014e-3
SATELLITE_HZ = 5.0
SATELLITE_LATE_S = 0.15


@dataclass(frozen=True, slots=True)
class LoopNoise:
    """Noise the autopilot flies with; angles rad, shape (n,) each."""

    p: Series
    q: Series
    r: Series
    bank: Series
    pitch: Series
    heading: Series
    height_m: Series
    climb_mps: Series
    cas_mps: Series


def loop_noise(rng: np.random.Generator, n: int, dt_s: float) -> LoopNoise:
    """Gyro white noise and bias, slow attitude wander, barometer wander, pitot noise."""

    def gyro() -> Series:
        return np.radians(0.25 * rng.standard_normal(n) + 0.05 * rng.standard_normal())

    def attitude(sigma_deg: float) -> Series:
        slow = first_order_noise(rng, n, sigma_deg, 20.0, dt_s)
        return np.radians(slow + 0.03 * rng.standard_normal(n))

    return LoopNoise(
        p=gyro(),
        q=gyro(),
        r=gyro(),
        bank=attitude(0.25),
        pitch=attitude(0.15),
        heading=attitude(0.8),
        height_m=first_order_noise(rng, n, 0.20, 40.0, dt_s) + first_order_noise(rng, n, 0.05, 0.3, dt_s),
        climb_mps=first_order_noise(rng, n, 0.05, 0.5, dt_s),
        cas_mps=first_order_noise(rng, n, 0.15, 0.2, dt_s),
    )


def metres_per_degree(lat_deg: float) -> tuple[float, float]:
    """Metres of one degree of latitude and of longitude on the WGS 84 ellipsoid."""
    sine2 = np.sin(np.radians(lat_deg)) ** 2
    root = 1.0 - FLATTENING_E2 * sine2
    north = EARTH_M * (1.0 - FLATTENING_E2) / root**1.5
    east = EARTH_M / np.sqrt(root) * np.cos(np.radians(lat_deg))
    return float(np.radians(north)), float(np.radians(east))


def satellite(
    rng: np.random.Generator,
    t_s: Series,
    north_m: Series,
    east_m: Series,
    alt_m: Series,
    vn_mps: Series,
    ve_mps: Series,
    home: tuple[float, float],
) -> dict[str, Series]:
    """Receiver's fixes at 5 Hz, a little late, each held until the next."""
    fix_t = np.arange(t_s[0], t_s[-1], 1.0 / SATELLITE_HZ)
    seen_t = fix_t - SATELLITE_LATE_S
    n, dt = fix_t.size, 1.0 / SATELLITE_HZ
    per_north, per_east = metres_per_degree(home[0])
    north = np.interp(seen_t, t_s, north_m) + first_order_noise(rng, n, 0.7, 60.0, dt)
    east = np.interp(seen_t, t_s, east_m) + first_order_noise(rng, n, 0.7, 60.0, dt)
    alt = np.interp(seen_t, t_s, alt_m) + first_order_noise(rng, n, 1.5, 60.0, dt)
    vn = np.interp(seen_t, t_s, vn_mps) + 0.06 * rng.standard_normal(n)
    ve = np.interp(seen_t, t_s, ve_mps) + 0.06 * rng.standard_normal(n)
    count = np.round(np.clip(15.0 + first_order_noise(rng, n, 1.2, 40.0, dt), 9.0, 20.0))
    held = np.clip(np.searchsorted(fix_t, t_s + 1e-9, side="right") - 1, 0, n - 1)
    fixes = {
        "sat_lat": home[0] + north / per_north,
        "sat_lon": home[1] + east / per_east,
        "sat_alt": alt,
        "sat_speed": np.hypot(vn, ve),
        "sat_course": np.degrees(np.arctan2(ve, vn)) % 360.0,
        "sat_count": count,
        "sat_hdop": np.round(0.55 + 3.0 / count, 2),
        "sat_fix": np.full(n, 3.0),
    }
    return {name: values[held] for name, values in fixes.items()}


def vibration(
    rng: np.random.Generator, rpm: Series, cruise_rpm: float, imbalance_mps2: float
) -> dict[str, Series]:
    """Vibration levels per axis: a clean drive's and an unbalanced propeller's, both with rpm squared."""
    square = (rpm / cruise_rpm) ** 2
    levels = {}
    for axis, clean, share in (("x", 0.8, 0.5), ("y", 1.0, 0.8), ("z", 1.4, 1.0)):
        level = np.hypot(clean * square, share * imbalance_mps2 * square) + 0.15
        levels[f"vib_{axis}"] = level * np.exp(0.12 * rng.standard_normal(rpm.size))
    return levels


def static_pressure_hpa(weather: Weather, height_m: Series) -> Series:
    """Pressure at a height above the field, standard lapse rate."""
    kelvin = weather.temperature_c + 273.15
    return np.asarray(weather.pressure_hpa * (1.0 - 0.0065 * height_m / kelvin) ** 5.25588)
