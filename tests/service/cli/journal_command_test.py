"""`trimkeep journal`: the record listed with its gaps, and added to without ever losing a row."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.service.small_logs import fleet_in
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.main import run
from trimkeep.service.journal import import_journal
from trimkeep.service.store.audit import verify_chain
from trimkeep.service.store.connection import open_store

Capture = pytest.CaptureFixture[str]
WHOLE = ["--kind", "servo", "--part", "elevator servo", "--done-at", "2026-03-14", "--done-by", "R. Vale"]
NEXT_YEAR = f"{datetime.now(UTC).year + 1}-06-30"
APPROVED = ["--approved-by", "M. Orchard", "--flight-hours", "31.5"]


@pytest.fixture
def fleet(tmp_path: Path) -> FleetSettings:
    made = fleet_in(tmp_path)
    (made.folder / "heron-01").mkdir()
    return made


def listed(fleet: FleetSettings, capsys: Capture, *options: str) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert run(["journal", "list", str(fleet.folder), "--format", "json", *options]) == 0
    rows: list[dict[str, Any]] = json.loads(capsys.readouterr().out)
    return rows


def add(fleet: FleetSettings, *options: str) -> int:
    return run(["journal", "add", str(fleet.folder), "heron-01", *options])


def test_an_empty_record_says_what_to_do(fleet: FleetSettings, capsys: Capture) -> None:
    assert run(["journal", "list", str(fleet.folder)]) == 0
    assert "Nothing is recorded. Write journal.csv" in capsys.readouterr().out


def test_work_is_recorded_with_all_that_was_said(fleet: FleetSettings, capsys: Capture) -> None:
    assert add(fleet, *WHOLE, *APPROVED, "--before", "serial 17", "--after", "serial 93") == 0
    [row] = listed(fleet, capsys)
    assert (row["row"], row["done_at"], row["done_by"], row["after"]) == (
        1,
        "2026-03-14",
        "R. Vale",
        "serial 93",
    )
    assert row["further"] == {"approved_by": "M. Orchard", "flight_hours": "31.5"}
    assert (row["source"], row["standing"], row["missing"]) == ("command", "current", [])


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (WHOLE, "approved_by is missing: 14 CFR 43.9(a)(4)"),
        ([*WHOLE, *APPROVED, "--done-at", NEXT_YEAR], "lies ahead"),
        ([*WHOLE, *APPROVED, "--done-at", "yesterday"], "is no date"),
        ([*WHOLE, *APPROVED, "--done-at", "3/4/2026"], "can be read in two ways"),
        ([*WHOLE, *APPROVED, "--flight-hours", "many"], "is no number of hours"),
        ([*WHOLE, *APPROVED, "--replaces", "7"], "row 7 is no entry of this airframe"),
    ],
)
def test_what_does_not_stand_is_refused_in_a_sentence(
    fleet: FleetSettings, capsys: Capture, options: list[str], sentence: str
) -> None:
    assert add(fleet, *options) == 5
    said = capsys.readouterr().err
    assert sentence in said
    assert said.count("\n") == 1
    assert listed(fleet, capsys, "--all") == []


def test_an_unknown_airframe_is_asked_about(fleet: FleetSettings, capsys: Capture) -> None:
    assert run(["journal", "add", str(fleet.folder), "heron-1", *WHOLE, *APPROVED]) == 2
    assert "Did you mean heron-01" in capsys.readouterr().err


def test_a_correction_leaves_the_old_row_readable(fleet: FleetSettings, capsys: Capture) -> None:
    add(fleet, *WHOLE, *APPROVED)
    assert add(fleet, *WHOLE, *APPROVED, "--note", "both gears", "--replaces", "1") == 0
    assert [(row["row"], row["note"]) for row in listed(fleet, capsys)] == [(2, "both gears")]
    everything = [(row["row"], row["standing"]) for row in listed(fleet, capsys, "--all")]
    assert everything == [(1, "superseded"), (2, "current")]
    assert add(fleet, *WHOLE, *APPROVED, "--replaces", "1") == 5
    assert "row 1 is superseded already" in capsys.readouterr().err
    assert verify_chain(open_store(fleet.state)) == ()


def test_lines_of_the_file_are_taken_as_they_are_and_say_what_is_missing(
    fleet: FleetSettings, capsys: Capture
) -> None:
    folder = fleet.folder / "heron-01"
    (folder / "journal.csv").write_text("done_at,kind,part\n2026-03-14,servo,elevator servo\n")
    import_journal(open_store(fleet.state), fleet, folder, "heron-01")
    [row] = listed(fleet, capsys)
    assert (row["source"], row["missing"]) == ("file", ["done_by", "approved_by"])
    assert add(fleet, *WHOLE, *APPROVED, "--replaces", "1") == 5
    assert "came from journal.csv. Correct the line in that file" in capsys.readouterr().err
    (folder / "journal.csv").write_text("done_at,kind,part\n")
    import_journal(open_store(fleet.state), fleet, folder, "heron-01")
    assert run(["journal", "list", str(fleet.folder), "--all", "--airframe", "heron-01"]) == 0
    assert "withdrawn" in capsys.readouterr().out
    assert listed(fleet, capsys) == []
