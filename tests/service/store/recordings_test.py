"""A recording comes back from Parquet exactly, and only what is asked for is read."""

from __future__ import annotations

import os
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from trimkeep.config.errors import StoreDamaged
from trimkeep.detectors.model import Channel, ClockSource, Note, ParameterReading, Recording, Text
from trimkeep.service.store.recordings import read_recording, sweep, write_recording

SHARED_TIME = np.array([0.0, 0.02, 0.04])
WHOLE = Recording(
    source="a „strange“ name.tlog",
    reader="tlog",
    reader_version=3,
    duration_s=12.25,
    channels={
        "pitch_deg": Channel(SHARED_TIME, np.array([1.0, np.nan, -0.0])),
        "bank_deg": Channel(SHARED_TIME, np.array([np.inf, 2.0**-1074, 1e300])),
        "armed": Channel(np.array([]), np.array([])),
        "altitude_m": Channel(np.arange(10.0)[::2], np.arange(20.0)[::4]),
    },
    start_utc=datetime(2026, 3, 14, 10, 0, 0, 123456, tzinfo=UTC),
    clock=ClockSource.SATELLITE,
    firmware="4.2.0",
    board="board 7",
    parameters=(
        ParameterReading(0.1, "BANK_MAX", float(np.float32(0.1))),
        ParameterReading(5.0, "X", np.nan),
    ),
    texts=(Text(1.0, 4, "line\nbreak \N{DEGREE SIGN}"),),
    notes=(Note("cut_off", {"bytes": 12}), Note("no_card")),
)


def assert_same(a: Recording, b: Recording) -> None:
    for name in (one.name for one in fields(Recording) if one.compare):
        if name not in ("channels", "parameters"):
            assert getattr(a, name) == getattr(b, name), name
    assert repr(a.parameters) == repr(b.parameters)  # NaN is not equal to itself
    assert list(a.channels) == list(b.channels)
    for name, channel in a.channels.items():
        for own, other in (
            (channel.time_s, b.channels[name].time_s),
            (channel.value, b.channels[name].value),
        ):
            assert own.tobytes() == other.tobytes(), name
            assert other.dtype == np.float64


def test_round_trip_is_exact(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    size = write_recording(WHOLE, path)
    assert size == path.stat().st_size
    assert_same(WHOLE, read_recording(path))
    assert list(tmp_path.iterdir()) == [path]


floats = st.floats(width=64)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    hnp.arrays(np.float64, st.integers(0, 50), elements=floats), st.text(max_size=20), st.none() | st.text()
)
def test_any_numbers_and_texts_come_back(
    tmp_path: Path, values: np.ndarray, name: str, firmware: str | None
) -> None:
    recording = Recording(
        source=name.encode("utf-8", "replace").decode(),
        reader="r",
        reader_version=1,
        duration_s=float(values.size),
        channels={"height_m": Channel(np.arange(values.size, dtype=float), values)},
        firmware=firmware,
    )
    path = tmp_path / "b.parquet"
    write_recording(recording, path)
    assert_same(recording, read_recording(path))


def test_no_channels_at_all(tmp_path: Path) -> None:
    recording = Recording("a", "r", 1, 0.0, {})
    write_recording(recording, tmp_path / "a.parquet")
    assert_same(recording, read_recording(tmp_path / "a.parquet"))


def test_only_the_channels_asked_for_are_read_and_cannot_be_written_to(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    write_recording(WHOLE, path)
    part = read_recording(path, ["altitude_m", "unknown"])
    assert list(part.channels) == ["altitude_m"]
    assert not part.channels["altitude_m"].value.flags.writeable
    assert part.parameters[0] == WHOLE.parameters[0]


def test_channels_of_one_message_share_one_time_base(tmp_path: Path) -> None:
    write_recording(WHOLE, tmp_path / "a.parquet")
    back = read_recording(tmp_path / "a.parquet").channels
    assert back["pitch_deg"].time_s is back["bank_deg"].time_s


@pytest.mark.parametrize("damage", ["missing", "cut", "rubbish"])
def test_a_damaged_file_is_said_to_be_damaged(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "a.parquet"
    if damage == "cut":
        write_recording(WHOLE, path)
        path.write_bytes(path.read_bytes()[:-20])
    elif damage == "rubbish":
        path.write_bytes(b"PAR1 no PAR1")
    with pytest.raises(StoreDamaged, match="can be read again"):
        read_recording(path)


def test_a_failed_write_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_recording(WHOLE, tmp_path / "a.parquet")
    assert list(tmp_path.iterdir()) == []


def test_sweep_removes_only_old_files_without_a_row(tmp_path: Path) -> None:
    for name in ("known.parquet", "orphan.parquet", "x.parquet.1.part", "young.parquet"):
        (tmp_path / name).write_bytes(b"")
        os.utime(tmp_path / name, (1000.0, 1000.0) if name != "young.parquet" else (5000.0, 5000.0))
    sweep(tmp_path, frozenset({"known"}), older_than_s=3600.0, now_s=6000.0)
    assert {path.name for path in tmp_path.iterdir()} == {"known.parquet", "young.parquet"}
