"""Layouts of the open MAVLink common messages that the sample logs carry, from the protocol's definition.

Fields stand in wire order (stable sort by element size, extensions last). The checksum's extra byte is
computed from the very same words, as the protocol's serialisation guide prescribes, so that a mistyped
name, type or order shows as a wrong byte.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

WIRE_TYPES: dict[str, str] = {
    "uint64_t": "<u8",
    "int64_t": "<i8",
    "uint32_t": "<u4",
    "int32_t": "<i4",
    "float": "<f4",
    "uint16_t": "<u2",
    "int16_t": "<i2",
    "uint8_t": "u1",
    "int8_t": "i1",
    "char": "u1",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a message: the protocol's type word, its name, its array length (0: not an array)."""

    kind: str
    name: str
    length: int = 0

    def dtype(self) -> tuple[str, str] | tuple[str, str, tuple[int]]:
        """The field as an entry of a numpy structured type."""
        code = WIRE_TYPES[self.kind]
        return (self.name, code, (self.length,)) if self.length else (self.name, code)


@dataclass(frozen=True, slots=True)
class Layout:
    """One message: number, name, base fields and extension fields, in wire order."""

    number: int
    name: str
    base: tuple[Field, ...]
    extensions: tuple[Field, ...] = ()

    def dtype(self, *, extended: bool) -> np.dtype[np.void]:
        """Packed little-endian structured type of the payload, with or without the extension fields."""
        fields = self.base + self.extensions if extended else self.base
        return np.dtype([field.dtype() for field in fields])

    def checksum_extra(self) -> int:
        """The byte that both sides add to the checksum to agree on the layout."""
        words = self.name.encode() + b" "
        for field in self.base:
            words += f"{field.kind} {field.name} ".encode()
            if field.length:
                words += bytes([field.length])
        crc = checksum(np.frombuffer(words, dtype=np.uint8)[np.newaxis, :])
        folded = int(crc[0])
        return (folded & 0xFF) ^ (folded >> 8)


def _checksum_table() -> NDArray[np.uint16]:
    """Byte table of the CRC-16 with reflected polynomial 0x1021 (0x8408), the protocol's checksum."""
    table = np.zeros(256, dtype=np.uint16)
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = (value >> 1) ^ 0x8408 if value & 1 else value >> 1
        table[byte] = value
    return table


_TABLE = _checksum_table()


def checksum(rows: NDArray[np.uint8], start: NDArray[np.uint16] | None = None) -> NDArray[np.uint16]:
    """Checksum of every row of a byte matrix at once.

    Parameters
    ----------
    rows : ndarray of uint8, shape (n, width)
    start : ndarray of uint16, shape (n,), optional
        State to go on from; 0xFFFF when None.

    Returns
    -------
    ndarray of uint16, shape (n,)
        CRC-16/MCRF4XX. Check value: ``123456789`` gives 0x6F91.

    Examples
    --------
    >>> hex(int(checksum(np.frombuffer(b"123456789", dtype=np.uint8)[np.newaxis, :])[0]))
    '0x6f91'
    """
    state = np.full(rows.shape[0], 0xFFFF, dtype=np.uint16) if start is None else start
    for column in np.ascontiguousarray(rows.T):
        state = (state >> 8) ^ _TABLE[(state ^ column) & 0xFF]
    return state


def _fields(text: str) -> tuple[Field, ...]:
    """Read `type name` or `type[n] name` entries separated by commas."""
    fields = []
    for entry in text.split(","):
        kind, name = entry.split()
        if "[" in kind:
            kind, count = kind.rstrip("]").split("[")
            fields.append(Field(kind, name, int(count)))
        else:
            fields.append(Field(kind, name))
    return tuple(fields)


def _numbered(kind: str, pattern: str, first: int, last: int) -> str:
    return ", ".join(f"{kind} {pattern.format(i)}" for i in range(first, last + 1))


_AXES = "{0} xacc, {0} yacc, {0} zacc, {0} xgyro, {0} ygyro, {0} zgyro, {0} xmag, {0} ymag, {0} zmag"

