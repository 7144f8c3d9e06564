"""Audit findings: in the logs and not in the journal, in the journal and not in the logs, incomplete."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.main import run
from trimkeep.service.record_gaps import Gap, GapKind, record_gaps
from trimkeep.service.store.connection import open_store

HEADER = "done_at,kind,part,before,after,done_by,note,approved_by\n"


def fly(fleet: FleetSettings, day: int, firmware: str, gain: float = 0.1, board: str = "board A") -> None:
    head = {"start": f"2026-03-{day:02d}T10:00:00+00:00", "firmware": firmware, "board": board}
    text = log_text([(0, 60, 1.0)], parameters={"PITCH_GAIN": gain}, **head)
    put(fleet, f"heron-01/{day}.csv", text)


def gaps_of(fleet: FleetSettings, journal: str = "") -> list[Gap]:
    (fleet.folder / "heron-01" / "journal.csv").write_text(HEADER + journal)
    ingest(fleet)
    return list(record_gaps(open_store(fleet.state), fleet))


def told(gaps: list[Gap]) -> list[tuple[str, str, str]]:
    return [(str(gap.kind), gap.work, gap.part) for gap in gaps]


def test_everything_written_down_leaves_no_gap(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    fly(fleet, 1, "4.1")
    fly(fleet, 5, "4.2", 0.2)
    lines = "2026-03-04,firmware,,4.1,4.2,Ann,,Ben\n2026-03-04,parameters,PITCH_GAIN,0.1,0.2,Ann,,Ben\n"
    assert gaps_of(fleet, lines) == []


def test_what_nobody_wrote_down(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    fly(fleet, 1, "4.1")
    fly(fleet, 5, "4.2")
    fly(fleet, 9, "4.2", 0.2, board="board B")
    gaps = gaps_of(fleet)
    assert told(gaps) == [
        ("not_in_journal", "firmware", ""),
        ("not_in_journal", "autopilot_board", ""),
        ("not_in_journal", "parameters", "PITCH_GAIN"),
    ]
    assert (gaps[0].before, gaps[0].after, gaps[0].at.day) == ("4.1", "4.2", 5)
    assert all(gap.together_with == () for gap in gaps)


def test_what_moved_together_with_work_that_is_written_down_says_so(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    fly(fleet, 1, "4.1")
    fly(fleet, 5, "4.2", 0.2)
    [gap] = gaps_of(fleet, "2026-03-04,firmware,,4.1,4.2,Ann,,Ben\n")
    assert (gap.part, gap.together_with) == ("PITCH_GAIN", ("firmware",))


def test_firmware_noted_on_the_third_and_the_old_one_still_flown_on_the_fifth(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    for day in (1, 5, 6):
        fly(fleet, day, "4.1")
    [gap] = gaps_of(fleet, "2026-03-03,firmware,,4.1,4.2,Ann,,Ben\n")
    assert (gap.kind, gap.flights_checked, gap.after) == (GapKind.NOT_IN_LOGS, 2, "4.2")


def test_an_entry_of_the_file_is_taken_and_listed_as_incomplete(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    fly(fleet, 1, "4.1")
    [gap] = gaps_of(fleet, "2026-03-03,servo,elevator servo,,,,,\n")
    assert gap.kind is GapKind.INCOMPLETE
    assert [lack.field for lack in gap.missing] == ["done_by", "approved_by"]
    # Once corrected in the file, the old text is superseded and no longer asked about.
    assert gaps_of(fleet, "2026-03-03,servo,elevator servo,,,Ann,,Ben\n") == []


def test_the_command_says_it_in_sentences(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fleet = fleet_in(tmp_path)
    for day in (1, 5, 6):
        fly(fleet, day, "4.1", 0.1 if day < 6 else 0.2)
    asked = ["audit", "gaps", str(fleet.folder)]
    gaps_of(fleet, "2026-03-03,firmware,,4.1,4.2,Ann,,\n")
    assert run([*asked, "--fail-on-gap"]) == 10
    shown = capsys.readouterr().out
    assert "heron-01 2026-03-06: parameters PITCH_GAIN: 0.1 -> 0.2 (ratio 2). First seen in flight" in shown
    assert "heron-01 2026-03-03: firmware: 4.1 -> 4.2 (row 1). 2 flights after it show no change." in shown
    assert "(row 1). Missing: approved_by (14 CFR 43.9(a)(4))." in shown
    assert run([*asked, "--format", "json", "--airframe", "heron-01"]) == 0
    assert [gap["kind"] for gap in json.loads(capsys.readouterr().out)] == [
        "incomplete",
        "not_in_logs",
        "not_in_journal",
    ]


def test_nothing_to_say(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["audit", "gaps", str(fleet_in(tmp_path).folder), "--fail-on-gap"]) == 0
    assert "agree" in capsys.readouterr().out
