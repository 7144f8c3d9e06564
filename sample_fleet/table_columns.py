"""Columns of the sample fleet's tables: the project's channel names, and another program's headers.

The names and units are typed here from the fleet folder's contract, not taken from the program that
reads them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    signal : str
        Key of `Flown.signals`.
    decimals : int
        Digits after the point that are written.
    rate_hz : float or None
        Cells are empty between samples of this rate; None: every row is filled.
    """

    signal: str
    decimals: int = 3
    rate_hz: float | None = None


SATELLITE_HZ, SLOW_HZ = 5.0, 5.0

COLUMNS: Mapping[str, Column] = {
    "bank_deg": Column("bank"),
    "pitch_deg": Column("pitch"),
    "heading_deg": Column("heading"),
    "roll_rate_dps": Column("p"),
    "pitch_rate_dps": Column("q"),
    "yaw_rate_dps": Column("r"),
    "bank_target_deg": Column("bank_want"),
    "pitch_target_deg": Column("pitch_want"),
    "heading_target_deg": Column("heading_want", rate_hz=SLOW_HZ),
    "roll_rate_target_dps": Column("p_want"),
    "pitch_rate_target_dps": Column("q_want"),
    "latitude_deg": Column("lat", 7, SATELLITE_HZ),
    "longitude_deg": Column("lon", 7, SATELLITE_HZ),
    "altitude_m": Column("alt"),
    "height_m": Column("height"),
    "altitude_target_m": Column("alt_want"),
    "velocity_north_mps": Column("vn"),
    "velocity_east_mps": Column("ve"),
    "climb_mps": Column("climb"),
    "airspeed_mps": Column("cas"),
    "airspeed_target_mps": Column("cas_want"),
    "cross_track_m": Column("xtrack", 2, SLOW_HZ),
    "waypoint_distance_m": Column("leg_left", 1, SLOW_HZ),
    "elevator_cmd": Column("elevator", 4),
    "aileron_cmd": Column("aileron", 4),
    "rudder_cmd": Column("rudder", 4),
    "throttle_cmd": Column("throttle", 4),
    "stick_pitch": Column("stick_pitch", 3, SLOW_HZ),
    "stick_roll": Column("stick_roll", 3, SLOW_HZ),
    "stick_throttle": Column("stick_throttle", 3, SLOW_HZ),
    "pitch_integrator": Column("pitch_int", 4, SLOW_HZ),
    "roll_integrator": Column("roll_int", 4, SLOW_HZ),
    "accel_x_mps2": Column("ax"),
    "accel_y_mps2": Column("ay"),
    "accel_z_mps2": Column("az"),
    "vibration_x_mps2": Column("vib_x", 3, SLOW_HZ),
    "vibration_y_mps2": Column("vib_y", 3, SLOW_HZ),
    "vibration_z_mps2": Column("vib_z", 3, SLOW_HZ),
    "satellites": Column("sat_count", 0, SATELLITE_HZ),
    "satellite_fix": Column("sat_fix", 0, SATELLITE_HZ),
    "satellite_hdop": Column("sat_hdop", 2, SATELLITE_HZ),
    "satellite_speed_mps": Column("sat_speed", 2, SATELLITE_HZ),
    "satellite_course_deg": Column("sat_course", 2, SATELLITE_HZ),
    "static_pressure_hpa": Column("pressure", 3, SLOW_HZ),
    "air_temperature_c": Column("temperature", 1, SLOW_HZ),
    "battery_voltage_v": Column("volt", 3, SLOW_HZ),
    "battery_current_a": Column("amp", 3, SLOW_HZ),
    "battery_used_ah": Column("amp_hours", 4, SLOW_HZ),
    "motor_1_rpm": Column("rpm_1", 0, SLOW_HZ),
    "motor_2_rpm": Column("rpm_2", 0, SLOW_HZ),
    "armed": Column("armed", 0),
    "landed_state": Column("landed", 0),
    "mode_number": Column("mode", 0),
}


