"""The reader's slow twin: goes through the file once, byte by byte, with a plain checksum loop."""

from __future__ import annotations

from pymavlink.generator.mavcrc import x25crc_slow


def plain_starts(data: bytes, extras: dict[int, int]) -> list[int]:
    """Starts of all records by the rule of `tlog_frames`; `extras` are the known messages' extra bytes."""
    starts = []
    at = 0
    while at + 16 <= len(data):
        end = _record_end(data, at, extras)
        if end is None:
            at += 1
        else:
            starts.append(at)
            at = end
    return starts


def _record_end(data: bytes, at: int, extras: dict[int, int]) -> int | None:
    magic, length = data[at + 8], data[at + 9]
    if magic == 0xFD:
        if at + 20 > len(data) or data[at + 10] not in (0, 1):
            return None
        body, signature = 9 + length, 13 * data[at + 10]
        number = int.from_bytes(data[at + 15 : at + 18], "little")
    elif magic == 0xFE:
        body, signature = 5 + length, 0
        number = data[at + 13]
    else:
        return None
    crc_at = at + 9 + body
    end = crc_at + 2 + signature
    if end > len(data) or number not in extras:
        return None
    crc = x25crc_slow(data[at + 9 : crc_at] + bytes([extras[number]])).crc
    return end if crc == int.from_bytes(data[crc_at : crc_at + 2], "little") else None
