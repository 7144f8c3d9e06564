"""What is fuzzed: one function for each thing that reads other people's bytes.

Every target takes bytes and says whether they were accepted. It may meet the project's own errors, of the
kind that belongs to it; anything else that is raised is a find. What comes out must keep the promises of its
type.
The same functions serve the coverage-guided fuzzer, the plain loop of the tests and the broken logs.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np

from tests.fuzz import seeds
from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import CARD_FILE, COLUMNS_FILE, load_card
from trimkeep.config.errors import JournalError, LogError, SettingsError
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.model import Outcome, Recording
from trimkeep.service.channel_map import describe, propose
from trimkeep.service.ingest.extract import flight_row
from trimkeep.service.ingest.tools import TOOLS
from trimkeep.service.journal import effective_at
from trimkeep.service.journal_table import read_table
from trimkeep.service.readers import table as table_reader
from trimkeep.service.readers import tlog as tlog_reader
from trimkeep.service.readers import tlog_kernel
from trimkeep.service.readers.registry import read_log
from trimkeep.service.readers.tlog_crc import NO_EXTRA, Positions
from trimkeep.service.readers.tlog_log import DecodedLog, decode_bytes
from trimkeep.service.schedule import parse_schedules
from trimkeep.service.store.recordings import read_recording, write_recording
from trimkeep.service.store.values import to_store

ZONE = "Europe/Lisbon"


@cache
def workspace() -> Path:
    """A fleet folder with one airframe, in memory where the system offers that."""
    shared = Path("/dev/shm")
    top = Path(tempfile.mkdtemp(prefix="trimkeep-fuzz-", dir=shared if shared.is_dir() else None))
    (top / "heron-1").mkdir()
    (top / "heron-1" / CARD_FILE).write_text(seeds.CARD)
    return top


@cache
def _fleet() -> FleetSettings:
    return load_fleet(workspace(), environment={})


@cache
def card() -> AirframeCard:
    """The card under which logs are read."""
    return load_card(_fleet(), workspace() / "heron-1")


def _file(name: str, data: bytes) -> Path:
    path = workspace() / name
    path.write_bytes(data)
    return path


def assert_sound(recording: Recording) -> None:
    """What every reader promises of a recording it hands out."""
    assert math.isfinite(recording.duration_s) and recording.duration_s >= 0.0
    assert recording.start_utc is None or recording.start_utc.utcoffset() is not None
    for name, channel in recording.channels.items():
        assert channel.time_s.dtype == channel.value.dtype == np.float64, name
        assert channel.time_s.shape == channel.value.shape and channel.time_s.ndim == 1, name
        assert np.isfinite(channel.time_s).all(), name
        assert (np.diff(channel.time_s) >= 0.0).all(), name
        if channel.time_s.size:
            assert channel.time_s[0] >= 0.0 and channel.time_s[-1] <= recording.duration_s, name
    times = [reading.time_s for reading in recording.parameters]
    assert all(math.isfinite(t) for t in times)


def telemetry(data: bytes) -> bool:
    """The telemetry reader."""
    tlog_reader.sniff(data, "a.tlog")
    try:
        assert_sound(tlog_reader.read(_file("a.tlog", data), card()))
    except LogError:
        return False
    return True


def frame_loops(data: bytes) -> bool:
    """The telemetry reader's compiled loops: they find what the array code finds, and never look outside."""
    log, twin = decode_bytes(data), _decoded_by_arrays(data)
    for name in log.frames.records.__slots__:
        mine, his = getattr(log.frames.records, name), getattr(twin.frames.records, name)
        assert mine.dtype == his.dtype and np.array_equal(mine, his), name
    assert log.frames.skipped_bytes == twin.frames.skipped_bytes
    assert log.frames.bad_checksum == twin.frames.bad_checksum
    assert log.frames.cut_off_at == twin.frames.cut_off_at
    if tlog_kernel.kernel is not None:
        wild = np.frombuffer(data[: len(data) // 16 * 16], np.int64)
        for places in (wild, wild % (len(data) + 40) - 20):
            _assert_stays_inside(tlog_kernel.kernel, data, places[0::2].copy(), places[1::2].copy())
    return bool(log.frames.records.start.size)


def _decoded_by_arrays(data: bytes) -> DecodedLog:
    kept = tlog_kernel.kernel
    try:
        tlog_kernel.kernel = None  # type: ignore[assignment]
        return decode_bytes(data)
    finally:
        tlog_kernel.kernel = kept


def _assert_stays_inside(kernel: ModuleType, data: bytes, first: Positions, end: Positions) -> None:
    """Places that no caller would hand over are read if they lie inside, and refused if not."""
    inside = (first >= 0) & (end >= first) & (end <= len(data) - 2)
    implied = np.empty(first.size, np.int16)
    try:
        kernel.implied_extra(data, first, end, implied)
    except IndexError:
        assert not inside.all()
    else:
        assert inside.all()
        good = np.empty(first.size, bool)
        kernel.crc_matches(data, first, end, implied.astype(np.uint8), good)
        assert np.array_equal(good, implied != NO_EXTRA)
    kernel.walk(data, np.empty(len(data) // 16 + first.size, np.int64), first, end, len(data), 3)
    columns = [np.empty(first.size, kind) for kind in ("u8", "i8", "i8", "u1", "i4", "u1", "u1", "u1")]
    with suppress(IndexError):
        kernel.check(data, np.zeros(65536, np.int16), first, *columns)
    with suppress(IndexError):
        kernel.fetch(data, np.empty(28 * first.size, np.uint8), first, end.astype(np.uint8))


def table(data: bytes) -> bool:
    """The table reader, text and Parquet."""
    table_reader.sniff(data, "a.csv")
    try:
        assert_sound(table_reader.read(_file("a.csv", data), card()))
    except LogError:
        return False
    return True


def whole_path(data: bytes) -> bool:
    """All that is done to one log: choose, read, split, measure, write, read back.

    A detector that fails on values that a log may hold is a find as well.
    """
    path = _file("any.log", data)
    try:
        recording = read_log(path, card())
    except LogError:
        return False
    assert_sound(recording)
    for flight in TOOLS.split(recording, card()):
        assert 0.0 <= flight.start_s <= flight.end_s <= recording.duration_s
        runs = TOOLS.run(flight, TOOLS.detectors())
        for run in runs:
            assert run.outcome is not Outcome.FAILED, run.detail
        row = flight_row(flight, runs, path.name, 1_700_000_000_000_000_000, ZONE)
        assert to_store(row.started_at) is not None
    written = workspace() / "any.parquet"
    write_recording(recording, written)
    again = read_recording(written)
    assert list(again.channels) == list(recording.channels)
    for name, channel in recording.channels.items():
        assert np.array_equal(again.channels[name].value, channel.value, equal_nan=True), name
    return True


def journal(data: bytes) -> bool:
    """The maintenance journal."""
    try:
        entries = read_table(data, "journal.csv", ZONE)
    except JournalError:
        return False
    for entry in entries:
        assert isinstance(effective_at(entry.done_at, ZONE), datetime)
        entry.note.encode("utf-8")  # it goes into the store
    return True


def settings(data: bytes) -> bool:
    """`fleet.toml`."""
    folder = workspace() / "settings"
    folder.mkdir(exist_ok=True)
    (folder / "fleet.toml").write_bytes(data)
    try:
        fleet = load_fleet(folder, environment={})
        parse_schedules(fleet.settings.digest, fleet.time_zone)
    except SettingsError:
        return False
    return True


def airframe_card(data: bytes) -> bool:
    """`airframe.toml`."""
    folder = workspace() / "cards" / "heron-1"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / CARD_FILE).write_bytes(data)
    try:
        found = load_card(_fleet(), folder)
    except SettingsError:
        return False
    assert found.id and found.motors >= 1
    assert all(math.isfinite(value) for value in found.limits.values())
    return True


def channel_map(data: bytes) -> bool:
    """`channels.toml`, and a table read through it."""
    folder = workspace() / "maps" / "heron-1"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / COLUMNS_FILE).write_bytes(data)
    foreign = folder / "a.csv"
    if not foreign.exists():
        foreign.write_text("t,theta,alt_ft,elev\n0,0.1,300,1\n500,0.2,310,2\n1000,-0.1,305,-3\n")
    try:
        found = load_card(_fleet(), folder)
        assert_sound(table_reader.read(foreign, found))
    except (SettingsError, LogError):
        return False
    return True


def channel_proposal(data: bytes) -> bool:
    """What is said of a table that nobody has mapped yet."""
    path = _file("foreign.csv", data)
    try:
        describe(path, AirframeCard(id="a"))
        for line in propose(path, AirframeCard(id="a")):
            assert line.sign in (1, -1) and line.scale > 0.0
    except LogError:
        return False
    return True


TARGETS: dict[str, tuple[Callable[[bytes], bool], tuple[bytes, ...]]] = {
    "telemetry": (telemetry, (seeds.telemetry()[:12000],)),
    "frame_loops": (frame_loops, (seeds.telemetry()[:12000],)),
    "table": (table, (seeds.table().encode()[:4000], seeds.parquet())),
    "whole_path": (whole_path, (seeds.telemetry(), seeds.table().encode(), seeds.parquet())),
    "journal": (journal, (seeds.JOURNAL.encode(), seeds.JOURNAL.encode("utf-16"))),
    "settings": (settings, (seeds.SETTINGS.encode(),)),
    "airframe_card": (airframe_card, (seeds.CARD.encode(),)),
    "channel_map": (channel_map, (seeds.CHANNEL_MAP.encode(),)),
    "channel_proposal": (channel_proposal, (seeds.foreign_table().encode(),)),
}
"""Target's name to the function and the sound inputs it is mutated from."""
