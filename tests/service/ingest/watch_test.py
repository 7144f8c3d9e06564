"""The watcher with real events and without, against the store as the truth."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.service.small_logs import TOOLS, fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.report import IngestReport
from trimkeep.service.ingest.watch import watch
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import load_flights
from trimkeep.service.store.journal import load_journal

DEADLINE_S = 20.0


@contextmanager
def watching(fleet: FleetSettings, *, polling: bool = False) -> Iterator[list[IngestReport]]:
    """A running watcher with the reports it made; it must end soon after being told to."""
    stop, reports = threading.Event(), []
    thread = threading.Thread(
        target=watch,
        args=(fleet,),
        kwargs={
            "polling": polling,
            "stop": stop,
            "on_ingested": reports.append,
            "workers": 1,
            "tools": TOOLS,
            "pool": ThreadPoolExecutor,
        },
    )
    thread.start()
    try:
        yield reports
    finally:
        stop.set()
        thread.join(DEADLINE_S)
        assert not thread.is_alive()


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.01)


def flights(fleet: FleetSettings) -> list[str]:
    return [flight.main.path for flight in load_flights(Store(fleet.state))]


def taken(reports: list[IngestReport]) -> int:
    return sum(len(report.flights) for report in reports)


def start_of(day: int) -> str:
    return f"2026-03-{day:02d}T10:00:00+00:00"


@pytest.mark.parametrize("polling", [False, True])
def test_takes_what_is_there_and_then_what_arrives(tmp_path: Path, polling: bool) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/there.tlog", log_text([(10.0, 60.0, 1.0)], start=start_of(1)))
    with watching(fleet, polling=polling) as reports:
        until(lambda: taken(reports) == 1)
        (fleet.folder / "heron-01" / "new.tlog").write_text(log_text([(10.0, 61.0, 1.0)], start=start_of(2)))
        until(lambda: taken(reports) == 2)
    assert flights(fleet) == ["heron-01/there.tlog", "heron-01/new.tlog"]


def test_a_copy_under_another_name_is_taken_when_it_gets_its_own(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    folder = fleet.folder / "heron-01"
    folder.mkdir()
    with watching(fleet) as reports:
        part = folder / "a.tlog.part"
        part.write_text(log_text([(10.0, 60.0, 1.0)]))
        time.sleep(0.3)
        assert taken(reports) == 0
        part.rename(folder / "a.tlog")
        until(lambda: taken(reports) == 1)
    assert flights(fleet) == ["heron-01/a.tlog"]


def test_a_slow_copy_is_read_when_it_is_whole(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    (fleet.folder / "heron-01").mkdir()
    text = log_text([(10.0, 60.0, 1.0), (100.0, 160.0, 2.0), (200.0, 260.0, 3.0)])
    with watching(fleet) as reports, (fleet.folder / "heron-01" / "a.tlog").open("w") as stream:
        for k in range(0, len(text), 40):
            stream.write(text[k : k + 40])
            stream.flush()
            time.sleep(0.03)
        until(lambda: taken(reports) == 3)
    assert [report.counts for report in reports if report.rejected] == []


def test_a_folder_that_is_made_renamed_and_removed(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    elsewhere = tmp_path / "card"
    elsewhere.mkdir()
    (elsewhere / "a.tlog").write_text(log_text([(10.0, 60.0, 1.0)], start=start_of(1)))
    with watching(fleet) as reports:
        elsewhere.rename(fleet.folder / "heron-01")  # a whole folder arrives at once
        until(lambda: taken(reports) == 1)
        (fleet.folder / "heron-01").rename(fleet.folder / "heron-09")
        until(lambda: flights(fleet) == ["heron-09/a.tlog"])
        for path in (fleet.folder / "heron-09").iterdir():
            path.unlink()
        (fleet.folder / "heron-09").rmdir()
        put(fleet, "heron-02/b.tlog", log_text([(10.0, 61.0, 1.0)], start=start_of(2)))
        until(lambda: len(flights(fleet)) == 2)
    assert flights(fleet) == ["heron-02/b.tlog", "heron-09/a.tlog"]


def test_journal_and_card_that_arrive_later(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 1.0)]))
    (fleet.folder / "heron-01" / "airframe.toml").write_text("wrong = 1\n")
    with watching(fleet) as reports:
        until(lambda: any("wrong" in problem for report in reports for problem in report.problems))
        (fleet.folder / "heron-01" / "airframe.toml").write_text("motors = 1\n")
        until(lambda: taken(reports) == 1)
        (fleet.folder / "heron-01" / "journal.csv").write_text("done_at,kind\n2026-03-01,servo\n")
        until(lambda: sum(report.journal_changes for report in reports) == 1)
    assert len(load_journal(Store(fleet.state))) == 1


def test_many_at_once_while_a_command_reads_too(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    (fleet.folder / "heron-01").mkdir()
    with watching(fleet) as reports:
        for k in range(12):
            text = log_text([(10.0, 60.0 + k, 1.0)], start=start_of(k + 1))
            (fleet.folder / "heron-01" / f"{k}.tlog").write_text(text)
        by_command = ingest(fleet)
        until(lambda: taken(reports) + len(by_command.flights) == 12)
    assert len(flights(fleet)) == 12


def test_says_that_it_comes_round_also_when_nothing_arrives(tmp_path: Path) -> None:
    fleet, stop, rounds = fleet_in(tmp_path), threading.Event(), 0

    def count() -> None:
        nonlocal rounds
        rounds += 1
        if rounds == 3:
            stop.set()

    watch(fleet, polling=True, stop=stop, on_ingested=lambda report: None, on_round=count, tools=TOOLS)
    assert rounds == 3
