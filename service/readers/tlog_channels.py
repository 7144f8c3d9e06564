"""Messages of the common set as the project's channels: units, signs, values that mean "not known".

One function per subject. Each takes the source and returns the channels it can fill; what a log lacks
is left out. Units and signs are those of the messages' own descriptions, where real logs differ it is
said beside the line.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from trimkeep.config.units import STANDARD_GRAVITY_MPS2
from trimkeep.detectors.model import Channel, FloatArray
from trimkeep.service.readers.tlog_source import Messages, Source

Channels = dict[str, Channel]

_DEG = 180.0 / np.pi
_I16_NONE = (1 << 15) - 1
_U16_NONE = (1 << 16) - 1
_MILLI_G = STANDARD_GRAVITY_MPS2 * 1e-3
_LIVE_AIRSPEED_MPS = 3.0
_IMPOSSIBLE_ERROR_MPS = 30.0
"""No aeroplane of this kind is off its airspeed by 30 m/s for one sample in twenty."""


def attitude(source: Source) -> Channels:
    """Attitude and body rates."""
    m = source.get("ATTITUDE")
    if not len(m):
        return {}
    return {
        "bank_deg": m.channel(m.column("roll", _DEG)),
        "pitch_deg": m.channel(m.column("pitch", _DEG)),
        "heading_deg": m.channel(m.column("yaw", _DEG) % 360.0),
        "roll_rate_dps": m.channel(m.column("rollspeed", _DEG)),
        "pitch_rate_dps": m.channel(m.column("pitchspeed", _DEG)),
        "yaw_rate_dps": m.channel(m.column("yawspeed", _DEG)),
    }


def position(source: Source) -> Channels:
    """Position and velocity; `vz` of the message is positive down."""
    m = source.get("GLOBAL_POSITION_INT")
    if not len(m):
        return {}
    north, east = m.column("vx", 0.01), m.column("vy", 0.01)
    speed = np.hypot(north, east)
    course = np.degrees(np.arctan2(east, north)) % 360.0
    course[speed < 1.0] = np.nan  # a standing aeroplane has no course, only noise
    return {
        "latitude_deg": m.channel(m.column("lat", 1e-7)),
        "longitude_deg": m.channel(m.column("lon", 1e-7)),
        "altitude_m": m.channel(m.column("alt", 1e-3)),
        "height_m": m.channel(m.column("relative_alt", 1e-3)),
        "velocity_north_mps": m.channel(north),
        "velocity_east_mps": m.channel(east),
        "climb_mps": m.channel(m.column("vz", -0.01)),
        "groundspeed_mps": m.channel(speed),
        "course_deg": m.channel(course),
    }


def air_data(source: Source) -> Channels:
    """Airspeed; and what else the same message has, where a better source lacks it."""
    m = source.get("VFR_HUD")
    if not len(m):
        return {}
    found = {"airspeed_mps": m.channel(m.column("airspeed"))}
    if not len(source.get("GLOBAL_POSITION_INT")):
        found["altitude_m"] = m.channel(m.column("alt"))
        found["climb_mps"] = m.channel(m.column("climb"))
        found["groundspeed_mps"] = m.channel(m.column("groundspeed"))
    if not len(source.get("ATTITUDE")):
        found["heading_deg"] = m.channel(m.column("heading") % 360.0)
    found["throttle_cmd"] = m.channel(np.clip(m.column("throttle", 0.01), 0.0, 1.0))
    return found


def attitude_targets(source: Source) -> Channels:
    """What the attitude controller was asked for; `type_mask` says which fields are meant."""
    m = source.get("ATTITUDE_TARGET")
    if not len(m):
        return {}
    mask = m.data["type_mask"]
    q = m.data["q"].astype(np.float64)
    q[(mask & 128) != 0] = np.nan
    w, x, y, z = q.T
    norm = w * w + x * x + y * y + z * z
    norm[norm < 1e-6] = np.nan
    bank = np.arctan2(2.0 * (w * x + y * z), w * w - x * x - y * y + z * z) * _DEG
    pitch = np.arcsin(np.clip(2.0 * (w * y - z * x) / norm, -1.0, 1.0)) * _DEG
    heading = (np.arctan2(2.0 * (w * z + x * y), w * w + x * x - y * y - z * z) * _DEG) % 360.0
    targets = {"bank_target_deg": bank, "pitch_target_deg": pitch, "heading_target_deg": heading}
    for value in targets.values():
        value[~np.isfinite(norm)] = np.nan
    for bit, axis in ((1, "roll"), (2, "pitch"), (4, "yaw")):
        rate = m.column(f"body_{axis}_rate", _DEG)
        rate[(mask & bit) != 0] = np.nan
        targets[f"{axis}_rate_target_dps"] = rate
    return {name: m.channel(value) for name, value in targets.items() if np.isfinite(value).any()}


def altitude_target(source: Source) -> Channels:
    """Altitude asked for, above sea level whatever frame it was given in; above terrain is left out."""
    m = source.get("POSITION_TARGET_GLOBAL_INT")
    if not len(m):
        return {}
    frame = m.data["coordinate_frame"]
    altitude = m.column("alt")
    above_home = (frame == 3) | (frame == 6)
    if above_home.any():
        altitude[above_home] += _home_altitude(source)
    known = above_home | (frame == 0) | (frame == 5)
    altitude[~known | ((m.data["type_mask"] & 4) != 0)] = np.nan
    return {"altitude_target_m": m.channel(altitude)} if np.isfinite(altitude).any() else {}


def _home_altitude(source: Source) -> float:
    """Altitude of the place that heights count from; NaN when the log does not tell."""
    home = source.get("HOME_POSITION")
    if len(home):
        return float(home.data["altitude"][-1]) * 1e-3
    m = source.get("GLOBAL_POSITION_INT")
    return float(np.median(m.column("alt", 1e-3) - m.column("relative_alt", 1e-3))) if len(m) else np.nan


def navigation(source: Source) -> Channels:
    """The navigation controller's targets and errors.

    `alt_error` is altitude asked for minus altitude: on 28 real logs it follows the difference of
    POSITION_TARGET_GLOBAL_INT and GLOBAL_POSITION_INT with a correlation above 0.999.
    """
    m = source.get("NAV_CONTROLLER_OUTPUT")
    if not len(m):
        return {}
    found = {
        "altitude_error_m": m.channel(m.column("alt_error")),
        "airspeed_error_mps": m.channel(_airspeed_error(source, m)),
        "cross_track_m": m.channel(m.column("xtrack_error")),
        "waypoint_distance_m": m.channel(m.column("wp_dist")),
    }
    if not len(source.get("ATTITUDE_TARGET")):
        found["bank_target_deg"] = m.channel(m.column("nav_roll"))
        found["pitch_target_deg"] = m.channel(m.column("nav_pitch"))
        found["heading_target_deg"] = m.channel(m.column("nav_bearing") % 360.0)
    return found


def _airspeed_error(source: Source, m: Messages) -> FloatArray:
    """Airspeed error in m/s. The message says m/s, but real senders put cm/s in.

    With a live sensor the right scale is the one with which error plus airspeed, the airspeed asked
    for, stays steadier. With a dead one an error that no aeroplane can have tells.
    """
    error = m.column("aspd_error")
    finite = error[np.isfinite(error)]
    if not finite.size:
        return error
    hud = source.get("VFR_HUD")
    if len(hud) and float(np.median(hud.data["airspeed"])) > _LIVE_AIRSPEED_MPS:
        airspeed = np.interp(m.time_s, hud.time_s, hud.column("airspeed"))
        spread = [np.nanstd(airspeed + error * scale) for scale in (1.0, 0.01)]
        in_cm = bool(spread[1] < spread[0]) and float(np.percentile(np.abs(finite), 95)) > 3.0
    else:
        in_cm = float(np.percentile(np.abs(finite), 95)) > _IMPOSSIBLE_ERROR_MPS
    return error * 0.01 if in_cm else error


def inertial(source: Source) -> Channels:
    """Gyro and accelerometer: full resolution, else scaled, else raw where its units hold."""
    m = source.get("HIGHRES_IMU")
    if len(m):
        m = m.only(m.data["id"] == 0)
    if len(m):
        return _inertial(m, 1.0, _DEG)
    for name in ("SCALED_IMU", "RAW_IMU"):
        m = source.get(name)
        if name == "RAW_IMU" and len(m):
            m = m.only(m.data["id"] == 0)
        if not len(m):
            continue
        norm = np.sqrt(sum(m.column(axis) ** 2 for axis in ("xacc", "yacc", "zacc")))
        # "Raw" may be the sensor's own counts; gravity tells whether it is thousandths of g.
        if 500.0 < float(np.median(norm)) < 2000.0:
            return _inertial(m, _MILLI_G, _DEG * 1e-3)
    return {}


def _inertial(m: Messages, acceleration: float, rate: float) -> Channels:
    return {f"accel_{axis}_mps2": m.channel(m.column(f"{axis}acc", acceleration)) for axis in "xyz"} | {
        f"gyro_{axis}_dps": m.channel(m.column(f"{axis}gyro", rate)) for axis in "xyz"
    }


def vibration(source: Source) -> Channels:
    """Vibration levels and the accelerometers' samples at their stops."""
    m = source.get("VIBRATION")
    if not len(m):
        return {}
    clipping = sum(m.column(f"clipping_{k}") for k in range(3))
    return {f"vibration_{axis}_mps2": m.channel(m.column(f"vibration_{axis}")) for axis in "xyz"} | {
        "clipping_count": m.channel(np.asarray(clipping))
    }


