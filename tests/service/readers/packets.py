"""Telemetry records for the reader's tests, packed by the library that is also the yardstick."""

from __future__ import annotations

import struct
from typing import Any

from pymavlink.dialects.v20 import common, development
from pymavlink.generator.mavcrc import x25crc_slow

START_US = 1_700_000_000_000_000
FOREIGN_EXTRA = 77
"""Extra byte of the private message in these tests."""


def record(stamp_us: int, packet: bytes) -> bytes:
    """One record of a telemetry log."""
    return struct.pack(">Q", stamp_us) + packet


def packet(
    number: int,
    payload: bytes,
    *,
    extra: int,
    version: int = 2,
    system: int = 1,
    component: int = 1,
    seq: int = 0,
    signed: bool = False,
) -> bytes:
    """A packet with any payload, checksum by the library's plain loop."""
    if version == 2:
        header = struct.pack(
            "<BBBBBBHB", len(payload), int(signed), 0, seq, system, component, number & 0xFFFF, number >> 16
        )
    else:
        header = struct.pack("<BBBBB", len(payload), seq, system, component, number)
    checksum = x25crc_slow(header + payload + bytes([extra])).crc
    start = b"\xfd" if version == 2 else b"\xfe"
    return start + header + payload + struct.pack("<H", checksum) + (bytes(range(13)) if signed else b"")


class Talker:
    """A sender: packs messages by name and keyword, each as one record of a telemetry log."""

    def __init__(self, system: int = 1, component: int = 1) -> None:
        self.mav = common.MAVLink(None, srcSystem=system, srcComponent=component)

    def say(self, stamp_us: int, name: str, /, *, version: int = 2, **fields: Any) -> bytes:
        """One record with one message; fields that are left out are zero."""
        kind = next(k for k in development.mavlink_map.values() if k.msgname == name)
        values = {}
        for field, kind_of in zip(kind.fieldnames, kind.fieldtypes, strict=True):
            length = kind.lengths[kind.ordered_fieldnames.index(field)]
            empty: Any = b"" if kind_of == "char" else ([0] * length if length > 1 else 0)
            values[field] = fields.pop(field, empty)
        assert not fields, fields
        return record(stamp_us, kind(**values).pack(self.mav, force_mavlink1=version == 1))

    def heartbeat(self, stamp_us: int, **fields: Any) -> bytes:
        """A heartbeat of a fixed-wing autopilot."""
        said = {"type": 1, "autopilot": 12, "base_mode": 81, "system_status": 4, "mavlink_version": 3}
        return self.say(stamp_us, "HEARTBEAT", **(said | fields))
