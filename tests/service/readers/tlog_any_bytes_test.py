"""Frames in any bytes at all against the slow twin that reads byte by byte.

The compiled loops and the array code are given the same bytes: to draw those takes most of the time.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.service.readers.packets import START_US, Talker, packet, record
from tests.service.readers.plain_reader import plain_starts
from trimkeep.service.readers import tlog_kernel
from trimkeep.service.readers.tlog_frames import Frames
from trimkeep.service.readers.tlog_log import decode_bytes
from trimkeep.service.readers.tlog_messages import message_kinds

EXTRAS = {number: kind.extra for number, kind in message_kinds().items()}


@st.composite
def _records(draw: st.DrawFn) -> bytes:
    """A record with a right checksum; stamps and payloads may hold start bytes."""
    version = draw(st.sampled_from((1, 2)))
    number = draw(st.sampled_from((0, 1, 30, 62, 253) if version == 1 else (0, 30, 245, 253, 375, 385)))
    payload = draw(
        st.binary(min_size=1, max_size=60) | st.lists(st.sampled_from((0xFD, 0xFE, 0, 1))).map(bytes)
    )
    built = packet(
        number,
        payload or b"\0",
        extra=EXTRAS[number],
        version=version,
        signed=version == 2 and draw(st.booleans()),
        system=draw(st.sampled_from((1, 2, 0xFD))),
    )
    return record(draw(st.integers(0, 2**64 - 1)), built)


@st.composite
def _spoilt(draw: st.DrawFn) -> bytes:
    """A record that lost bytes or had one changed."""
    whole = bytearray(draw(_records()))
    if draw(st.booleans()):
        whole[draw(st.integers(0, len(whole) - 1))] ^= draw(st.integers(1, 255))
        return bytes(whole)
    return bytes(whole[: draw(st.integers(0, len(whole)))])


_garbage = st.binary(max_size=40) | st.lists(st.sampled_from((0xFD, 0xFE, 0, 1, 9)), max_size=60).map(bytes)


def frames_by_each_way(data: bytes) -> dict[str, Frames]:
    """What the compiled loops find, where they are installed, and what the array code finds."""
    found = {"compiled": decode_bytes(data).frames} if tlog_kernel.compiled() else {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tlog_kernel, "kernel", None)
        return {**found, "arrays": decode_bytes(data).frames}


@settings(max_examples=250, deadline=None)
@given(st.lists(_records() | _records() | _spoilt() | _garbage, max_size=12).map(b"".join))
def test_finds_exactly_what_one_pass_byte_by_byte_finds(data: bytes) -> None:
    starts = plain_starts(data, EXTRAS)
    for way, frames in frames_by_each_way(data).items():
        assert frames.records.start.tolist() == starts, way


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=3000))
def test_arbitrary_bytes_give_frames_or_none(data: bytes) -> None:
    for way, frames in frames_by_each_way(data).items():
        covered = int((frames.records.end - frames.records.start).sum())
        rest = len(data) - (frames.cut_off_at if frames.cut_off_at is not None else len(data))
        assert covered + frames.skipped_bytes + rest == len(data), way


def test_the_array_code_works_without_the_kernel(monkeypatch: pytest.MonkeyPatch) -> None:
    """What stands for the kernel can do nothing: only the compiled way may ask it."""
    data = Talker().heartbeat(START_US)
    monkeypatch.setattr(tlog_kernel, "kernel", object())
    with pytest.raises(AttributeError):
        frames_by_each_way(data)
    monkeypatch.setattr(tlog_kernel, "kernel", None)
    assert list(frames_by_each_way(data)) == ["arrays"]
