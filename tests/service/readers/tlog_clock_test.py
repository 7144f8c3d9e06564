"""The one time base: jitter, jumps, restarts, stamps that are no time, and what wall time rests on."""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.service.readers.packets import START_US, Talker
from trimkeep.detectors.model import ClockSource
from trimkeep.service.readers.tlog_clock import Clock, make_clock
from trimkeep.service.readers.tlog_log import DecodedLog, decode_bytes
from trimkeep.service.readers.tlog_source import Source, _stretches

START = datetime.fromtimestamp(START_US / 1e6, UTC)
ME = (1, 1)


def _clock(content: bytes) -> tuple[DecodedLog, Clock, np.ndarray]:
    log = decode_bytes(content)
    clock = make_clock(log, ME)
    return log, clock, Source(log, ME, clock).get("ATTITUDE").time_s


def _attitudes(stamps_us: np.ndarray, boot_ms: np.ndarray) -> bytes:
    talker = Talker()
    pairs = zip(stamps_us.tolist(), boot_ms.tolist(), strict=True)
    return b"".join(talker.say(int(stamp), "ATTITUDE", time_boot_ms=int(boot)) for stamp, boot in pairs)


def _codes(clock: Clock) -> list[str]:
    return [note.code for note in clock.notes]


def test_the_links_jitter_is_gone() -> None:
    rng = np.random.default_rng(1)
    boot = np.arange(500) * 20
    stamps = START_US + boot * 1000 + rng.integers(0, 60_000, boot.size)
    _, clock, time = _clock(_attitudes(stamps, boot))
    assert np.diff(time) == pytest.approx(0.02, abs=1e-9)
    assert clock.source is ClockSource.RECEIVER
    assert clock.start_utc is not None
    assert abs((clock.start_utc - START).total_seconds()) < 0.1  # the link's delay
    assert clock.notes == ()


@pytest.mark.parametrize("jump_s", [400_000_000.0, -7200.0, 3.5])
def test_a_jump_of_the_receivers_clock_is_noted_and_moves_nothing(jump_s: float) -> None:
    boot = np.arange(1000) * 20
    stamps = START_US + boot * 1000
    stamps[600:] += int(jump_s * 1e6)
    _, clock, time = _clock(_attitudes(stamps, boot))
    assert np.diff(time) == pytest.approx(0.02, abs=1e-9)
    (note,) = clock.notes
    assert note.code == "clock_jump"
    assert note.values["seconds"] == pytest.approx(jump_s, abs=0.01)
    # After the jump the clock is right: satellite time arrived.
    assert clock.start_utc is not None
    assert abs((clock.start_utc - START).total_seconds() - jump_s) < 0.1


def test_a_jump_without_time_since_boot_is_taken_out_too() -> None:
    talker = Talker()
    stamps = START_US + np.arange(60) * 1_000_000
    stamps[30:] -= 500_000_000
    log = decode_bytes(b"".join(talker.heartbeat(int(stamp)) for stamp in stamps))
    clock = make_clock(log, ME)
    time = Source(log, ME, clock).get("HEARTBEAT").time_s
    assert _codes(clock) == ["clock_jump"]
    assert np.all(np.diff(time) >= 0.0)
    assert time[-1] == pytest.approx(58.0, abs=1.0)


def test_a_gap_in_the_recording_is_time() -> None:
    talker = Talker()
    stamps = START_US + np.arange(60) * 1_000_000
    stamps[30:] += 600_000_000
    log = decode_bytes(b"".join(talker.heartbeat(int(stamp)) for stamp in stamps))
    clock = make_clock(log, ME)
    assert clock.notes == ()
    assert Source(log, ME, clock).get("HEARTBEAT").time_s[-1] == pytest.approx(659.0)


def test_a_restart_of_the_autopilot_goes_on_in_time() -> None:
    boot = np.concatenate((50_000 + np.arange(300) * 20, np.arange(300) * 20))
    stamps = START_US + np.arange(600) * 20_000
    stamps[300:] += 4_000_000
    _, clock, time = _clock(_attitudes(stamps, boot))
    step = np.diff(time)
    assert step[299] == pytest.approx(4.02, abs=1e-6)
    assert np.delete(step, 299) == pytest.approx(0.02, abs=1e-9)
    assert clock.notes == ()


