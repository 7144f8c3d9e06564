"""The reader against the protocol's published vectors and tables."""

from __future__ import annotations

import struct

import crccheck.crc
import numpy as np
import pytest
from fastcrc import crc16

from trimkeep.service.readers.tlog_crc import crc_matches
from trimkeep.service.readers.tlog_log import decode_bytes
from trimkeep.service.readers.tlog_messages import message_kinds, message_numbers

STAMP = bytes.fromhex("00060a2418202240")  # 1700000000.123456 s, big-endian microseconds

# A packet captured from a real autopilot, in several public source files: header, checksum, extra byte
# and table are right together or not at all.
CAPTURED = bytes.fromhex("fd090000ef010100000000000000020351030373 89".replace(" ", ""))
# Calculated from the protocol's guide ("Packet serialization", snapshot of 22 August 2026).
HEARTBEAT_V2 = bytes.fromhex("fd0900000001010000000000000001035104039a12")
HEARTBEAT_V1 = bytes.fromhex("fe0900010100000000000103510403" + "00d1")
ATTITUDE_V2 = bytes.fromhex("fd10000007" + "01011e0000" + "e80300000000003fcdccccbd0000c03f" + "5a13")
ATTITUDE_V1 = bytes.fromhex("fe1c0701011e" + "e80300000000003fcdccccbd0000c03f" + "00" * 12 + "478f")
ZEROS = bytes.fromhex("fd01000000" + "0101f50000" + "00" + "ac20")
TEXT = bytes.fromhex("fd06000001" + "0101fd0000" + "0668656c6c6f" + "ea90")
SIGNED = bytes.fromhex("fd09010000010100000000000000010351040" + "37dea00" + "00e06f9e7519" + "783c6e714b77")


def _one(packet: bytes) -> tuple[int, np.void]:
    log = decode_bytes(STAMP + packet)
    assert log.frames.records.start.size == 1
    number = int(log.frames.records.message[0])
    return number, log.decode(number, (1, 1))[0]


def test_check_value_of_the_checksum() -> None:
    # MAVLink developer guide and two public implementations: CRC-16/MCRF4XX("123456789") = 0x6F91.
    assert crc16.mcrf4xx(b"123456789") == crccheck.crc.Crc16Mcrf4XX.calc(b"123456789") == 0x6F91
    # Ours takes the last byte as the message's extra byte.
    data = np.frombuffer(b"\0" * 8 + b"12345678" + struct.pack("<H", 0x6F91) + b"\0" * 22, np.uint8).copy()
    assert crc_matches(data, np.asarray([8]), np.asarray([16]), np.asarray([ord("9")], np.uint8))[0]


def test_the_captured_heartbeat() -> None:
    number, beat = _one(CAPTURED)
    assert number == 0
    assert (beat["type"], beat["autopilot"], beat["base_mode"]) == (2, 3, 0x51)
    assert (beat["system_status"], beat["mavlink_version"], beat["custom_mode"]) == (3, 3, 0)


def test_the_captured_heartbeat_with_another_extra_byte_is_no_frame() -> None:
    wrong = CAPTURED[:-2] + struct.pack("<H", 0x98FA)  # what extra byte 51 gives
    assert decode_bytes(STAMP + wrong).frames.records.start.size == 0


@pytest.mark.parametrize("packet", [HEARTBEAT_V2, HEARTBEAT_V1, SIGNED])
def test_heartbeats_of_both_versions_and_signed(packet: bytes) -> None:
    number, beat = _one(packet)
    assert number == 0
    assert (beat["type"], beat["autopilot"], beat["base_mode"], beat["system_status"]) == (1, 3, 0x51, 4)


@pytest.mark.parametrize("packet", [ATTITUDE_V2, ATTITUDE_V1])
def test_attitude_cut_short_and_whole(packet: bytes) -> None:
    number, said = _one(packet)
    assert number == 30
    assert said["time_boot_ms"] == 1000
    assert said["roll"] == np.float32(0.5)
    assert said["pitch"] == np.float32(-0.1)
    assert said["yaw"] == np.float32(1.5)
    assert (said["rollspeed"], said["pitchspeed"], said["yawspeed"]) == (0.0, 0.0, 0.0)


def test_one_zero_byte_stays_of_an_empty_payload() -> None:
    number, said = _one(ZEROS)
    assert (number, said["vtol_state"], said["landed_state"]) == (245, 0, 0)


def test_text_without_terminator() -> None:
    number, said = _one(TEXT)
    assert (number, said["severity"], said["text"]) == (253, 6, b"hello")


def test_container_stamp_is_big_endian_microseconds() -> None:
    assert int(decode_bytes(STAMP + HEARTBEAT_V2).stamps_us()[0]) == 1_700_000_000_123_456


# Message definitions of the protocol's repository at commit de1e078a (22 July 2026):
# number, extra byte, payload bytes with extensions.
@pytest.mark.parametrize(
    ("name", "number", "extra", "size"),
    [
        ("HEARTBEAT", 0, 50, 9),
        ("SYS_STATUS", 1, 124, 43),
        ("SYSTEM_TIME", 2, 137, 12),
        ("PARAM_VALUE", 22, 220, 25),
        ("GPS_RAW_INT", 24, 24, 52),
        ("RAW_IMU", 27, 144, 29),
        ("SCALED_PRESSURE", 29, 115, 16),
        ("ATTITUDE", 30, 39, 28),
        ("GLOBAL_POSITION_INT", 33, 104, 28),
        ("SERVO_OUTPUT_RAW", 36, 222, 37),
        ("NAV_CONTROLLER_OUTPUT", 62, 183, 26),
        ("RC_CHANNELS", 65, 118, 42),
        ("MANUAL_CONTROL", 69, 243, 30),
        ("VFR_HUD", 74, 20, 20),
        ("ATTITUDE_TARGET", 83, 22, 37),
        ("POSITION_TARGET_GLOBAL_INT", 87, 150, 51),
        ("HIGHRES_IMU", 105, 93, 63),
        ("BATTERY_STATUS", 147, 154, 54),
        ("AUTOPILOT_VERSION", 148, 178, 78),
        ("WIND_COV", 231, 105, 40),
        ("VIBRATION", 241, 90, 32),
        ("EXTENDED_SYS_STATE", 245, 130, 2),
        ("STATUSTEXT", 253, 83, 54),
        ("ESC_STATUS", 291, 10, 57),
        ("AVAILABLE_MODES", 435, 134, 46),
        ("CURRENT_MODE", 436, 193, 9),
    ],
)
def test_messages_as_published(name: str, number: int, extra: int, size: int) -> None:
    kind = message_kinds()[message_numbers()[name]]
    assert (kind.id, kind.extra, kind.layout.itemsize) == (number, extra, size)