def satellites(source: Source) -> Channels:
    """The satellite receiver."""
    m = source.get("GPS_RAW_INT")
    if not len(m):
        return {}
    return {
        "satellites": m.channel(m.valid("satellites_visible", 255)),
        "satellite_fix": m.channel(m.column("fix_type")),
        "satellite_hdop": m.channel(m.valid("eph", _U16_NONE, 0.01)),
        "satellite_speed_mps": m.channel(m.valid("vel", _U16_NONE, 0.01)),
        "satellite_course_deg": m.channel(m.valid("cog", _U16_NONE, 0.01)),
        "satellite_altitude_m": m.channel(m.column("alt", 1e-3)),
    }


def air_pressure(source: Source) -> Channels:
    """Static pressure and temperature."""
    m = source.get("SCALED_PRESSURE")
    if len(m):
        return {
            "static_pressure_hpa": m.channel(m.column("press_abs")),
            "air_temperature_c": m.channel(m.column("temperature", 0.01)),
        }
    m = source.get("HIGHRES_IMU")
    if not len(m):
        return {}
    # Bits 9 and 12 of fields_updated: the pressure, the temperature; the other messages hold old values.
    found: Channels = {}
    for name, field, bit in (
        ("static_pressure_hpa", "abs_pressure", 1 << 9),
        ("air_temperature_c", "temperature", 1 << 12),
    ):
        fresh = m.only((m.data["fields_updated"] & bit) != 0)
        if len(fresh):
            found[name] = fresh.channel(fresh.column(field))
    return found


