"""Each log once, whole, whatever its file does."""

from __future__ import annotations

import os
import shutil
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.service import small_logs
from tests.service.small_logs import TOOLS, age, fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.store.checks import row_counts
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import load_flights
from trimkeep.service.store.logs import load_log_outcomes
from trimkeep.service.store.rows import LogOutcome

ONE_FLIGHT = [(10.0, 60.0, 5.0)]


@pytest.fixture
def fleet(tmp_path: Path) -> FleetSettings:
    return fleet_in(tmp_path)


def outcomes(fleet: FleetSettings) -> dict[str, LogOutcome | None]:
    return {one.path: one.outcome for one in load_log_outcomes(Store(fleet.state))}


def test_outcomes_are_kept_and_counted(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    put(fleet, "heron-01/sub/b.tlog", log_text([], start="2026-03-15T10:00:00+00:00"))
    put(fleet, "heron-01/c.tlog", "rubbish")
    put(fleet, "heron-02/d.tlog", log_text([(1.0, 9.0, 1.0), (20.0, 40.0, 2.0)], firmware="1.0"))
    report = ingest(fleet)
    assert report.counts == {LogOutcome.INGESTED: 2, LogOutcome.NO_FLIGHT: 1, LogOutcome.REJECTED: 1}
    assert len(report.flights) == 3
    assert report.airframes == ("heron-01", "heron-02")
    assert [one.path for one in report.rejected] == ["heron-01/c.tlog"]
    assert "is no small log" in report.rejected[0].sentence
    assert outcomes(fleet) == {
        "heron-01/a.tlog": LogOutcome.INGESTED,
        "heron-01/c.tlog": LogOutcome.REJECTED,
        "heron-01/sub/b.tlog": LogOutcome.NO_FLIGHT,
        "heron-02/d.tlog": LogOutcome.INGESTED,
    }


def test_reading_the_same_folder_twice_opens_nothing_and_changes_nothing(
    fleet: FleetSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    put(fleet, "heron-01/b.tlog", "rubbish")
    ingest(fleet)
    before = row_counts(Store(fleet.state))
    parquet = {path: path.stat().st_mtime_ns for path in Store(fleet.state).recordings.iterdir()}

    def opened(*_: object) -> None:
        raise AssertionError("a known file was opened")

    monkeypatch.setattr("trimkeep.service.ingest.fleet.hash_log", opened)
    report = ingest(fleet)
    assert (report.unchanged, report.counts, report.changed) == (2, {}, False)
    assert row_counts(Store(fleet.state)) == before
    assert {p: p.stat().st_mtime_ns for p in Store(fleet.state).recordings.iterdir()} == parquet


def test_a_touched_file_is_hashed_but_not_read_again(fleet: FleetSettings) -> None:
    path = put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    ingest(fleet)
    age(path, 50.0)
    report = ingest(fleet, tools=replace(TOOLS, read=None))
    assert (report.unchanged, report.counts) == (1, {})
    assert ingest(fleet).unchanged == 1


def test_names_that_are_not_logs_are_left_alone(fleet: FleetSettings) -> None:
    text = log_text(ONE_FLIGHT)
    for name in (
        ".a.tlog",
        "~a.tlog",
        "a.tlog.part",
        "a.tmp",
        "a.crdownload",
        "notes.txt",
        "airframe.csv.part",
    ):
        put(fleet, f"heron-01/{name}", text)
    put(fleet, "heron-01/.hidden/a.tlog", text)
    put(fleet, "digests/a.csv", text)
    put(fleet, ".trimkeep/a.csv", text)
    (fleet.folder / "heron-01" / "journal.csv").write_text("done_at,kind\n")
    report = ingest(fleet)
    assert (report.counts, report.unchanged, report.problems) == ({}, 0, ())


def test_a_log_outside_an_airframe_folder_is_complained_of(fleet: FleetSettings) -> None:
    put(fleet, "a.tlog", log_text(ONE_FLIGHT))
    assert "Move it into the airframe's folder" in ingest(fleet).problems[0]


def test_the_same_content_counts_once_and_a_second_airframe_is_reported(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    put(fleet, "heron-01/copy.tlog", log_text(ONE_FLIGHT))
    put(fleet, "heron-02/a.tlog", log_text(ONE_FLIGHT))
    report = ingest(fleet)
    assert report.counts == {LogOutcome.INGESTED: 1, LogOutcome.DUPLICATE: 2}
    assert {(d.path, d.same_as, d.same_as_airframe) for d in report.duplicates} == {
        ("heron-01/copy.tlog", "heron-01/a.tlog", "heron-01"),
        ("heron-02/a.tlog", "heron-01/a.tlog", "heron-01"),
    }
    assert len(load_flights(Store(fleet.state))) == 1
    assert ingest(fleet).unchanged == 3


def test_a_moved_log_is_known_at_its_new_place(fleet: FleetSettings) -> None:
    path = put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    ingest(fleet)
    path.rename(path.with_name("b.tlog"))
    report = ingest(fleet, tools=replace(TOOLS, read=None))
    assert report.counts == {}
    assert outcomes(fleet) == {"heron-01/b.tlog": LogOutcome.INGESTED}


def test_a_misfiled_log_follows_its_file_to_the_right_airframe(fleet: FleetSettings) -> None:
    path = put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    ingest(fleet)
    (fleet.folder / "heron-02").mkdir()
    shutil.move(path, fleet.folder / "heron-02" / "a.tlog")
    assert ingest(fleet).counts == {LogOutcome.INGESTED: 1}
    assert [flight.airframe for flight in load_flights(Store(fleet.state))] == ["heron-02"]


def test_a_duplicate_counts_once_the_first_file_is_gone(fleet: FleetSettings) -> None:
    path = put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    put(fleet, "heron-02/a.tlog", log_text(ONE_FLIGHT))
    ingest(fleet)
    path.unlink()
    ingest(fleet)
    assert [flight.airframe for flight in load_flights(Store(fleet.state))] == ["heron-02"]


def test_a_renamed_folder_is_the_same_airframe_by_its_id(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    (fleet.folder / "heron-01" / "airframe.toml").write_text('id = "heron-01"\n')
    ingest(fleet)
    (fleet.folder / "heron-01").rename(fleet.folder / "old heron")
    report = ingest(fleet, tools=replace(TOOLS, read=None))
    assert report.counts == {}
    assert [flight.airframe for flight in load_flights(Store(fleet.state))] == ["heron-01"]


@pytest.mark.parametrize("shorter_first", [True, False])
def test_a_file_that_grew_supersedes_the_shorter_one(fleet: FleetSettings, shorter_first: bool) -> None:
    short, long = log_text([(10.0, 60.0, 5.0)]), log_text([(10.0, 60.0, 5.0), (100.0, 160.0, 6.0)])
    order = [("a.tlog", short), ("b.tlog", long)]
    for name, text in order if shorter_first else reversed(order):
        put(fleet, f"heron-01/{name}", text)
        ingest(fleet)
    flights = load_flights(Store(fleet.state))
    assert [(flight.order, flight.main.number, len(flight.recordings)) for flight in flights] == [
        (0, 1, 1),
        (1, 2, 1),
    ]
    superseded = {one.path: one.superseded for one in load_log_outcomes(Store(fleet.state))}
    assert superseded == {"heron-01/a.tlog": True, "heron-01/b.tlog": False}


def test_a_file_that_grew_in_place(fleet: FleetSettings) -> None:
    path = put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 5.0)]))
    ingest(fleet)
    with path.open("a") as stream:
        stream.write("[100.0, 160.0, 6.0]\n")
    age(path)
    assert ingest(fleet).counts == {LogOutcome.INGESTED: 1}
    assert len(load_flights(Store(fleet.state))) == 2
    assert [one.path for one in load_log_outcomes(Store(fleet.state)) if not one.superseded] == [
        "heron-01/a.tlog"
    ]


