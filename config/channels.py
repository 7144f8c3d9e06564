"""The catalogue of channels: every name the project uses for a logged quantity, with its unit.

Readers fill these channels, detectors ask for them by name, tables are written with them as
headers. Angles are degrees, everything else SI; the unit ends the name.

Sign conventions (aerospace body axes: x forward, y right, z down):
bank positive right wing down, pitch positive nose up, heading clockwise from true north 0..360,
body rates positive in the same sense; accelerations are what an accelerometer reads
(z is about -9.81 m/s2 in level flight); climb positive up; commands -1..1, positive elevator
pitches the nose up, positive aileron rolls right, positive rudder yaws right.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ChannelKind:
    """One entry of the catalogue.

    Parameters
    ----------
    name : str
        Channel name, unit last.
    unit : str
        Unit as printed; empty for a ratio or a code.
    meaning : str
        One clause for help texts.
    discrete : bool
        True for codes and flags: they hold until the next sample and are never interpolated.
    wraps : bool
        True for angles that jump at a full turn.
    """

    name: str
    unit: str
    meaning: str
    discrete: bool = False
    wraps: bool = False


def _catalogue() -> dict[str, ChannelKind]:
    kinds = (
        ChannelKind("bank_deg", "deg", "bank angle", wraps=True),
        ChannelKind("pitch_deg", "deg", "pitch attitude"),
        ChannelKind("heading_deg", "deg", "true heading of the nose", wraps=True),
        ChannelKind("roll_rate_dps", "deg/s", "body roll rate"),
        ChannelKind("pitch_rate_dps", "deg/s", "body pitch rate"),
        ChannelKind("yaw_rate_dps", "deg/s", "body yaw rate"),
        ChannelKind("bank_target_deg", "deg", "bank the autopilot asks for", wraps=True),
        ChannelKind("pitch_target_deg", "deg", "pitch the autopilot asks for"),
        ChannelKind("heading_target_deg", "deg", "heading or bearing asked for", wraps=True),
        ChannelKind("roll_rate_target_dps", "deg/s", "roll rate asked for"),
        ChannelKind("pitch_rate_target_dps", "deg/s", "pitch rate asked for"),
        ChannelKind("yaw_rate_target_dps", "deg/s", "yaw rate asked for"),
        ChannelKind("latitude_deg", "deg", "estimated latitude"),
        ChannelKind("longitude_deg", "deg", "estimated longitude", wraps=True),
        ChannelKind("altitude_m", "m", "altitude above mean sea level"),
        ChannelKind("height_m", "m", "height above the take-off place"),
        ChannelKind("altitude_target_m", "m", "altitude above mean sea level asked for"),
        ChannelKind("altitude_error_m", "m", "altitude asked for minus altitude, as the log states it"),
        ChannelKind("velocity_north_mps", "m/s", "ground velocity, north"),
        ChannelKind("velocity_east_mps", "m/s", "ground velocity, east"),
        ChannelKind("climb_mps", "m/s", "climb rate, up positive"),
        ChannelKind("groundspeed_mps", "m/s", "ground speed"),
        ChannelKind("course_deg", "deg", "direction of the track over ground", wraps=True),
        ChannelKind("airspeed_mps", "m/s", "calibrated airspeed"),
        ChannelKind("airspeed_target_mps", "m/s", "calibrated airspeed asked for"),
        ChannelKind("airspeed_error_mps", "m/s", "airspeed asked for minus airspeed, as the log states it"),
        ChannelKind("cross_track_m", "m", "distance from the line being followed, right positive"),
        ChannelKind("waypoint_distance_m", "m", "distance to the next waypoint"),
        ChannelKind("elevator_cmd", "", "elevator command, -1..1, nose up positive"),
        ChannelKind("aileron_cmd", "", "aileron command, -1..1, roll right positive"),
        ChannelKind("rudder_cmd", "", "rudder command, -1..1, yaw right positive"),
        ChannelKind("throttle_cmd", "", "throttle command, 0..1"),
        ChannelKind("stick_pitch", "", "pilot's pitch stick, -1..1, nose up positive"),
        ChannelKind("stick_roll", "", "pilot's roll stick, -1..1, right positive"),
        ChannelKind("stick_yaw", "", "pilot's yaw stick, -1..1, right positive"),
        ChannelKind("stick_throttle", "", "pilot's throttle, 0..1"),
        ChannelKind("pitch_integrator", "", "pitch integrator, fraction of full command, -1..1"),
        ChannelKind("roll_integrator", "", "roll integrator, fraction of full command, -1..1"),
        ChannelKind("gyro_x_dps", "deg/s", "raw gyro, roll axis"),
        ChannelKind("gyro_y_dps", "deg/s", "raw gyro, pitch axis"),
        ChannelKind("gyro_z_dps", "deg/s", "raw gyro, yaw axis"),
        ChannelKind("accel_x_mps2", "m/s2", "accelerometer, forward"),
        ChannelKind("accel_y_mps2", "m/s2", "accelerometer, right"),
        ChannelKind("accel_z_mps2", "m/s2", "accelerometer, down"),
        ChannelKind("vibration_x_mps2", "m/s2", "vibration level, forward"),
        ChannelKind("vibration_y_mps2", "m/s2", "vibration level, right"),
        ChannelKind("vibration_z_mps2", "m/s2", "vibration level, down"),
        ChannelKind("clipping_count", "", "accelerometer samples at the stops so far", discrete=True),
        ChannelKind("satellites", "", "satellites used", discrete=True),
        ChannelKind("satellite_fix", "", "fix type, 3 and up is a position", discrete=True),
        ChannelKind("satellite_hdop", "", "horizontal dilution of position"),
        ChannelKind("satellite_speed_mps", "m/s", "ground speed from the satellite receiver"),
        ChannelKind("satellite_course_deg", "deg", "course from the satellite receiver", wraps=True),
        ChannelKind("satellite_altitude_m", "m", "altitude from the satellite receiver"),
        ChannelKind("static_pressure_hpa", "hPa", "static pressure"),
        ChannelKind("air_temperature_c", "degC", "outside air or sensor temperature"),
        ChannelKind("battery_voltage_v", "V", "battery voltage under load"),
        ChannelKind("battery_current_a", "A", "battery current"),
        ChannelKind("battery_used_ah", "Ah", "charge drawn so far"),
        ChannelKind("battery_left", "", "battery remaining, 0..1"),
        ChannelKind("motor_1_rpm", "1/min", "shaft speed of motor 1"),
        ChannelKind("motor_2_rpm", "1/min", "shaft speed of motor 2"),
        ChannelKind("wind_north_mps", "m/s", "wind estimate, air moving north"),
        ChannelKind("wind_east_mps", "m/s", "wind estimate, air moving east"),
        ChannelKind("link_quality", "", "radio link quality, 0..1"),
        ChannelKind("armed", "", "1 armed, 0 disarmed", discrete=True),
        ChannelKind("landed_state", "", "0 unknown, 1 ground, 2 air, 3 taking off, 4 landing", discrete=True),
        ChannelKind("mode_number", "", "the log's own mode number", discrete=True),
        ChannelKind("control_mode", "", "index into CONTROL_MODES", discrete=True),
    )
    return {kind.name: kind for kind in kinds}


CHANNELS: dict[str, ChannelKind] = _catalogue()

CONTROL_MODES: tuple[str, ...] = (
    "unknown",
    "manual",
    "rate",
    "attitude",
    "altitude_hold",
    "cruise",
    "position_hold",
    "orbit",
    "mission",
    "safe_recovery",
    "takeoff",
    "land",
)

# Modes in which the autopilot itself holds an altitude.
HELD_ALTITUDE_MODES = frozenset(
    {"altitude_hold", "cruise", "position_hold", "orbit", "mission", "safe_recovery"}
)
# Modes in which the pilot's stick goes to the surface or to a body rate.
PILOT_FLOWN_MODES = frozenset({"manual", "rate"})
