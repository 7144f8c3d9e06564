"""One airframe whose altitude swings more after a change, ingested for real, judged by hand."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from tests.service.small_logs import TOOLS, fleet_in, ingest, log_text, put
from trimkeep.config.airframe import AirframeCard
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Change, ChangeItem, Effect, Finding, LikelyCause, Tier, Verdict
from trimkeep.detectors.model import Channel, DetectorRun, Flight, Observation, Outcome, Recording
from trimkeep.service.ingest.report import IngestReport
from trimkeep.service.judging import Judgement
from trimkeep.service.page_books import SPEC_BY_ID, SPECS
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.findings import FindingChanges, save_findings
from trimkeep.service.store.series import load_series

FIRST_DAY = datetime(2026, 3, 1, 10, tzinfo=UTC)
NOW = datetime(2026, 3, 20, 8, tzinfo=UTC)
SWINGS_M = (0.5, 0.6, 0.4, 2.0, 2.2, 1.9)
CHANGE_AT = 3
SPEC = SPEC_BY_ID["altitude_error"]


def read(path: Path, card: AirframeCard) -> Recording:
    """The small reader with an altitude that swings by the flight's level, one swing in ten seconds."""
    recording = TOOLS.read(path, card)
    level = recording.channels["height_m"]
    time_s = np.arange(0.0, recording.duration_s, 0.1)
    swing = np.interp(time_s, level.time_s, level.value) * np.sin(0.2 * np.pi * time_s)
    altitude = Channel(time_s, 120.0 + swing)
    asked = Channel(time_s[::50], np.full(time_s[::50].size, 120.0))
    return replace(
        recording, channels={**recording.channels, "altitude_m": altitude, "altitude_target_m": asked}
    )


def run(flight: Flight, _: object) -> tuple[DetectorRun, ...]:
    """The altitude error as planted, shown by the whole flight."""
    value = float(np.std(flight.channel("altitude_m").value))
    seen = Observation(
        "altitude_error_rms_m", "held_level", value, 0.05, flight.seconds, ((flight.start_s, flight.end_s),)
    )
    return (DetectorRun(SPEC.id, SPEC.version, Outcome.MEASURED, (seen,)),)


def fly(fleet: FleetSettings, number: int, swing_m: float, airframe: str = "heron-01") -> IngestReport:
    """Drop one log of two minutes and take it in."""
    start = FIRST_DAY + timedelta(days=number)
    put(fleet, f"{airframe}/{number:02d}.tlog", log_text([(10.0, 130.0, swing_m)], start=start.isoformat()))
    return ingest(fleet, tools=replace(TOOLS, read=read, run=run))


def told_fleet(folder: Path, settings: str = "") -> tuple[FleetSettings, Store]:
    """Six flights of one airframe; flown once for a run of tests, copied for each."""
    template = folder.parent / "told_fleet"
    if not template.exists():
        template.mkdir()
        flown = fleet_in(template)
        for number, swing_m in enumerate(SWINGS_M):
            fly(flown, number, swing_m)
    shutil.copytree(template, folder, dirs_exist_ok=True)
    fleet = fleet_in(folder, settings)
    return fleet, open_store(fleet.state)


def judged(store: Store, now: datetime = NOW, **changed: object) -> Judgement:
    """The finding that a judge would make of it, kept in the store; `changed` changes its fields."""
    series = load_series(store, SPECS)
    points = series[0].points
    first = points[CHANGE_AT]
    items = (ChangeItem("firmware", "", "4.1", "4.2", True, "Ann"),)
    change = Change(f"heron-01:{first.flight_id}", "heron-01", first.at, CHANGE_AT, items)
    finding = Finding(
        id="f1",
        scope="airframe",
        airframes=("heron-01",),
        metric="altitude_error_rms_m",
        family="altitude_hold",
        context="held_level",
        kind="known_change",
        verdict=Verdict.WORSE,
        tier=Tier.CALLED,
        change=change,
        effect=Effect(4.0, 1.0, 0.7, 1.3, "m", 0.35, 1.4),
        flights_before=CHANGE_AT,
        flights_after=len(points) - CHANGE_AT,
        flights_needed=None,
        e_value=200.0,
        opened_at=first.at,
        updated_at=points[-1].at,
        likely_causes=(LikelyCause("loop_gain", 0.7, ("altitude_worse",), (), "compare_gains"),),
        evidence_flights=tuple(point.flight_id for point in points[CHANGE_AT:]),
    )
    findings = (replace(finding, **changed),)  # type: ignore[arg-type]
    differences = save_findings(store, findings, now)
    return Judgement(series, (change,), findings, "m1", differences)


def quiet(store: Store, now: datetime = NOW) -> Judgement:
    """The judge says nothing."""
    differences = save_findings(store, (), now)
    assert isinstance(differences, FindingChanges)
    return Judgement(load_series(store, SPECS), (), (), "m1", differences)