def test_a_longer_file_that_cannot_be_read_leaves_the_shorter_one(fleet: FleetSettings) -> None:
    short = log_text([(10.0, 60.0, 5.0)])
    put(fleet, "heron-01/a.tlog", short)
    put(fleet, "heron-01/b.tlog", short + "not json\n")
    report = ingest(fleet)
    assert report.counts == {LogOutcome.INGESTED: 1, LogOutcome.REJECTED: 1}
    assert len(load_flights(Store(fleet.state))) == 1


def test_two_recordings_of_one_flight_count_once(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/radio.tlog", log_text([(10.0, 60.0, 5.0)], rate_hz=1.0))
    put(fleet, "heron-01/board.csv", log_text([(12.0, 62.0, 5.5)], rate_hz=10.0))
    ingest(fleet)
    (flight,) = load_flights(Store(fleet.state))
    assert [recording.source for recording in flight.recordings] == ["board.csv", "radio.tlog"]


def test_a_mended_card_reads_the_logs_again(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    ingest(fleet)
    card = fleet.folder / "heron-01" / "airframe.toml"
    card.write_text('[modes]\n5 = "mission"\n')
    assert ingest(fleet).counts == {LogOutcome.INGESTED: 1}
    assert ingest(fleet).unchanged == 1
    card.write_text('description = "words only"\n[modes]\n5 = "mission"\n')
    assert ingest(fleet).unchanged == 1
    assert len(load_flights(Store(fleet.state))) == 1


def test_a_wrong_card_holds_back_its_own_airframe_only(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))
    put(fleet, "heron-02/b.tlog", log_text([(1.0, 30.0, 1.0)]))
    (fleet.folder / "heron-01" / "airframe.toml").write_text("spam_m = 2.0\n")
    report = ingest(fleet)
    assert report.counts == {LogOutcome.INGESTED: 1}
    assert any("spam_m" in problem and "heron-01 wait" in problem for problem in report.problems)


def test_a_fault_of_ours_costs_one_row(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT, fault=True))
    put(fleet, "heron-01/b.tlog", log_text([(1.0, 30.0, 1.0)]))
    report = ingest(fleet)
    assert report.counts == {LogOutcome.INGESTED: 1, LogOutcome.REJECTED: 1}
    assert "fault of the program" in report.rejected[0].sentence


