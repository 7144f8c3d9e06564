"""Folded checksums against the plain loop."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymavlink.generator.mavcrc import x25crc_slow

from trimkeep.service.readers.tlog_crc import NO_EXTRA, crc_matches, definition_extra, implied_extra
from trimkeep.service.readers.tlog_messages import message_kinds

pytestmark = pytest.mark.usefixtures("both_ways")


def _spread(
    bodies: list[bytes], extras: list[int], gaps: list[int]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The bodies with their checksums at odd places of one buffer full of other bytes."""
    buffer, first, end = bytearray(b"\xa5" * 9), [], []
    for body, extra, gap in zip(bodies, extras, gaps, strict=True):
        buffer += b"\x5a" * gap
        first.append(len(buffer))
        end.append(len(buffer) + len(body))
        buffer += body + x25crc_slow(body + bytes([extra])).crc.to_bytes(2, "little")
    buffer += b"\xc3" * (320 - len(buffer) % 8)
    return np.frombuffer(bytes(buffer), np.uint8).copy(), np.asarray(first), np.asarray(end)


_case = st.tuples(st.binary(min_size=5, max_size=264), st.integers(0, 255), st.integers(0, 9))


@settings(max_examples=80, deadline=None)
@given(st.lists(_case, min_size=1, max_size=20))
def test_right_checksums_are_right_at_any_place_and_length(cases: list[tuple[bytes, int, int]]) -> None:
    data, first, end = _spread(*(list(part) for part in zip(*cases, strict=True)))
    extra = np.asarray([case[1] for case in cases], np.uint8)
    assert crc_matches(data, first, end, extra).all()
    assert not crc_matches(data, first, end, extra ^ 1).any()
    assert implied_extra(data, first, end).tolist() == extra.tolist()


def test_every_changed_bit_of_a_body_and_its_checksum_is_seen() -> None:
    body = bytes(np.random.default_rng(1).integers(0, 256, 61, dtype=np.uint8))
    data, first, end = _spread([body], [7], [3])
    extra = np.asarray([7], np.uint8)
    for byte in range(int(first[0]), int(end[0]) + 2):
        for bit in range(8):
            data[byte] ^= 1 << bit
            assert not crc_matches(data, first, end, extra)[0]
            data[byte] ^= 1 << bit
    assert crc_matches(data, first, end, extra)[0]


def test_a_random_checksum_has_an_extra_byte_once_in_256_times() -> None:
    rng = np.random.default_rng(5)
    data = rng.integers(0, 256, 400_008, dtype=np.uint8)
    first = np.arange(8, 390_000, 40)
    implied = implied_extra(data, first, first + 20)
    share = float((implied != NO_EXTRA).mean())
    # 9750 draws at 1/256: 38 expected, five standard deviations either way.
    assert abs(share * first.size - first.size / 256) < 5 * (first.size / 256) ** 0.5


def test_extra_bytes_from_definitions_agree_with_the_generated_ones() -> None:
    fields = (("time_unix_usec", "uint64_t", 0), ("time_boot_ms", "uint32_t", 0))
    assert definition_extra("SYSTEM_TIME", fields) == message_kinds()[2].extra
