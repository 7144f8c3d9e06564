"""Sensors, motors and battery in telemetry messages: units of the wire, signs of the body axes."""

from __future__ import annotations

import numpy as np

from trimkeep.sample_fleet.tlog_take import Columns, Floats, Take, degrees_1e7, plain

GRAVITY = 9.80665
SEA_LEVEL_DENSITY = 1.225  # kg/m3, standard atmosphere
ABSENT_16 = 65535
# accelerometer, gyro, both pressures, pressure altitude and temperature; there is no compass
UPDATED_FIELDS = 0b1_1110_0011_1111


def gps_raw_int(take: Take) -> Columns:
    """The satellite receiver's own solution: mm, cm/s, centidegrees."""
    return {
        "time_usec": take.clock_us,
        "lat": degrees_1e7(take["sat_lat"]),
        "lon": degrees_1e7(take["sat_lon"]),
        "alt": take["sat_alt"] * 1e3,
        "eph": take["sat_hdop"] * 1e2,
        "epv": take["sat_hdop"] * 1.6e2,
        "vel": take["sat_speed"] * 1e2,
        "cog": np.mod(take["sat_course"], 360.0) * 1e2,
        "fix_type": np.rint(take["sat_fix"]),
        "satellites_visible": np.rint(take["sat_count"]),
    }


def _dynamic_pressure_hpa(take: Take) -> Floats:
    return 0.5 * SEA_LEVEL_DENSITY * take.shown_airspeed() ** 2 / 100.0


def highres_imu(take: Take) -> Columns:
    """Inertial sensors in SI units."""
    return {
        "time_usec": take.clock_us,
        "xacc": take["ax"],
        "yacc": take["ay"],
        "zacc": take["az"],
        "xgyro": take.radians("p"),
        "ygyro": take.radians("q"),
        "zgyro": take.radians("r"),
        "abs_pressure": take["pressure"],
        "diff_pressure": _dynamic_pressure_hpa(take),
        "pressure_alt": take["alt"],
        "temperature": take["temperature"] + take.style.board_heat_c,
        "fields_updated": UPDATED_FIELDS,
    }


def raw_imu(take: Take) -> Columns:
    """Inertial sensors in thousandths of gravity and of a radian per second, as real logs hold them."""
    milli_g = 1e3 / GRAVITY
    return {
        "time_usec": take.clock_us,
        "xacc": take["ax"] * milli_g,
        "yacc": take["ay"] * milli_g,
        "zacc": take["az"] * milli_g,
        "xgyro": take.radians("p") * 1e3,
        "ygyro": take.radians("q") * 1e3,
        "zgyro": take.radians("r") * 1e3,
    }


def scaled_pressure(take: Take) -> Columns:
    """Static and dynamic pressure; the temperature is the board's, warmer than the air."""
    return {
        "time_boot_ms": take.boot_ms,
        "press_abs": take["pressure"],
        "press_diff": _dynamic_pressure_hpa(take),
        "temperature": (take["temperature"] + take.style.board_heat_c) * 1e2,
    }


def vibration(take: Take) -> Columns:
    """Vibration levels, m/s2."""
    return {
        "time_usec": take.clock_us,
        "vibration_x": take["vib_x"],
        "vibration_y": take["vib_y"],
        "vibration_z": take["vib_z"],
    }


def battery_status(take: Take) -> Columns:
    """Cell voltages, current and charge drawn."""
    cells = np.full((take.rows.size, 10), float(ABSENT_16))
    cells[:, : take.identity.cells] = take["volt"][:, np.newaxis] * 1e3 / take.identity.cells
    return {
        "current_consumed": take["amp_hours"] * 1e3,
        "energy_consumed": -1,
        "temperature": 32767,
        "voltages": cells,
        "current_battery": take["amp"] * 1e2,
        "battery_remaining": -1,
    }


def esc_status(take: Take) -> Columns:
    """Shaft speeds, one column per motor."""
    speeds = np.zeros((take.rows.size, 4))
    for motor in range(take.identity.motors):
        speeds[:, motor] = plain(take[f"rpm_{motor + 1}"])
    return {"time_usec": take.clock_us, "rpm": speeds}