def test_a_file_too_large_is_not_read(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path, "[ingest]\nlargest_log_mb = 1\n")
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT) + " " * 1_100_000)
    report = ingest(fleet)
    assert report.counts == {LogOutcome.REJECTED: 1}
    assert "larger than 1 MB" in report.rejected[0].sentence
    assert ingest(fleet).unchanged == 1


def test_a_file_too_large_is_read_once_the_limit_is_raised(tmp_path: Path) -> None:
    put(fleet_in(tmp_path), "heron-01/a.tlog", log_text(ONE_FLIGHT, pad="." * 1_100_000))
    assert ingest(fleet_in(tmp_path, "[ingest]\nlargest_log_mb = 1\n")).counts == {LogOutcome.REJECTED: 1}
    fleet = fleet_in(tmp_path)
    assert ingest(fleet).counts == {LogOutcome.INGESTED: 1}
    assert outcomes(fleet) == {"heron-01/a.tlog": LogOutcome.INGESTED}
    assert ingest(fleet).unchanged == 1


def test_a_file_that_changes_while_read_waits_for_the_next_look(fleet: FleetSettings) -> None:
    path = put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT))

    def read_and_grow(target: Path, card: object) -> object:
        recording = small_logs.read(target, card)  # type: ignore[arg-type]
        with path.open("a") as stream:
            stream.write("[100.0, 160.0, 6.0]\n")
        age(path)
        return recording

    report = ingest(fleet, tools=replace(TOOLS, read=read_and_grow))
    assert (report.counts, report.waiting) == ({}, ("heron-01/a.tlog",))
    assert row_counts(Store(fleet.state))["log_file"] == 0
    assert ingest(fleet).counts == {LogOutcome.INGESTED: 1}