def test_messages_without_own_time_lie_between_their_neighbours() -> None:
    talker = Talker()
    content = b""
    for k in range(200):
        content += talker.say(START_US + k * 20_000, "ATTITUDE", time_boot_ms=k * 20)
        content += talker.say(START_US + k * 20_000 + 5_000, "VFR_HUD", airspeed=15.0)
    log = decode_bytes(content)
    source = Source(log, ME, make_clock(log, ME))
    lag = source.get("VFR_HUD").time_s - source.get("ATTITUDE").time_s
    assert lag == pytest.approx(0.005, abs=1e-6)


def test_stamps_the_wrong_way_round_are_read_and_said() -> None:
    talker = Talker()
    packets = [talker.say(0, "ATTITUDE", time_boot_ms=k * 20)[8:] for k in range(200)]
    turned = b"".join(struct.pack("<Q", START_US + 20_000 * k) + part for k, part in enumerate(packets))
    _, clock, time = _clock(turned)
    assert _codes(clock) == ["implausible_year"]
    assert clock.start_utc == START
    assert time[-1] == pytest.approx(199 * 0.02)


def test_stamps_that_never_were_set_give_no_wall_time() -> None:
    boot = np.arange(200) * 20
    _, clock, time = _clock(_attitudes(boot * 1000 + 5, boot))
    assert clock.start_utc is None
    assert clock.source is ClockSource.NONE
    assert _codes(clock) == ["implausible_year"]
    assert time[-1] == pytest.approx(199 * 0.02)


@pytest.mark.parametrize(("fix", "source"), [(3, ClockSource.SATELLITE), (1, ClockSource.RECEIVER)])
def test_satellite_time_wins_over_a_wrong_receiver_when_there_was_a_fix(
    fix: int, source: ClockSource
) -> None:
    talker, late = Talker(), 86_400
    content = b""
    for k in range(100):
        stamp = START_US + k * 100_000
        content += talker.say(stamp, "ATTITUDE", time_boot_ms=k * 100)
        content += talker.say(
            stamp, "SYSTEM_TIME", time_unix_usec=stamp + late * 1_000_000, time_boot_ms=k * 100
        )
        content += talker.say(stamp, "GPS_RAW_INT", fix_type=fix)
    _, clock, _ = _clock(content)
    assert clock.source is source
    expected = START + timedelta(seconds=late) if source is ClockSource.SATELLITE else START
    assert clock.start_utc is not None
    assert abs((clock.start_utc - expected).total_seconds()) < 0.01
    if source is ClockSource.SATELLITE:
        assert [note.values["seconds"] for note in clock.notes] == [-late]


def test_garbage_in_one_stamp_moves_nothing() -> None:
    talker = Talker()
    parts = [bytearray(talker.heartbeat(START_US + k * 1_000_000)) for k in range(40)]
    parts[20][0:8] = b"\xff\x12\x00\x07\x99\x00\x31\x22"
    log = decode_bytes(b"".join(bytes(part) for part in parts))
    clock = make_clock(log, ME)
    assert Source(log, ME, clock).get("HEARTBEAT").time_s[-1] == pytest.approx(39.0)
    assert clock.notes == ()


@pytest.mark.parametrize("size", [2, 63, 64, 127, 128, 129, 1000, 6400, 6401, 50_007])
def test_stretches_of_a_clock_are_those_of_the_plain_loop_to_the_last_bit(size: int) -> None:
    values = np.random.default_rng(size).normal(0.0, 1e3, size)
    plain = np.array_split(values, max(size // 64, 1))
    medians, means = [], []
    for part in _stretches(values):
        medians += np.median(part, axis=1).tolist()
        means += part.mean(axis=1).tolist()
    assert medians == [np.median(part) for part in plain]
    assert means == [part.mean() for part in plain]
