"""State, attitude, navigation and outputs in telemetry messages: units and signs of the wire.

One small function per message; each takes the samples to be sent and returns the message's fields.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from trimkeep.sample_fleet import tlog_sensors
from trimkeep.sample_fleet.tlog_take import Columns, Floats, Take, degrees_1e7, plain, signed_heading

RATE_MODE = 1
CRUISE_MODE = 4
ARMED_BIT, CUSTOM_BIT, MANUAL_BIT, STABILISED_BIT, GUIDED_BIT, AUTOMATIC_BIT = 128, 1, 64, 16, 8, 4
ABSENT_16 = 65535
MANUAL_FULL = 1000.0
FIXED_WING, GENERIC_AUTOPILOT = 1, 0
ACTIVE, STANDBY = 4, 3
# standard modes of the protocol for manual .. safe recovery; the first three have none
STANDARD_MODES = (0, 0, 0, 4, 3, 6, 5)


def heartbeat(take: Take) -> Columns:
    """Armed flag and the autopilot's own mode number."""
    mode = np.rint(take["mode"]).astype(int)
    armed = take["armed"] > 0.5
    automatic = STABILISED_BIT | GUIDED_BIT | AUTOMATIC_BIT
    by_hand, steadied = mode <= RATE_MODE, mode <= CRUISE_MODE
    kind = np.select([by_hand, steadied], [MANUAL_BIT, STABILISED_BIT], automatic)
    return {
        "custom_mode": np.asarray(take.identity.mode_numbers)[mode],
        "type": FIXED_WING,
        "autopilot": GENERIC_AUTOPILOT,
        "base_mode": CUSTOM_BIT | kind | np.where(armed, ARMED_BIT, 0),
        "system_status": np.where(armed, ACTIVE, STANDBY),
        "mavlink_version": 3,
    }


def current_mode(take: Take) -> Columns:
    """The same mode in the protocol's own standard numbers."""
    mode = np.rint(take["mode"]).astype(int)
    return {
        "custom_mode": np.asarray(take.identity.mode_numbers)[mode],
        "standard_mode": np.asarray(STANDARD_MODES)[mode],
    }


def system_time(take: Take) -> Columns:
    """True time and time since the start; no time before the satellites gave one."""
    known = take["sat_fix"] >= 3
    return {"time_unix_usec": np.where(known, take.unix_us, 0), "time_boot_ms": take.boot_ms}


def extended_sys_state(take: Take) -> Columns:
    """On the ground, taking off, in the air or landing."""
    return {"landed_state": np.rint(take["landed"])}


def sys_status(take: Take) -> Columns:
    """Health bits and the battery."""
    health = 0x2F
    if not take.style.battery_alive:
        battery: Columns = {"voltage_battery": 0, "current_battery": -1, "battery_remaining": -1}
    else:
        battery = {
            "voltage_battery": take["volt"] * 1e3,
            "current_battery": take["amp"] * 1e2,
            "battery_remaining": -1,
        }
    return {
        "onboard_control_sensors_present": health,
        "onboard_control_sensors_enabled": health,
        "onboard_control_sensors_health": health,
        "load": 210,
        **battery,
    }


def power_status(take: Take) -> Columns:
    """Supply of board and servos, mV."""
    return {"Vcc": 4950, "Vservo": 4980, "flags": 7}


def attitude(take: Take) -> Columns:
    """Estimated attitude and body rates, rad and rad/s."""
    return {
        "time_boot_ms": take.boot_ms,
        "roll": take.radians("bank"),
        "pitch": take.radians("pitch"),
        "yaw": np.radians(signed_heading(take["heading"])),
        "rollspeed": take.radians("p"),
        "pitchspeed": take.radians("q"),
        "yawspeed": take.radians("r"),
    }