def test_a_file_still_growing_is_left_to_the_next_ingest(fleet: FleetSettings) -> None:
    path = fleet.folder / "heron-01" / "a.tlog"
    path.parent.mkdir()
    path.write_text(log_text(ONE_FLIGHT))
    report = ingest(fleet)  # just written: waited for until it stands still
    assert report.counts == {LogOutcome.INGESTED: 1}


def test_pipes_links_and_strange_names(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/ünï „quote“ 'x' ; drop.tlog", log_text(ONE_FLIGHT))
    folder = fleet.folder / "heron-01"
    os.mkfifo(folder / "pipe.tlog")
    (folder / "loop").symlink_to(folder)
    (folder / "nowhere.tlog").symlink_to(folder / "missing.tlog")
    raw = os.fsencode(folder) + b"/caf\xe9.tlog"
    Path(os.fsdecode(raw)).write_text(log_text([(5.0, 50.0, 2.0)]))
    age(Path(os.fsdecode(raw)))
    report = ingest(fleet)
    assert report.counts == {LogOutcome.INGESTED: 2}
    assert ingest(fleet).unchanged == 2


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_closed_to_us_is_a_complaint(fleet: FleetSettings) -> None:
    put(fleet, "heron-01/a.tlog", log_text(ONE_FLIGHT)).chmod(0)
    assert "cannot be opened" in ingest(fleet).problems[0]


def test_a_deadly_log_is_rejected_and_the_others_get_in(fleet: FleetSettings) -> None:
    """Real processes: the worker is gone at once, as when memory runs out."""
    put(fleet, "heron-01/deadly.tlog", log_text(ONE_FLIGHT, deadly=True))
    for k in range(4):
        put(
            fleet,
            f"heron-01/{k}.tlog",
            log_text([(1.0, 30.0 + k, 1.0)], start=f"2026-03-1{k}T10:00:00+00:00"),
        )
    report = ingest_fleet(fleet, workers=2, tools=TOOLS)
    assert report.counts == {LogOutcome.INGESTED: 4, LogOutcome.REJECTED: 1}
    assert "took its process down 3 times" in report.rejected[0].sentence
    assert ingest(fleet).unchanged == 5


def test_two_ingests_at_once_read_each_log_once(fleet: FleetSettings) -> None:
    for k in range(8):
        put(fleet, f"heron-01/{k}.tlog", log_text([(1.0, 30.0 + k, 1.0)], slow_s=0.02))
    with ThreadPoolExecutor(2) as both:
        reports = list(both.map(lambda _: ingest(fleet), range(2)))
    assert sum(report.counts.get(LogOutcome.INGESTED, 0) for report in reports) == 8
    assert row_counts(Store(fleet.state))["recording"] == 8


class BreaksAtTheThird(ThreadPoolExecutor):
    """A pool that breaks at the third task, as a pool of processes does while it starts another worker."""

    broken = False

    def submit(self, *args: Any, **named: Any) -> Future[Any]:
        self.asked = getattr(self, "asked", 0) + 1
        if self.asked == 3 and not BreaksAtTheThird.broken:
            BreaksAtTheThird.broken = True
            raise OSError("handle is closed")
        return super().submit(*args, **named)


def test_a_pool_that_breaks_while_it_starts_a_worker_costs_no_log(
    fleet: FleetSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(BreaksAtTheThird, "broken", False)
    for minute in range(5):
        start = f"2026-03-15T10:{minute:02d}:00+00:00"
        put(fleet, f"heron-01/{minute}.tlog", log_text(ONE_FLIGHT, start=start))
    report = ingest_fleet(fleet, workers=2, tools=TOOLS, pool=BreaksAtTheThird)
    assert BreaksAtTheThird.broken
    assert not report.problems
    assert set(outcomes(fleet).values()) == {LogOutcome.INGESTED}
    assert len(load_flights(Store(fleet.state))) == 5
