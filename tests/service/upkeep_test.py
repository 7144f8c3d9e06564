"""Intervals and lives, counted by hand: one flight a day of half an hour on each airframe."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.main import run
from trimkeep.service.components import Component, Fitting, components
from trimkeep.service.journal import import_journal
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.journal import JournalRow
from trimkeep.service.upkeep import Standing, UpkeepItem, upkeep

NOW = datetime(2026, 3, 11, 10, tzinfo=UTC)
HEADER = "done_at,kind,part,before,after,done_by,note\n"
HALF_HOUR_S = 1800


def row(seq: int, airframe: str, day: int, before: str, after: str, **values: Any) -> JournalRow:
    given: dict[str, Any] = {"kind": "battery", "part": "pack"} | values
    done_at = f"2026-03-{day:02d}"
    return JournalRow(
        seq=seq,
        airframe=airframe,
        recorded_at=NOW,
        source="file",
        done_at=done_at,
        kind=given["kind"],
        part=given["part"],
        before=before,
        after=after,
        done_by="Ann",
        note="",
        standing=given.get("standing", "current"),
    )


def day(number: int) -> datetime:
    return datetime(2026, 3, number, tzinfo=UTC)


def stays(found: tuple[Component, ...], name: str) -> tuple[Fitting, ...]:
    [one] = [component for component in found if component.name == name]
    return one.fittings


# --- components ---


def test_a_component_is_fitted_until_another_takes_its_place() -> None:
    found = components([row(1, "heron-01", 3, "", "pack 1"), row(2, "heron-01", 5, "", "pack 2")], "UTC")
    assert stays(found, "pack 1") == (Fitting("heron-01", day(3), day(5)),)
    assert stays(found, "pack 2") == (Fitting("heron-01", day(5), None),)


def test_what_was_there_before_the_journal_began_was_there_from_the_first_flight() -> None:
    found = components([row(1, "heron-01", 3, "pack 1", "pack 2")], "UTC")
    assert stays(found, "pack 1") == (Fitting("heron-01", None, day(3)),)


def test_a_component_moves_from_airframe_to_airframe_and_back() -> None:
    rows = [
        row(1, "heron-01", 2, "", "Pack  1"),
        row(2, "heron-02", 4, "pack 7", "pack 1"),
        row(3, "heron-01", 8, "", "pack 1"),
    ]
    found = components(reversed(rows), "UTC")
    assert stays(found, "Pack  1") == (
        Fitting("heron-01", day(2), day(4)),
        Fitting("heron-02", day(4), day(8)),
        Fitting("heron-01", day(8), None),
    )
    assert [one.airframe for one in found if one.name == "Pack  1"] == ["heron-01"]


def test_a_removal_leaves_the_place_empty() -> None:
    found = components([row(1, "heron-01", 2, "", "pack 1"), row(2, "heron-01", 4, "pack 1", "")], "UTC")
    assert stays(found, "pack 1") == (Fitting("heron-01", day(2), day(4)),)


def test_two_parts_of_one_kind_have_a_place_each() -> None:
    rows = [
        row(1, "heron-01", 2, "", "pack 1", part="left"),
        row(2, "heron-01", 3, "", "pack 2", part="right"),
    ]
    assert all(one.airframe == "heron-01" for one in components(rows, "UTC"))


def test_a_text_without_a_digit_is_no_serial_number() -> None:
    found = components([row(1, "heron-01", 2, "", "new"), row(2, "heron-02", 4, "", "new")], "UTC")
    assert [one.fittings for one in found] == [
        (Fitting("heron-01", day(2), None),),
        (Fitting("heron-02", day(4), None),),
    ]


def test_what_was_superseded_or_fits_nothing_is_passed_over() -> None:
    rows = [
        row(1, "heron-01", 2, "", "pack 1", standing="superseded"),
        row(2, "heron-01", 2, "", "all 4 surfaces", kind="inspection"),
        row(3, "heron-01", 2, "", "", kind="servo"),
    ]
    assert components(rows, "UTC") == ()


# --- what is due ---


def ten_days(folder: Path) -> None:
    """Two airframes, one flight a day at ten o'clock from the 1st to the 10th."""
    fleet = fleet_in(folder)
    for airframe in ("heron-01", "heron-02"):
        for number in range(1, 11):
            text = log_text(
                [(0, HALF_HOUR_S, 1.0)], start=f"2026-03-{number:02d}T10:00:00+00:00", airframe=airframe
            )
            put(fleet, f"{airframe}/{number}.csv", text)
    ingest(fleet)


