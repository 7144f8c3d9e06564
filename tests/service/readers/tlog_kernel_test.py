"""The compiled loops against the array code, and against arguments that would lead them outside."""

from __future__ import annotations

import shutil
import subprocess
import sysconfig
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymavlink.generator.mavcrc import x25crc_slow

from tests.fuzz.seeds import telemetry
from tests.fuzz.targets import frame_loops
from trimkeep.service.readers import tlog_kernel
from trimkeep.service.readers.tlog_crc import crc_matches_by_arrays, implied_extra_by_arrays
from trimkeep.service.readers.tlog_messages import (
    decode_payloads,
    decode_payloads_by_arrays,
    message_kinds,
)

needs_kernel = pytest.mark.skipif(not tlog_kernel.compiled(), reason="installed without the compiled loops")
kernel: Any = tlog_kernel.kernel

DATA = np.random.default_rng(3).integers(0, 256, 4096, dtype=np.uint8)


def _places(*values: int) -> np.ndarray:
    return np.asarray(values, np.int64)


def test_a_machine_that_can_compile_them_has_them(tmp_path: Path) -> None:
    compiler = (sysconfig.get_config_var("CC") or "cc").split()[0]
    source = tmp_path / "needs.c"
    source.write_text("#include <Python.h>\n#include <stdint.h>\n")
    include = f"-I{sysconfig.get_path('include')}"
    if (
        shutil.which(compiler) is None
        or subprocess.run(
            [compiler, include, "-c", source, "-o", tmp_path / "needs.o"], capture_output=True
        ).returncode
    ):
        pytest.skip("no compiler, or no headers of the interpreter or the system's library here")
    assert tlog_kernel.compiled(), "install anew: pip install -e ."


@needs_kernel
@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 3700), st.integers(5, 264)), min_size=1, max_size=40), st.data())
def test_any_bodies_anywhere_are_judged_alike(spans: list[tuple[int, int]], data: st.DataObject) -> None:
    first, length = np.asarray(spans, np.int64).T.copy()
    end = first + length
    extra = data.draw(st.binary(min_size=first.size, max_size=first.size))
    extras = np.frombuffer(extra, np.uint8)
    implied = implied_extra_by_arrays(DATA, first, end)
    right = np.where(implied >= 0, implied, extras).astype(np.uint8)  # else hardly any would match
    for tried in (extras, right):
        good = np.empty(first.size, bool)
        kernel.crc_matches(DATA, first, end, tried, good)
        assert np.array_equal(good, crc_matches_by_arrays(DATA, first, end, tried))
    found = np.empty(first.size, np.int16)
    kernel.implied_extra(DATA, first, end, found)
    assert np.array_equal(found, implied)


@needs_kernel
@pytest.mark.parametrize("place", [0, 9, 14])
def test_bodies_near_the_beginning_take_the_tables_of_other_processors(place: int) -> None:
    lengths = np.arange(265)
    first = np.full(lengths.size, place)
    implied = np.empty(lengths.size, np.int16)
    good = np.empty(lengths.size, bool)
    for k, end in enumerate((first + lengths).tolist()):
        body = DATA[place:end].tobytes()
        data = np.concatenate((DATA[:end], np.zeros(2, np.uint8)))
        data[end:] = list(x25crc_slow(body + b"\x07").crc.to_bytes(2, "little"))
        one = slice(k, k + 1)
        kernel.implied_extra(data, first[one], first[one] + lengths[one], implied[one])
        kernel.crc_matches(data, first[one], first[one] + lengths[one], np.full(1, 7, np.uint8), good[one])
    assert (implied == 7).all() and good.all()


@needs_kernel
def test_whole_and_spoilt_logs_are_taken_apart_alike() -> None:
    content = telemetry()
    spoilt = bytearray(content)
    for at in np.random.default_rng(8).integers(0, len(spoilt), 60).tolist():
        spoilt[at] ^= 0x55
    assert all(frame_loops(data) for data in (content, bytes(spoilt), content[:-3], content[5:]))


@needs_kernel
@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=700))
def test_arbitrary_bytes_and_places_lead_nowhere(data: bytes) -> None:
    frame_loops(data)


@needs_kernel
@pytest.mark.parametrize(
    ("first", "end"),
    [
        (-1, 20),
        (-(2**63), 20),
        (20, 19),
        (20, -(2**63)),
        (1, 4095),  # the checksum's second byte would lie behind the end
        (1, 4096),
        (1, 2**63 - 1),
        (2**63 - 1, 2**63 - 1),
        (-(2**63), 2**63 - 1),
    ],
)
def test_a_body_outside_the_data_is_refused(first: int, end: int) -> None:
    places = _places(1, first), _places(30, end)
    with pytest.raises(IndexError):
        kernel.crc_matches(DATA, *places, np.zeros(2, np.uint8), np.empty(2, bool))
    with pytest.raises(IndexError):
        kernel.implied_extra(DATA, *places, np.empty(2, np.int16))


