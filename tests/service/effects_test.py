"""Every entry with its verdicts: open ends, contradictions, what changed at the same time, the fleet."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Change, Effect, Finding, Tier, Verdict
from trimkeep.service.changes import load_changes
from trimkeep.service.cli.main import run
from trimkeep.service.effects import EntryEffect, Outcome, entry_effects
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.findings import save_findings

NOW = datetime(2026, 4, 1, tzinfo=UTC)
HEADER = "done_at,kind,part,before,after,done_by,note\n"


def fly(fleet: FleetSettings, day: int, firmware: str = "4.1", airframe: str = "heron-01") -> None:
    head = {"start": f"2026-03-{day:02d}T10:00:00+00:00", "firmware": firmware}
    put(fleet, f"{airframe}/{day}.csv", log_text([(0, 60, 1.0)], airframe=airframe, **head))


def written(fleet: FleetSettings, lines: str, airframe: str = "heron-01") -> Store:
    folder = fleet.folder / airframe
    folder.mkdir(exist_ok=True)
    (folder / "journal.csv").write_text(HEADER + lines)
    ingest(fleet)
    return open_store(fleet.state)


def finding(change: Change, verdict: Verdict, name: str = "a") -> Finding:
    return Finding(
        id=name,
        scope="airframe",
        airframes=(change.airframe,),
        metric="altitude_error_rms_m",
        family="altitude_hold",
        context="held_level",
        kind="known_change",
        verdict=verdict,
        tier=Tier.CALLED,
        change=change,
        effect=Effect(0.5, -1.0, -1.5, -0.5, "m", 2.0, 1.0),
        flights_before=3,
        flights_after=4,
        flights_needed=5 if verdict is Verdict.TOO_EARLY else None,
        e_value=100.0,
        opened_at=NOW,
        updated_at=NOW,
        evidence_flights=("abc-1",),
    )


def effect_of(store: Store, fleet: FleetSettings, *findings: Finding) -> EntryEffect:
    save_findings(store, findings, NOW)
    [effect] = entry_effects(store, fleet)
    return effect


def test_an_open_end_where_nothing_was_flown_since(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    fly(fleet, 1)
    effect = effect_of(written(fleet, "2026-03-02,servo,elevator servo,,,Ann,\n"), fleet)
    assert (effect.outcome, effect.flights) == (Outcome.NO_FLIGHT_SINCE, ())


def test_never_flown_at_all(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    assert effect_of(written(fleet, "2026-03-02,servo,x,,,Ann,\n"), fleet).outcome is Outcome.NO_FLIGHT_SINCE


def test_flown_and_judged(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    for day in (1, 3, 4):
        fly(fleet, day)
    store = written(fleet, "2026-03-02,servo,elevator servo,,,Ann,\n")
    [change] = load_changes(store, fleet.time_zone)
    better, early = finding(change, Verdict.BETTER), finding(change, Verdict.TOO_EARLY, "b")
    effect = effect_of(store, fleet, better, early)
    assert effect.outcome is Outcome.JUDGED
    assert [flight.at.day for flight in effect.flights] == [3, 4]
    assert {one.verdict for one in effect.findings} == {Verdict.BETTER, Verdict.TOO_EARLY}
    assert effect_of(store, fleet, early).outcome is Outcome.TOO_EARLY
    assert effect_of(store, fleet).outcome is Outcome.NOT_JUDGED


def test_verdicts_on_another_change_are_not_its_own(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    for day in (1, 3, 10, 11, 12):
        fly(fleet, day, "4.1" if day < 12 else "4.2")
    store = written(fleet, "2026-03-02,servo,elevator servo,,,Ann,\n")
    servo, firmware = load_changes(store, fleet.time_zone)
    assert firmware.first_order - servo.first_order == 3  # apart by as much as blocks need
    effect = effect_of(store, fleet, finding(firmware, Verdict.WORSE))
    assert (effect.outcome, effect.together_with) == (Outcome.NOT_JUDGED, ())


def test_what_changed_at_the_same_time_is_named(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    for day, firmware in ((1, "4.1"), (3, "4.2"), (4, "4.2")):
        fly(fleet, day, firmware)
    effect = effect_of(written(fleet, "2026-03-02,servo,elevator servo,,,Ann,\n"), fleet)
    assert [(item.kind, item.documented) for item in effect.together_with] == [("firmware", False)]


def test_an_entry_that_the_logs_contradict(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    for day in (1, 3, 4):
        fly(fleet, day)
    effect = effect_of(written(fleet, "2026-03-02,firmware,,4.1,4.2,Ann,\n"), fleet)
    assert (effect.outcome, effect.flights_checked) == (Outcome.NOT_IN_LOGS, 2)


def test_the_fleets_verdict_on_the_same_update_belongs_to_each(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    for airframe in ("heron-01", "heron-02"):
        for day, firmware in ((1, "4.1"), (3, "4.2")):
            fly(fleet, day, firmware, airframe)
    written(fleet, "2026-03-02,firmware,,4.1,4.2,Ann,\n")
    store = written(fleet, "2026-03-02,servo,rudder servo,,,Ann,\n", "heron-02")
    change = next(one for one in load_changes(store, fleet.time_zone) if one.airframe == "heron-01")
    pooled = replace(
        finding(change, Verdict.WORSE),
        scope="fleet",
        airframes=("heron-01", "heron-02"),
        change=replace(change, id="fleet:4.2", airframe=""),
    )
    save_findings(store, [pooled], NOW)
    firmware, servo = entry_effects(store, fleet)
    assert [one.scope for one in firmware.findings] == ["fleet"]
    assert servo.findings == ()


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fleet = fleet_in(tmp_path)
    for day in (1, 3):
        fly(fleet, day)
    written(fleet, "2026-03-02,servo,elevator servo,,,Ann,\n2026-03-09,linkage,push rod,,,Ann,\n")
    assert run(["journal", "effects", str(fleet.folder)]) == 0
    shown = capsys.readouterr().out
    assert "heron-01 2026-03-02 servo elevator servo (row 1)\n  flown 1 times since" in shown
    assert "heron-01 2026-03-09 linkage push rod (row 2)\n  open: not flown since" in shown
    assert run(["journal", "effects", str(fleet.folder), "--format", "json"]) == 0
    assert [one["outcome"] for one in json.loads(capsys.readouterr().out)] == [
        "not_judged",
        "no_flight_since",
    ]