def attitude_target(take: Take) -> Columns:
    """Attitude and rates asked for; the mask says which of them count."""
    has_attitude = np.isfinite(take["bank_want"]) & np.isfinite(take["pitch_want"])
    has_rates = np.isfinite(take["p_want"]) & np.isfinite(take["q_want"])
    heading = np.where(np.isfinite(take["heading_want"]), take["heading_want"], take["heading"])
    quaternion = _quaternion(plain(take["bank_want"]), plain(take["pitch_want"]), heading)
    mask = np.where(has_attitude, 0, 128) | np.where(has_rates, 0, 7)
    return {
        "time_boot_ms": take.boot_ms,
        "q": quaternion,
        "body_roll_rate": plain(take.radians("p_want")),
        "body_pitch_rate": plain(take.radians("q_want")),
        "body_yaw_rate": plain(take.radians("r_want")),
        "thrust": take["throttle"],
        "type_mask": mask,
    }


def _quaternion(bank_deg: Floats, pitch_deg: Floats, heading_deg: Floats) -> Floats:
    """Rotation from north-east-down to body, order heading, pitch, bank; shape (n, 4), w first."""
    half_bank, half_pitch, half_yaw = (np.radians(a) / 2.0 for a in (bank_deg, pitch_deg, heading_deg))
    cb, sb = np.cos(half_bank), np.sin(half_bank)
    cp, sp = np.cos(half_pitch), np.sin(half_pitch)
    cy, sy = np.cos(half_yaw), np.sin(half_yaw)
    return np.column_stack(
        (
            cb * cp * cy + sb * sp * sy,
            sb * cp * cy - cb * sp * sy,
            cb * sp * cy + sb * cp * sy,
            cb * cp * sy - sb * sp * cy,
        )
    )


def global_position_int(take: Take) -> Columns:
    """Estimated position and ground velocity; `vz` is positive DOWN here."""
    return {
        "time_boot_ms": take.boot_ms,
        "lat": degrees_1e7(take["lat"]),
        "lon": degrees_1e7(take["lon"]),
        "alt": take["alt"] * 1e3,
        "relative_alt": take["height"] * 1e3,
        "vx": take["vn"] * 1e2,
        "vy": take["ve"] * 1e2,
        "vz": -take["climb"] * 1e2,
        "hdg": np.mod(take["heading"], 360.0) * 1e2,
    }


def local_position_ned(take: Take) -> Columns:
    """Position from the first sample on, flat-earth metres, `z` positive down."""
    first = take.flown.signals
    metres_per_degree = 6371008.8 * np.pi / 180.0
    return {
        "time_boot_ms": take.boot_ms,
        "x": (take["lat"] - first["lat"][0]) * metres_per_degree,
        "y": (take["lon"] - first["lon"][0]) * metres_per_degree * np.cos(np.radians(first["lat"][0])),
        "z": -take["height"],
        "vx": take["vn"],
        "vy": take["ve"],
        "vz": -take["climb"],
    }


def position_target_global_int(take: Take) -> Columns:
    """Altitude asked for, above the sea or above the take-off place as the airframe has it."""
    above_home = take.identity.heights_above_home
    ground = take["alt"] - take["height"]
    wanted = take.last_known("alt_want") if take.style.keeps_targets else take["alt_want"]
    return {
        "time_boot_ms": take.boot_ms,
        "lat_int": degrees_1e7(take["lat"]),
        "lon_int": degrees_1e7(take["lon"]),
        "alt": wanted - ground if above_home else wanted,
        # everything but the position is to be ignored
        "type_mask": 0xFFF8,
        "coordinate_frame": 3 if above_home else 0,
    }


def vfr_hud(take: Take) -> Columns:
    """What a pilot's panel shows; `climb` is positive UP here."""
    return {
        "airspeed": take.shown_airspeed(),
        "groundspeed": np.hypot(take["vn"], take["ve"]),
        "alt": take["alt"],
        "climb": take["climb"],
        "heading": np.mod(np.rint(take["heading"]), 360.0),
        "throttle": take["throttle"] * 100.0,
    }


def nav_controller_output(take: Take) -> Columns:
    """Attitude asked for and what is left of the errors; errors are asked for minus achieved."""
    bearing = np.where(np.isfinite(take["heading_want"]), take["heading_want"], take["heading"])
    return {
        "nav_roll": plain(take["bank_want"]),
        "nav_pitch": plain(take["pitch_want"]),
        "alt_error": plain(take["alt_want"] - take["alt"]),
        "aspd_error": plain(take["cas_want"] - take.shown_airspeed()),
        "xtrack_error": plain(take["xtrack"]),
        "nav_bearing": signed_heading(bearing),
        "target_bearing": signed_heading(bearing),
        "wp_dist": take["leg_left"],
    }


