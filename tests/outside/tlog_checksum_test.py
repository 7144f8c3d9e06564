"""The packets' checksum, compiled and by arrays, against three libraries' CRC-16/MCRF4XX.

crccheck (a catalogue of checksums), pymavlink's plain loop and fastcrc; bodies of every length that a packet
can have, at every place in a block, with every byte of a packet's end.
"""

from __future__ import annotations

import crccheck.crc
import numpy as np
import pytest
from fastcrc import crc16
from pymavlink.generator.mavcrc import x25crc_slow

from trimkeep.service.readers import tlog_crc, tlog_kernel

LENGTHS = range(5, 9 + 255 + 1)  # a version 1 packet without payload; a version 2 packet with the longest


def _outside(body: bytes, extra: int) -> int:
    message = body + bytes([extra])
    crc: int = crccheck.crc.Crc16Mcrf4XX.calc(message)
    assert crc == crc16.mcrf4xx(message) == x25crc_slow(message).crc
    return crc


@pytest.mark.parametrize("way", ["compiled", "arrays"])
def test_every_length_and_place_agrees_with_the_libraries(way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if way == "arrays":
        monkeypatch.setattr(tlog_kernel, "kernel", None)
    elif not tlog_kernel.compiled():
        pytest.skip("installed without the compiled loops")
    rng = np.random.default_rng(16)
    buffer, first, end, extras = bytearray(b"\x77" * 9), [], [], []
    for length in LENGTHS:
        body, extra = rng.bytes(length), int(rng.integers(0, 256))
        first.append(len(buffer))
        end.append(len(buffer) + length)
        extras.append(extra)
        buffer += body + _outside(body, extra).to_bytes(2, "little") + b"\x77" * (length % 4)
    data = np.frombuffer(bytes(buffer) + bytes(320 - len(buffer) % 8), np.uint8)
    places = np.asarray(first), np.asarray(end)
    extra_bytes = np.asarray(extras, np.uint8)
    assert tlog_crc.crc_matches(data, *places, extra_bytes).all()
    assert not tlog_crc.crc_matches(data, *places, extra_bytes ^ 0x80).any()
    assert tlog_crc.implied_extra(data, *places).tolist() == extras
