"""A log's place in time, and what it rests on."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from trimkeep.detectors.model import ClockSource, ParameterReading, Recording
from trimkeep.service.ingest.extract import parameters_at
from trimkeep.service.ingest.placing import place_in_time, time_in_name

MTIME = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
MTIME_NS = int(MTIME.timestamp() * 1e9)


def recording(start: datetime | None, clock: ClockSource) -> Recording:
    return Recording("a", "r", 1, 3600.0, {}, start_utc=start, clock=clock)


def test_the_logs_own_time_comes_first_then_the_name_then_the_files_time() -> None:
    own = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
    name = "2026-03-14_10-30.tlog"
    assert place_in_time(recording(own, ClockSource.RECEIVER), name, MTIME_NS, "UTC") == (
        own,
        ClockSource.RECEIVER,
    )
    bare = recording(None, ClockSource.NONE)
    assert place_in_time(bare, name, MTIME_NS, "Europe/Berlin") == (
        datetime(2026, 3, 14, 9, 30, tzinfo=UTC),
        ClockSource.FILE_NAME,
    )
    assert place_in_time(bare, "log 17.tlog", MTIME_NS, "UTC") == (
        datetime(2026, 3, 14, 11, 0, tzinfo=UTC),
        ClockSource.FILE_TIME,
    )


def test_a_clock_from_1970_is_no_clock() -> None:
    never_set = recording(datetime(1970, 1, 1, tzinfo=UTC), ClockSource.RECEIVER)
    assert place_in_time(never_set, "a.tlog", MTIME_NS, "UTC")[1] is ClockSource.FILE_TIME


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("2026-03-14 10-05-07.tlog", (2026, 3, 14, 10, 5, 7)),
        ("heron_20260314T100507.csv", (2026, 3, 14, 10, 5, 7)),
        ("20260314-1005.csv", (2026, 3, 14, 10, 5, 0)),
        ("2026_03_14.csv", (2026, 3, 14, 12, 0, 0)),
        ("flight 14.csv", None),
        ("2026-13-40.csv", None),
        ("serial 120260314999.csv", None),
        ("2026-02-30 then 2026-03-01.csv", (2026, 3, 1, 12, 0, 0)),
    ],
)
def test_dates_in_names(name: str, expected: tuple[int, ...] | None) -> None:
    found = time_in_name(name, "UTC")
    assert found == (None if expected is None else datetime(*expected, tzinfo=UTC))  # type: ignore[arg-type, misc]


def test_parameters_as_they_stood_at_take_off() -> None:
    readings = (
        ParameterReading(1.0, "A", 1.0),
        ParameterReading(5.0, "A", 2.0),
        ParameterReading(20.0, "A", 3.0),  # tuned in the air: the next flight's
        ParameterReading(30.0, "B", 7.0),  # asked for in the air: what it took off with
        ParameterReading(40.0, "B", 8.0),
        ParameterReading(2.0, "AWAKE_S", 5.0),  # a clock among the parameters is no setting
        ParameterReading(45.0, "AWAKE_S", 48.0),
    )
    told = Recording("a", "r", 1, 60.0, {}, parameters=readings)
    assert parameters_at(told, 10.0) == {"A": 2.0, "B": 7.0}
