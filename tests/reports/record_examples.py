"""An invented maintenance record: work in every standing, gaps, answers, logs without a flight."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.reports.examples import MONDAY, busy_week
from tests.reports.page_examples import setting
from trimkeep.reports.inputs import FlightRow, RecordGap
from trimkeep.reports.record_inputs import (
    FittedItem,
    RecordedAnswer,
    RecordedLog,
    RecordedWork,
    RecordInput,
)

WORK = RecordedWork(
    row=4,
    at=MONDAY,
    date_only=True,
    kind="servo",
    part="elevator servo",
    before="serial 17",
    after="serial 93",
    done_by="R. Vale",
    note="gears worn",
    standing="current",
    recorded_at=MONDAY,
    sha256="ab" * 32,
    further={"approved_by": "M. Orchard", "flight_hours": "31.5", "place": "hangar 2"},
)


def record() -> RecordInput:
    """One airframe, one period."""
    week = busy_week()
    row = next(one for one in week.airframes if one.id == "heron-01")
    return RecordInput(
        setting=setting(week),
        airframe=row,
        period_start=MONDAY,
        period_end=MONDAY + timedelta(days=20),
        work=(
            replace(WORK, row=2, standing="superseded", done_by="R. Vail"),
            WORK,
            replace(WORK, row=5, kind="battery", part="pack", standing="withdrawn", further={}),
            replace(WORK, row=6, kind="inspection", part="whole", done_by="", missing=("done_by",)),
        ),
        fitted=(
            FittedItem("firmware", "", "4.2.1", MONDAY, "R. Vale"),
            FittedItem("servo", "elevator servo", "serial 93", MONDAY, "R. Vale"),
            FittedItem("parameters", "PITCH_GAIN", "0.12", MONDAY, "", documented=False),
            FittedItem("parameters", "ROLL_GAIN", "0.12", None, ""),
        ),
        flights=(FlightRow("heron-01", "f-1", MONDAY, 900.0, "heron-01/a.tlog"),),
        logs=(
            RecordedLog("heron-01/a.tlog", "cd" * 32, "ingested"),
            RecordedLog("heron-01/bench.tlog", "ef" * 32, "no_flight"),
        ),
        answers=(RecordedAnswer(MONDAY, "M. Orchard", "acknowledged", "f00d", "ordered a new horn"),),
        gaps=(RecordGap("not_in_journal", "heron-01", MONDAY, "parameters", "PITCH_GAIN", "0.1", "0.12"),),
        head="12" * 32,
        rows=160,
    )