def servo_output_raw(take: Take) -> Columns:
    """Pulse lengths; the time is 32 bits wide and turns over after 71.6 minutes."""
    columns: Columns = {"time_usec": (np.rint(take.boot_s * 1e6).astype(np.int64) % 2**32).astype(np.uint32)}
    for channel in range(1, 9):
        columns[f"servo{channel}_raw"] = 0
    for output in take.identity.outputs:
        columns[f"servo{output.channel}_raw"] = output.pulse_us(take[output.moves])
    return columns


def manual_control(take: Take) -> Columns:
    """Pilot's sticks: x forward (nose down) positive, r counter-clockwise (yaw left) positive."""
    return {
        "x": -take["stick_pitch"] * MANUAL_FULL,
        "y": take["stick_roll"] * MANUAL_FULL,
        "z": take["stick_throttle"] * MANUAL_FULL,
        "r": -take["stick_yaw"] * MANUAL_FULL,
        "target": take.identity.system,
    }


def rc_channels(take: Take) -> Columns:
    """Pilot's sticks as received pulses in the usual order: roll, pitch, throttle, yaw."""
    columns: Columns = {f"chan{channel}_raw": ABSENT_16 for channel in range(5, 19)}
    return {
        **columns,
        "time_boot_ms": take.boot_ms,
        "chan1_raw": 1500.0 + 500.0 * take["stick_roll"],
        "chan2_raw": 1500.0 + 500.0 * take["stick_pitch"],
        "chan3_raw": 1000.0 + 1000.0 * take["stick_throttle"],
        "chan4_raw": 1500.0 + 500.0 * take["stick_yaw"],
        "chancount": 4,
        "rssi": 255,
    }


def mission_current(take: Take) -> Columns:
    """Number of the waypoint flown to: counts on whenever the distance to it jumps up."""
    left = plain(take.flown.signals["leg_left"])
    number = np.cumsum(np.diff(left, prepend=left[0]) > 20.0)
    return {"seq": number[take.rows]}


MESSAGES: Mapping[str, Callable[[Take], Columns]] = {
    "HEARTBEAT": heartbeat,
    "CURRENT_MODE": current_mode,
    "SYSTEM_TIME": system_time,
    "EXTENDED_SYS_STATE": extended_sys_state,
    "SYS_STATUS": sys_status,
    "POWER_STATUS": power_status,
    "MISSION_CURRENT": mission_current,
    "ATTITUDE": attitude,
    "ATTITUDE_TARGET": attitude_target,
    "GLOBAL_POSITION_INT": global_position_int,
    "LOCAL_POSITION_NED": local_position_ned,
    "POSITION_TARGET_GLOBAL_INT": position_target_global_int,
    "VFR_HUD": vfr_hud,
    "NAV_CONTROLLER_OUTPUT": nav_controller_output,
    "SERVO_OUTPUT_RAW": servo_output_raw,
    "MANUAL_CONTROL": manual_control,
    "RC_CHANNELS": rc_channels,
    "GPS_RAW_INT": tlog_sensors.gps_raw_int,
    "HIGHRES_IMU": tlog_sensors.highres_imu,
    "RAW_IMU": tlog_sensors.raw_imu,
    "SCALED_PRESSURE": tlog_sensors.scaled_pressure,
    "VIBRATION": tlog_sensors.vibration,
    "BATTERY_STATUS": tlog_sensors.battery_status,
    "ESC_STATUS": tlog_sensors.esc_status,
}

# messages that are only sent while this signal is known
ONLY_WITH: Mapping[str, str] = {"POSITION_TARGET_GLOBAL_INT": "alt_want"}

INTEGRATORS: Mapping[str, str] = {"pitch_int": "pitch_int", "roll_int": "roll_int"}
"""Name sent in NAMED_VALUE_FLOAT to signal."""