def flown(tmp_path: Path, maintenance: str, journals: dict[str, str]) -> FleetSettings:
    """The ten days, flown once for a run of tests, with journals and intervals of their own."""
    template = tmp_path.parent / "ten_days"
    if not template.exists():
        template.mkdir()
        ten_days(template)
    shutil.copytree(template, tmp_path, dirs_exist_ok=True)
    fleet = fleet_in(tmp_path)
    store = open_store(fleet.state)
    for airframe in ("heron-01", "heron-02"):
        folder = fleet.folder / airframe
        (folder / "journal.csv").write_text(HEADER + journals.get(airframe, ""))
        import_journal(store, fleet, folder, airframe)
    with (fleet.folder / "fleet.toml").open("a") as stream:
        stream.write(maintenance)
    return load_fleet(fleet.folder, environment={})


def due(fleet: FleetSettings, airframe: str = "heron-01") -> list[UpkeepItem]:
    found = upkeep(open_store(fleet.state), fleet, NOW)
    return [item for item in found if item.airframe == airframe]


def test_an_interval_runs_from_the_last_time_it_was_done(tmp_path: Path) -> None:
    settings = (
        "[maintenance.interval_flights]\ninspection = 6\n[maintenance.interval_hours]\ninspection = 10\n"
        "[maintenance.interval_days]\ninspection = 8\n"
    )
    journal = "2026-03-02,inspection,,,,Ann,\n2026-03-05,inspection,whole,,,Ann,\n"
    fleet = flown(tmp_path, settings, {"heron-01": journal + "2026-12-01,inspection,,,,Ann,ahead\n"})
    found = {item.unit: item for item in due(fleet)}
    # In effect before that day's first flight: the 5th to the 10th are six flights.
    assert (found["flights"].used, found["flights"].standing) == (6.0, Standing.OVERDUE)
    # One sample at each end of the small logs: a flight is a second short at most.
    assert found["hours"].used == pytest.approx(3.0, abs=6 * 2 / 3600)
    assert found["hours"].standing is Standing.FINE
    assert found["days"].used == pytest.approx(6 + 10 / 24)
    assert found["days"].since == day(5)
    never = {item.unit: item for item in due(fleet, "heron-02")}
    assert (never["flights"].used, never["flights"].since, never["flights"].row) == (10.0, None, None)
    assert never["days"].used == pytest.approx(10.0)  # since the first flight


def test_soon_begins_at_the_share_that_is_set(tmp_path: Path) -> None:
    settings = "[maintenance]\nwarn_share = 0.5\n[maintenance.interval_flights]\ninspection = 20\n"
    [item] = due(flown(tmp_path, settings, {}))
    assert (item.used, item.left, item.standing) == (10.0, 10.0, Standing.SOON)


def test_the_life_of_a_battery_goes_with_it(tmp_path: Path) -> None:
    settings = (
        "[maintenance.life_flights]\nbattery = 9\n[maintenance.life_hours]\npack = 100\n"
        "[maintenance.life_days]\nBattery = 100\n"
    )
    journals = {
        "heron-01": "2026-03-02,battery,pack,pack 6,pack 7,Ann,\n2026-03-06,battery,pack,,pack 8,Ann,\n",
        "heron-02": "2026-03-06,battery,pack,,pack 7,Ann,\n",
    }
    fleet = flown(tmp_path, settings, journals)
    there = {item.unit: item for item in due(fleet, "heron-02")}
    # The 2nd to the 5th on one airframe, the 6th to the 10th on the other.
    assert (there["flights"].component, there["flights"].used) == ("pack 7", 9.0)
    assert there["flights"].standing is Standing.OVERDUE
    assert there["hours"].used == pytest.approx(4.5, abs=9 * 2 / 3600)
    assert there["days"].used == pytest.approx((NOW - day(2)) / timedelta(days=1))
    [left] = [item for item in due(fleet, "") if item.unit == "flights"]
    assert (left.component, left.used) == ("pack 6", 1.0)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fleet = flown(
        tmp_path,
        "[maintenance.interval_flights]\ninspection = 5\n[maintenance.interval_hours]\ninspection = 900\n",
        {},
    )
    asked = ["due", str(fleet.folder)]
    assert run([*asked, "--fail-on-overdue"]) == 10
    shown = capsys.readouterr().out
    assert shown.count("overdue") == 2
    assert "hours" not in shown
    assert run([*asked, "--all", "--airframe", "heron-02"]) == 0
    assert "900 hours" in capsys.readouterr().out
    assert run([*asked, "--format", "json"]) == 0
    assert {one["standing"] for one in json.loads(capsys.readouterr().out)} == {"overdue", "fine"}


def test_nothing_set_says_where_to_set_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["due", str(fleet_in(tmp_path).folder), "--fail-on-overdue"]) == 0
    assert "Set intervals under [maintenance.interval_hours]" in capsys.readouterr().out