@dataclass(frozen=True, slots=True)
class ForeignColumn:
    """How another program writes a channel.

    Parameters
    ----------
    header : str
        Its column header.
    unit : str or None
        Unit of the column as `channels.toml` names it; None: the channel's own.
    per_unit : float
        Column value = channel value * `per_unit` * `sign` / `scale`.
    scale : float
        Factor that `channels.toml` must name on top of the unit.
    sign : int
        -1 where the other program counts the other way.
    """

    header: str
    unit: str | None = None
    per_unit: float = 1.0
    scale: float = 1.0
    sign: int = 1


_RADIANS = np.pi / 180.0
_FEET = 1.0 / 0.3048
_KNOTS = 3600.0 / 1852.0

FOREIGN: Mapping[str, ForeignColumn] = {
    "bank_deg": ForeignColumn("Bank angle [rad]", "rad", _RADIANS),
    "pitch_deg": ForeignColumn("Pitch angle [rad]", "rad", _RADIANS),
    "heading_deg": ForeignColumn("Heading"),
    "roll_rate_dps": ForeignColumn("p [rad/s]", "rad/s", _RADIANS),
    "pitch_rate_dps": ForeignColumn("q [rad/s]", "rad/s", _RADIANS),
    "yaw_rate_dps": ForeignColumn("r [rad/s]", "rad/s", _RADIANS),
    "bank_target_deg": ForeignColumn("Bank wanted [rad]", "rad", _RADIANS),
    "pitch_target_deg": ForeignColumn("Pitch wanted [rad]", "rad", _RADIANS),
    "pitch_rate_target_dps": ForeignColumn("q wanted [rad/s]", "rad/s", _RADIANS),
    "latitude_deg": ForeignColumn("Lat"),
    "longitude_deg": ForeignColumn("Lon"),
    "altitude_m": ForeignColumn("Altitude [ft]", "ft", _FEET),
    "altitude_target_m": ForeignColumn("Altitude wanted [ft]", "ft", _FEET),
    "velocity_north_mps": ForeignColumn("V north [kt]", "kt", _KNOTS),
    "velocity_east_mps": ForeignColumn("V east [kt]", "kt", _KNOTS),
    # this program counts a sink rate
    "climb_mps": ForeignColumn("Sink [m/s]", sign=-1),
    "airspeed_mps": ForeignColumn("Airspeed [kt]", "kt", _KNOTS),
    "airspeed_target_mps": ForeignColumn("Airspeed wanted [kt]", "kt", _KNOTS),
    "cross_track_m": ForeignColumn("Off line"),
    # per cent of travel, and nose down positive
    "elevator_cmd": ForeignColumn("Elevator %", scale=0.01, sign=-1),
    "aileron_cmd": ForeignColumn("Aileron %", scale=0.01),
    "rudder_cmd": ForeignColumn("Rudder %", scale=0.01),
    "throttle_cmd": ForeignColumn("Throttle %", scale=0.01),
    "pitch_integrator": ForeignColumn("Pitch sum"),
    "roll_integrator": ForeignColumn("Roll sum"),
    "accel_x_mps2": ForeignColumn("ax"),
    "accel_y_mps2": ForeignColumn("ay"),
    "accel_z_mps2": ForeignColumn("az"),
    "vibration_z_mps2": ForeignColumn("Shake"),
    "satellite_fix": ForeignColumn("Fix"),
    "satellites": ForeignColumn("Sats"),
    "static_pressure_hpa": ForeignColumn("Static [hPa]"),
    "air_temperature_c": ForeignColumn("OAT"),
    "battery_voltage_v": ForeignColumn("Volts"),
    "battery_current_a": ForeignColumn("Amps"),
    "armed": ForeignColumn("Armed"),
    "landed_state": ForeignColumn("Gear state"),
    "mode_number": ForeignColumn("Mode"),
}
