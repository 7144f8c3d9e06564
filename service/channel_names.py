"""What a foreign column header may mean: the channel its words suggest and the unit it names."""

from __future__ import annotations

import re
from dataclasses import dataclass

from trimkeep.config.channels import CHANNELS
from trimkeep.config.units import UNITS, conversion

# What programs write for our units, beside the names in UNITS themselves; lower case.
_UNIT_SPELLINGS = {
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "radians": "rad",
    "rads": "rad/s",
    "dps": "deg/s",
    "°/s": "deg/s",
    "degs": "deg/s",
    "rps": "rad/s",
    "mps": "m/s",
    "ms": "m/s",
    "meter": "m",
    "metre": "m",
    "meters": "m",
    "feet": "ft",
    "kts": "kt",
    "knots": "kt",
    "kn": "kt",
    "kmh": "km/h",
    "kph": "km/h",
    "fpm": "ft/min",
    "fps": "ft/s",
    "mps2": "m/s2",
    "ms2": "m/s2",
    "m/s/s": "m/s2",
    "m/s^2": "m/s2",
    "m/s²": "m/s2",
    "c": "degC",
    "°c": "degC",
    "celsius": "degC",
    "f": "degF",
    "°f": "degF",
    "hpa": "hPa",
    "pa": "Pa",
    "kpa": "kPa",
    "percent": "%",
    "pct": "%",
    "volt": "V",
    "volts": "V",
    "v": "V",
    "a": "A",
    "amp": "A",
    "amps": "A",
    "mah": "mAh",
    "ah": "Ah",
    "sec": "s",
    "seconds": "s",
    "msec": "ms",
    "usec": "us",
    "µs": "us",
    "e7": "degE7",
    "dege7": "degE7",
    "1e7deg": "degE7",
}
_TARGET_WORDS = frozenset(
    {"target", "wanted", "want", "desired", "demand", "demanded", "setpoint", "sp", "commanded"}
    | {"reference", "ref", "asked", "des", "goal", "nav"}
)
_ERROR_WORDS = frozenset({"error", "err", "deviation", "off"})
_RATE_WORDS = frozenset({"rate", "speed", "vel", "velocity", "gyro", "dot"})
_SINK_WORDS = frozenset({"sink", "down", "descent"})

# Words that name a quantity. The first set must be met whole; more words in common is better.
_MEANINGS: tuple[tuple[str, str], ...] = (
    ("bank", "bank_deg"),
    ("roll", "bank_deg"),
    ("phi", "bank_deg"),
    ("pitch", "pitch_deg"),
    ("theta", "pitch_deg"),
    ("heading", "heading_deg"),
    ("yaw", "heading_deg"),
    ("hdg", "heading_deg"),
    ("psi", "heading_deg"),
    ("p", "roll_rate_dps"),
    ("q", "pitch_rate_dps"),
    ("r", "yaw_rate_dps"),
    ("roll rate", "roll_rate_dps"),
    ("pitch rate", "pitch_rate_dps"),
    ("yaw rate", "yaw_rate_dps"),
    ("gyro x", "gyro_x_dps"),
    ("gyro y", "gyro_y_dps"),
    ("gyro z", "gyro_z_dps"),
    ("ax", "accel_x_mps2"),
    ("ay", "accel_y_mps2"),
    ("az", "accel_z_mps2"),
    ("acc x", "accel_x_mps2"),
    ("acc y", "accel_y_mps2"),
    ("acc z", "accel_z_mps2"),
    ("accel x", "accel_x_mps2"),
    ("accel y", "accel_y_mps2"),
    ("accel z", "accel_z_mps2"),
    ("lat", "latitude_deg"),
    ("latitude", "latitude_deg"),
    ("lon", "longitude_deg"),
    ("lng", "longitude_deg"),
    ("longitude", "longitude_deg"),
    ("altitude", "altitude_m"),
    ("alt", "altitude_m"),
    ("height", "height_m"),
    ("relative altitude", "height_m"),
    ("relative alt", "height_m"),
    ("agl", "height_m"),
    ("velocity north", "velocity_north_mps"),
    ("v north", "velocity_north_mps"),
    ("vn", "velocity_north_mps"),
    ("velocity east", "velocity_east_mps"),
    ("v east", "velocity_east_mps"),
    ("ve", "velocity_east_mps"),
    ("climb", "climb_mps"),
    ("vertical speed", "climb_mps"),
    ("vario", "climb_mps"),
    ("sink", "climb_mps"),
    ("groundspeed", "groundspeed_mps"),
    ("ground speed", "groundspeed_mps"),
    ("course", "course_deg"),
    ("track", "course_deg"),
    ("airspeed", "airspeed_mps"),
    ("air speed", "airspeed_mps"),
    ("ias", "airspeed_mps"),
    ("cas", "airspeed_mps"),
    ("cross track", "cross_track_m"),
    ("xtrack", "cross_track_m"),
    ("off line", "cross_track_m"),
    ("waypoint distance", "waypoint_distance_m"),
    ("wp dist", "waypoint_distance_m"),
    ("elevator", "elevator_cmd"),
    ("aileron", "aileron_cmd"),
    ("rudder", "rudder_cmd"),
    ("throttle", "throttle_cmd"),
    ("stick pitch", "stick_pitch"),
    ("stick roll", "stick_roll"),
    ("stick yaw", "stick_yaw"),
    ("stick throttle", "stick_throttle"),
    ("pitch integrator", "pitch_integrator"),
    ("pitch int", "pitch_integrator"),
    ("pitch sum", "pitch_integrator"),
    ("roll integrator", "roll_integrator"),
    ("roll int", "roll_integrator"),
    ("roll sum", "roll_integrator"),
    ("vibration x", "vibration_x_mps2"),
    ("vibration y", "vibration_y_mps2"),
    ("vibration z", "vibration_z_mps2"),
    ("satellites", "satellites"),
    ("sats", "satellites"),
    ("fix", "satellite_fix"),
    ("hdop", "satellite_hdop"),
    ("static pressure", "static_pressure_hpa"),
    ("static", "static_pressure_hpa"),
    ("baro pressure", "static_pressure_hpa"),
    ("oat", "air_temperature_c"),
    ("temperature", "air_temperature_c"),
    ("volts", "battery_voltage_v"),
    ("voltage", "battery_voltage_v"),
    ("amps", "battery_current_a"),
    ("current", "battery_current_a"),
    ("mah", "battery_used_ah"),
    ("rpm", "motor_1_rpm"),
    ("rpm 1", "motor_1_rpm"),
    ("rpm 2", "motor_2_rpm"),
    ("wind north", "wind_north_mps"),
    ("wind east", "wind_east_mps"),
    ("rssi", "link_quality"),
    ("armed", "armed"),
    ("landed", "landed_state"),
    ("mode", "mode_number"),
    ("time", "time_s"),
    ("t", "time_s"),
    ("seconds", "time_s"),
    ("timestamp", "time_s"),
)
_TARGETS = {
    "bank_deg": "bank_target_deg",
    "pitch_deg": "pitch_target_deg",
    "heading_deg": "heading_target_deg",
    "course_deg": "heading_target_deg",
    "roll_rate_dps": "roll_rate_target_dps",
    "pitch_rate_dps": "pitch_rate_target_dps",
    "yaw_rate_dps": "yaw_rate_target_dps",
    "altitude_m": "altitude_target_m",
    "airspeed_mps": "airspeed_target_mps",
}
_ERRORS = {"altitude_m": "altitude_error_m", "airspeed_mps": "airspeed_error_mps"}
_RATES = {"bank_deg": "roll_rate_dps", "pitch_deg": "pitch_rate_dps", "heading_deg": "yaw_rate_dps"}


