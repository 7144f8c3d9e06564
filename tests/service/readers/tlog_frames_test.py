"""Frames of files that are as they should be, cut, spoilt or odd; any bytes are in `tlog_any_bytes_test`."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from tests.service.readers.packets import FOREIGN_EXTRA, START_US, Talker, packet, record
from trimkeep.service.readers.tlog_log import decode_bytes
from trimkeep.service.readers.tlog_messages import message_kinds

pytestmark = pytest.mark.usefixtures("both_ways")

EXTRAS = {number: kind.extra for number, kind in message_kinds().items()}


@functools.cache
def _long_file() -> tuple[bytes, list[int]]:
    """Twelve thousand records, start bytes in their payloads, and where each begins."""
    rng = np.random.default_rng(3)
    parts, at, starts = [], 0, []
    for k in range(12000):
        size = int(rng.integers(1, 50))
        payload = bytes(rng.choice([0xFD, 0xFE, 7, 0], size, p=[0.1, 0.1, 0.4, 0.4]).tolist())
        part = record(START_US + k, packet(253, payload or b"a", extra=EXTRAS[253], version=1 + k % 2))
        starts.append(at)
        parts.append(part)
        at += len(part)
    return b"".join(parts), starts


def test_a_long_file_is_walked_from_many_places_without_loss() -> None:
    data, starts = _long_file()
    frames = decode_bytes(data).frames
    assert frames.records.start.tolist() == starts
    assert (frames.skipped_bytes, frames.bad_checksum, frames.cut_off_at) == (0, 0, None)


def test_unknown_messages_are_frames() -> None:
    talker = Talker()
    parts = []
    for k in range(20):
        parts.append(talker.heartbeat(START_US + k))
        parts.append(record(START_US + k, packet(52000, bytes([k + 1] * 9), extra=FOREIGN_EXTRA)))
        parts.append(record(START_US + k, packet(190, bytes([k + 1] * 5), extra=FOREIGN_EXTRA, version=1)))
        parts.append(record(START_US + k, packet(16000000, b"\1\2", extra=FOREIGN_EXTRA)))
    log = decode_bytes(b"".join(parts))
    assert log.frames.records.start.size == 80
    assert log.frames.skipped_bytes == 0
    assert log.index[52000, (1, 1)].size == 20
    assert log.index[16000000, (1, 1)].size == 20


def test_a_spoilt_unknown_message_is_no_frame() -> None:
    good = [record(START_US, packet(52000, bytes([k + 1] * 9), extra=FOREIGN_EXTRA)) for k in range(20)]
    bad = bytearray(good[10])
    bad[25] ^= 0x40
    log = decode_bytes(b"".join([*good[:10], bytes(bad), *good[11:]]))
    assert log.frames.records.start.size == 19
    assert log.frames.bad_checksum == 1


def test_a_frame_inside_a_payload_belongs_to_its_carrier() -> None:
    inner = Talker().heartbeat(START_US)
    outer = record(START_US, packet(385, b"\0" * 10 + inner + b"\1", extra=EXTRAS[385]))
    log = decode_bytes(outer * 3)
    assert log.frames.records.message.tolist() == [385] * 3


def test_a_short_version_1_frame_after_a_version_2_frame_keeps_the_next_record() -> None:
    """The library's own file reader reads two bytes past such a frame and drops what follows."""
    talker = Talker()
    parts = [
        talker.heartbeat(START_US),
        record(START_US + 1, packet(245, b"\1\2", extra=EXTRAS[245], version=1)),
        talker.heartbeat(START_US + 2),
    ]
    assert decode_bytes(b"".join(parts)).frames.records.message.tolist() == [0, 245, 0]


def test_the_end_of_a_file_that_was_cut_is_told() -> None:
    whole = Talker().heartbeat(START_US)
    for length in range(1, len(whole)):
        frames = decode_bytes(whole * 4 + whole[:length]).frames
        assert frames.records.start.size == 4
        assert frames.cut_off_at == 4 * len(whole)
        assert frames.skipped_bytes == 0


def test_a_packet_with_unknown_demands_is_left_out() -> None:
    """The protocol says to discard packets with an unknown incompatibility flag."""
    odd = bytearray(Talker().heartbeat(START_US))
    odd[10] = 2
    frames = decode_bytes(Talker().heartbeat(START_US) + bytes(odd) + Talker().heartbeat(START_US)).frames
    assert frames.records.start.size == 2
    assert frames.skipped_bytes == len(odd)


@pytest.mark.parametrize("size", [0, 1, 7, 8, 15])
def test_files_too_short_for_a_record(size: int) -> None:
    assert decode_bytes(b"\xfe" * size).frames.records.start.size == 0