def wind(source: Source) -> Channels:
    """The autopilot's wind estimate: the way the air moves, north and east."""
    m = source.get("WIND_COV")
    if not len(m):
        return {}
    return {
        "wind_north_mps": m.channel(m.column("wind_x")),
        "wind_east_mps": m.channel(m.column("wind_y")),
    }


def landed(source: Source) -> Channels:
    """On the ground or in the air, as the autopilot says."""
    m = source.get("EXTENDED_SYS_STATE")
    return {"landed_state": m.channel(m.column("landed_state"))} if len(m) else {}


def integrators(source: Source) -> Channels:
    """The two named values that carry integrators."""
    m = source.get("NAMED_VALUE_FLOAT")
    found: Channels = {}
    for said, name in ((b"pitch_int", "pitch_integrator"), (b"roll_int", "roll_integrator")):
        mine = m.only(m.data["name"] == said) if len(m) else m
        if len(mine):
            found[name] = mine.channel(mine.column("value"))
    return found


def sticks(source: Source) -> Channels:
    """The pilot's sticks.

    Which receiver channel is which stick is no standard: roll, pitch, throttle, yaw on 1 to 4 is common
    practice (no source), pulses of 1000 to 2000 microseconds are the message's own text.
    """
    m = source.get("RC_CHANNELS")
    if not len(m):
        return _joystick(source)
    found: Channels = {}
    for number, name in ((1, "stick_roll"), (2, "stick_pitch"), (4, "stick_yaw"), (3, "stick_throttle")):
        pulse = m.valid(f"chan{number}_raw", _U16_NONE)
        pulse[pulse == 0.0] = np.nan
        low = 1000.0 if name == "stick_throttle" else 1500.0
        if np.isfinite(pulse).any():
            found[name] = m.channel((pulse - low) / (2000.0 - low))
    rssi = m.valid("rssi", 255, 1.0 / 254.0)
    if (rssi > 0.0).any():  # zero all along: nothing measures it
        found["link_quality"] = m.channel(rssi)
    return found


def _joystick(source: Source) -> Channels:
    """The sticks as a ground station sends them: x forward (nose down), r counter-clockwise."""
    senders = [who for (_, who) in source.log.index if len(source.log.places("MANUAL_CONTROL", who))]
    if not senders:
        return {}
    m = source.get("MANUAL_CONTROL", senders[0])
    m = m.only(m.data["target"] == source.sender[0])
    fields = (("x", "stick_pitch", -1e-3), ("y", "stick_roll", 1e-3), ("r", "stick_yaw", -1e-3))
    found = {name: m.channel(m.valid(field, _I16_NONE, scale)) for field, name, scale in fields}
    found["stick_throttle"] = m.channel(np.clip(m.valid("z", _I16_NONE, 1e-3), 0.0, 1.0))
    return {name: channel for name, channel in found.items() if np.isfinite(channel.value).any()}


SUBJECTS: tuple[Callable[[Source], Channels], ...] = (
    attitude,
    position,
    air_data,
    attitude_targets,
    altitude_target,
    navigation,
    inertial,
    vibration,
    satellites,
    air_pressure,
    wind,
    landed,
    integrators,
    sticks,
)