_TABLE_OF_MESSAGES: tuple[tuple[int, str, str, str], ...] = (
    (
        0,
        "HEARTBEAT",
        "uint32_t custom_mode, uint8_t type, uint8_t autopilot, uint8_t base_mode, uint8_t system_status, "
        "uint8_t mavlink_version",
        "",
    ),
    (
        1,
        "SYS_STATUS",
        "uint32_t onboard_control_sensors_present, uint32_t onboard_control_sensors_enabled, "
        "uint32_t onboard_control_sensors_health, uint16_t load, uint16_t voltage_battery, "
        "int16_t current_battery, uint16_t drop_rate_comm, uint16_t errors_comm, uint16_t errors_count1, "
        "uint16_t errors_count2, uint16_t errors_count3, uint16_t errors_count4, int8_t battery_remaining",
        "",
    ),
    (2, "SYSTEM_TIME", "uint64_t time_unix_usec, uint32_t time_boot_ms", ""),
    (
        22,
        "PARAM_VALUE",
        "float param_value, uint16_t param_count, uint16_t param_index, char[16] param_id, "
        "uint8_t param_type",
        "",
    ),
    (
        24,
        "GPS_RAW_INT",
        "uint64_t time_usec, int32_t lat, int32_t lon, int32_t alt, uint16_t eph, uint16_t epv, "
        "uint16_t vel, uint16_t cog, uint8_t fix_type, uint8_t satellites_visible",
        "",
    ),
    (27, "RAW_IMU", "uint64_t time_usec, " + _AXES.format("int16_t"), ""),
    (
        29,
        "SCALED_PRESSURE",
        "uint32_t time_boot_ms, float press_abs, float press_diff, int16_t temperature",
        "",
    ),
    (
        30,
        "ATTITUDE",
        "uint32_t time_boot_ms, float roll, float pitch, float yaw, float rollspeed, float pitchspeed, "
        "float yawspeed",
        "",
    ),
    (
        32,
        "LOCAL_POSITION_NED",
        "uint32_t time_boot_ms, float x, float y, float z, float vx, float vy, float vz",
        "",
    ),
    (
        33,
        "GLOBAL_POSITION_INT",
        "uint32_t time_boot_ms, int32_t lat, int32_t lon, int32_t alt, int32_t relative_alt, int16_t vx, "
        "int16_t vy, int16_t vz, uint16_t hdg",
        "",
    ),
    (
        36,
        "SERVO_OUTPUT_RAW",
        "uint32_t time_usec, " + _numbered("uint16_t", "servo{}_raw", 1, 8) + ", uint8_t port",
        _numbered("uint16_t", "servo{}_raw", 9, 16),
    ),
    (42, "MISSION_CURRENT", "uint16_t seq", ""),
    (
        62,
        "NAV_CONTROLLER_OUTPUT",
        "float nav_roll, float nav_pitch, float alt_error, float aspd_error, float xtrack_error, "
        "int16_t nav_bearing, int16_t target_bearing, uint16_t wp_dist",
        "",
    ),
    (
        65,
        "RC_CHANNELS",
        "uint32_t time_boot_ms, " + _numbered("uint16_t", "chan{}_raw", 1, 18) + ", uint8_t chancount, "
        "uint8_t rssi",
        "",
    ),
    (
        69,
        "MANUAL_CONTROL",
        "int16_t x, int16_t y, int16_t z, int16_t r, uint16_t buttons, uint8_t target",
        "",
    ),
    (
        74,
        "VFR_HUD",
        "float airspeed, float groundspeed, float alt, float climb, int16_t heading, uint16_t throttle",
        "",
    ),
    (
        83,
        "ATTITUDE_TARGET",
        "uint32_t time_boot_ms, float[4] q, float body_roll_rate, float body_pitch_rate, "
        "float body_yaw_rate, float thrust, uint8_t type_mask",
        "",
    ),
    (
        87,
        "POSITION_TARGET_GLOBAL_INT",
        "uint32_t time_boot_ms, int32_t lat_int, int32_t lon_int, float alt, float vx, float vy, float vz, "
        "float afx, float afy, float afz, float yaw, float yaw_rate, uint16_t type_mask, "
        "uint8_t coordinate_frame",
        "",
    ),
    (
        105,
        "HIGHRES_IMU",
        "uint64_t time_usec, " + _AXES.format("float") + ", float abs_pressure, float diff_pressure, "
        "float pressure_alt, float temperature, uint16_t fields_updated",
        "uint8_t id",
    ),
    (125, "POWER_STATUS", "uint16_t Vcc, uint16_t Vservo, uint16_t flags", ""),
    (
        147,
        "BATTERY_STATUS",
        "int32_t current_consumed, int32_t energy_consumed, int16_t temperature, uint16_t[10] voltages, "
        "int16_t current_battery, uint8_t id, uint8_t battery_function, uint8_t type, "
        "int8_t battery_remaining",
        "",
    ),
    (
        148,
        "AUTOPILOT_VERSION",
        "uint64_t capabilities, uint64_t uid, uint32_t flight_sw_version, uint32_t middleware_sw_version, "
        "uint32_t os_sw_version, uint32_t board_version, uint16_t vendor_id, uint16_t product_id, "
        "uint8_t[8] flight_custom_version, uint8_t[8] middleware_custom_version, "
        "uint8_t[8] os_custom_version",
        "uint8_t[18] uid2",
    ),
    (
        241,
        "VIBRATION",
        "uint64_t time_usec, float vibration_x, float vibration_y, float vibration_z, uint32_t clipping_0, "
        "uint32_t clipping_1, uint32_t clipping_2",
        "",
    ),
    (245, "EXTENDED_SYS_STATE", "uint8_t vtol_state, uint8_t landed_state", ""),
    (251, "NAMED_VALUE_FLOAT", "uint32_t time_boot_ms, float value, char[10] name", ""),
    (253, "STATUSTEXT", "uint8_t severity, char[50] text", "uint16_t id, uint8_t chunk_seq"),
    (
        291,
        "ESC_STATUS",
        "uint64_t time_usec, int32_t[4] rpm, float[4] voltage, float[4] current, uint8_t index",
        "",
    ),
    (436, "CURRENT_MODE", "uint32_t custom_mode, uint32_t intended_custom_mode, uint8_t standard_mode", ""),
)

LAYOUTS: Mapping[str, Layout] = {
    name: Layout(number, name, _fields(base), _fields(extra) if extra else ())
    for number, name, base, extra in _TABLE_OF_MESSAGES
}