@dataclass(frozen=True, slots=True)
class Reading:
    """What one header says.

    Parameters
    ----------
    channel : str
        The channel its words suggest (or `time_s`).
    unit : str or None
        The unit it names, one of UNITS; None when it names none that fits the channel.
    sign : int
        -1 for a sink rate.
    words : int
        Words of the header that were understood, of all its words: `share` in [0, 1].
    share : float
    """

    channel: str
    unit: str | None
    sign: int
    words: int
    share: float


def channel_unit(channel: str) -> str:
    """The unit of a channel; seconds for `time_s`."""
    return CHANNELS[channel].unit if channel in CHANNELS else "s"


def fits(unit: str, channel: str) -> bool:
    """True when the unit measures what the channel is."""
    try:
        conversion(unit, channel_unit(channel))
    except (KeyError, ValueError):
        return False
    return True


def read_header(header: str) -> Reading | None:
    """The meaning of a header, or None when no known quantity is in it.

    Examples
    --------
    >>> reading = read_header("Pitch wanted [rad]")
    >>> reading.channel, reading.unit
    ('pitch_target_deg', 'rad')
    >>> read_header("Operator") is None
    True
    """
    text, said = _without_unit(header)
    words = _words(text)
    met = set(words)
    best: tuple[int, str] | None = None
    for phrase, channel in _MEANINGS:
        wanted = phrase.split()
        if met.issuperset(wanted) and (best is None or len(wanted) > best[0]):
            best = (len(wanted), channel)
    if best is None:
        return None
    understood, channel = best
    if met & _RATE_WORDS and channel in _RATES and not (said and fits(said, channel)):
        channel, understood = _RATES[channel], understood + 1
    if said and channel in _RATES and not fits(said, channel) and fits(said, _RATES[channel]):
        channel = _RATES[channel]
    if met & _TARGET_WORDS and channel in _TARGETS:
        channel, understood = _TARGETS[channel], understood + 1
    elif met & _ERROR_WORDS and channel in _ERRORS:
        channel, understood = _ERRORS[channel], understood + 1
    unit = said if said is not None and fits(said, channel) else None
    sign = -1 if channel == "climb_mps" and met & _SINK_WORDS else 1
    return Reading(channel, unit, sign, understood, min(understood / max(len(words), 1), 1.0))


def _words(text: str) -> list[str]:
    """Lower-case words; camelCase and digits stand apart."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z])", " ", text)
    return [word for word in re.split(r"[^a-z0-9]+", spaced.lower()) if word]


def _without_unit(header: str) -> tuple[str, str | None]:
    """A header taken apart into its words and the unit in brackets, after a sign, or as its last word."""
    bracket = re.search(r"[\[(]([^\])]*)[\])]", header)
    if bracket:
        return header[: bracket.start()] + header[bracket.end() :], known_unit(bracket.group(1))
    if header.rstrip().endswith("%"):
        return header.rstrip()[:-1], "%"
    head, separator, last = header.rpartition("_")
    if separator and len(head) > 1:
        unit = known_unit(last)
        if unit is not None:
            return head, unit
    return header, None


def known_unit(text: str) -> str | None:
    """A unit as some program writes it, as a name in UNITS; None when unknown."""
    word = text.strip()
    if word and word in UNITS:
        return word
    low = word.lower()
    if low in _UNIT_SPELLINGS:
        return _UNIT_SPELLINGS[low]
    return low if low and low in UNITS else None
