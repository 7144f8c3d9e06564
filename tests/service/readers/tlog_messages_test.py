"""Every message of the common set, field by field and bit by bit, against the library's decoding."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymavlink.dialects.v20 import common, development

from tests.service.readers.packets import START_US, packet, record
from trimkeep.service.readers.tlog_log import decode_bytes
from trimkeep.service.readers.tlog_messages import message_kinds

GENERATED = {**development.mavlink_map, **common.mavlink_map}
NUMBERS = sorted(GENERATED)
NAN = struct.pack("<f", float("nan"))

pytestmark = pytest.mark.usefixtures("both_ways")


def _bits(value: Any) -> Any:
    """A number as its bits, so that NaN payloads and signed zeros are compared too."""
    if isinstance(value, (float, np.floating)):
        return struct.pack("<d", float(value))
    return int(value)


def _same(ours: np.void, theirs: Any) -> None:
    for field in theirs.ordered_fieldnames:
        # The library keeps texts whole under this name, and cuts them at the first zero under the other.
        said = getattr(theirs, f"_{field}_raw", getattr(theirs, field))
        mine = ours[field]
        if isinstance(said, (bytes, str)):
            assert bytes(mine) == (said.encode() if isinstance(said, str) else said), field
        elif isinstance(said, list):
            assert [_bits(x) for x in mine] == [_bits(x) for x in said], field
        else:
            assert _bits(mine) == _bits(said), field


def _check(number: int, payloads: list[tuple[bytes, int]]) -> None:
    kind = GENERATED[number]
    library = development.MAVLink(None) if number not in common.mavlink_map else common.MAVLink(None)
    packets = [
        packet(
            number,
            payload,
            extra=kind.crc_extra,
            version=version,
            seq=k % 256,
            signed=version == 2 and k % 3 == 0,
        )
        for k, (payload, version) in enumerate(payloads)
    ]
    log = decode_bytes(b"".join(record(START_US + k, part) for k, part in enumerate(packets)))
    decoded = log.decode(number, (1, 1))
    assert decoded.size == len(packets)
    for ours, part in zip(decoded, packets, strict=True):
        _same(ours, library.decode(bytearray(part)))


def _versions(number: int) -> tuple[int, ...]:
    return (1, 2) if number < 256 else (2,)


@pytest.mark.parametrize("number", NUMBERS, ids=[GENERATED[n].msgname for n in NUMBERS])
def test_every_message_with_random_payloads(number: int) -> None:
    rng = np.random.default_rng(number)
    size = GENERATED[number].unpacker.size
    payloads = []
    for k in range(12):
        content = rng.integers(0, 256, size, dtype=np.uint8)
        if k == 1:  # not a number in every float
            content = np.resize(np.frombuffer(NAN, np.uint8), size)
        if k == 2:  # the sender cut its zeros off
            content[size // 2 :] = 0
        if k == 3:
            content[:] = 0
        for version in _versions(number):
            raw = content.tobytes()
            payloads.append(((raw.rstrip(b"\0") or raw[:1]) if version == 2 else raw, version))
    payloads.append((bytes(rng.integers(1, 256, min(size + 7, 255), dtype=np.uint8)), 2))  # a newer sender
    _check(number, payloads)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_payload_of_any_message(data: st.DataObject) -> None:
    number = data.draw(st.sampled_from(NUMBERS))
    payload = st.tuples(st.binary(min_size=1, max_size=255), st.sampled_from(_versions(number)))
    _check(number, data.draw(st.lists(payload, min_size=1, max_size=6)))


def test_the_one_message_the_library_lacks_is_laid_out_as_published() -> None:
    kind = message_kinds()[291]
    assert (kind.name, kind.layout.itemsize) == ("ESC_STATUS", 57)


def test_several_senders_are_told_apart() -> None:
    extra = GENERATED[0].crc_extra
    one = [packet(0, bytes([k]) * 9, extra=extra, system=1 + k % 3, component=k % 2) for k in range(1, 31)]
    log = decode_bytes(b"".join(record(START_US, part) for part in one))
    assert sum(log.senders.values()) == 30
    assert len(log.senders) == 6
    for (system, component), count in log.senders.items():
        first_bytes = log.decode("HEARTBEAT", (system, component))["type"]
        expected = [k for k in range(1, 31) if 1 + k % 3 == system and k % 2 == component]
        assert first_bytes.tolist() == expected
        assert count == len(expected)