@needs_kernel
def test_bodies_up_to_the_last_byte_and_longer_than_any_message_are_read() -> None:
    first, end = _places(0, 0, 4094, 0, 4000), _places(0, 4094, 4094, 300, 4094)
    kernel.crc_matches(DATA, first, end, np.zeros(5, np.uint8), np.empty(5, bool))
    for size in (0, 1):
        with pytest.raises(IndexError):
            kernel.crc_matches(DATA[:size], first[:1], end[:1], np.zeros(1, np.uint8), np.empty(1, bool))


@needs_kernel
@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3700), st.integers(0, 255)), max_size=30), st.integers(0, 500))
def test_payloads_are_fetched_alike(spans: list[tuple[int, int]], number: int) -> None:
    kind = message_kinds().get(number) or message_kinds()[30]
    payload = np.asarray([at for at, _ in spans], np.int64)
    length = np.asarray([sent for _, sent in spans], np.uint8)
    mine = decode_payloads(DATA, payload, length, kind.layout)
    his = decode_payloads_by_arrays(DATA, payload, length, kind.layout)
    assert mine.dtype == his.dtype and mine.tobytes() == his.tobytes()


@needs_kernel
@pytest.mark.parametrize(
    ("payload", "length"), [(-1, 4), (-(2**63), 4), (4093, 4), (4097, 0), (2**63 - 1, 255)]
)
def test_a_payload_outside_the_data_is_refused(payload: int, length: int) -> None:
    rows, sent = np.full(8, 7, np.uint8), np.asarray([length], np.uint8)
    with pytest.raises(IndexError):
        kernel.fetch(DATA, rows, _places(payload), sent)
    kernel.fetch(DATA, rows, _places(4092), np.asarray([4], np.uint8))
    assert rows.tolist() == [*DATA[-4:].tolist(), 0, 0, 0, 0]
    with pytest.raises(ValueError, match="equally long"):
        kernel.fetch(DATA, rows, _places(1, 1, 1), np.zeros(3, np.uint8))


def _columns(n: int) -> list[np.ndarray]:
    kinds = (np.uint64, np.int64, np.int64, np.uint8, np.int32, np.uint8, np.uint8, np.uint8)
    return [np.empty(n, kind) for kind in kinds]


@needs_kernel
@pytest.mark.parametrize("start", [-1, -(2**63), 2**63 - 1, 4096, 4096 - 17])
def test_a_record_outside_the_data_is_refused(start: int) -> None:
    with pytest.raises(IndexError):
        kernel.check(DATA, np.zeros(65536, np.int16), _places(start), *_columns(1))


@needs_kernel
def test_a_record_whose_length_byte_leads_outside_is_refused() -> None:
    data = np.zeros(64, np.uint8)
    data[8:10] = 0xFE, 255
    with pytest.raises(IndexError):
        kernel.check(data, np.zeros(65536, np.int16), _places(0), *_columns(1))


@needs_kernel
def test_walkers_stay_inside_whatever_they_are_told() -> None:
    data = np.full(2048, 0xFE, np.uint8)
    far = 2**63 - 1
    met = np.empty(200, np.int64)
    assert kernel.walk(data, met, _places(-5, far, 2048, -(2**63)), _places(*[far] * 4), far, far) == 0
    assert kernel.walk(data, met, _places(0), _places(far), far, far) == 7  # 270 bytes each
    assert met[:7].tolist() == list(range(0, 7 * 270, 270))
    with pytest.raises(IndexError):
        kernel.walk(data, met[:3], _places(0), _places(far), far, far)


@needs_kernel
def test_arguments_of_the_wrong_kind_are_refused() -> None:
    first, end, extra, good = _places(1, 2), _places(30, 40), np.zeros(2, np.uint8), np.empty(2, bool)
    shut = good.copy()
    shut.flags.writeable = False
    wrong: list[tuple[Any, ...]] = [
        (DATA, first.astype(np.int32), end, extra, good),
        (DATA, first, end[:1], extra, good),
        (DATA, first, end, extra[:1], good),
        (DATA, first, end, extra, good[:1]),
        (DATA.astype(np.uint16), first, end, extra, good),
        (DATA[::2], first, end, extra, good),
        (DATA, first, end, extra, shut),
        (DATA, first, end, extra),
        (DATA, first, end, extra, None),
    ]
    for arguments in wrong:
        with pytest.raises((ValueError, BufferError, TypeError)):
            kernel.crc_matches(*arguments)
    with pytest.raises(ValueError, match="entries"):
        kernel.check(DATA, np.zeros(9, np.int16), _places(0), *_columns(1))
    with pytest.raises(TypeError):
        kernel.walk(DATA, np.empty(3, np.int64), _places(0), _places(9), 9)
