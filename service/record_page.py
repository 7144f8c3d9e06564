"""The printable page of an airframe's record: the store's rows as the records that pages are made from."""

from __future__ import annotations

from datetime import datetime
from importlib.metadata import version

from trimkeep.config.cards import airframe_folders, load_card
from trimkeep.config.errors import SettingsError
from trimkeep.config.settings import FleetSettings
from trimkeep.reports.compose_record import compose_record
from trimkeep.reports.inputs import AirframeRow, RecordGap
from trimkeep.reports.page_inputs import Setting
from trimkeep.reports.record_inputs import (
    FittedItem,
    RecordedAnswer,
    RecordedLog,
    RecordedWork,
    RecordInput,
)
from trimkeep.reports.render import render_record
from trimkeep.service.airframe_record import AirframeRecord, RecordEntry
from trimkeep.service.configuration import Item
from trimkeep.service.digest_input import flight_row, removal_rows
from trimkeep.service.journal import effective_at


def record_page(record: AirframeRecord, fleet: FleetSettings, now: datetime) -> str:
    """The page as HTML."""
    return render_record(compose_record(page_input(record, fleet, now)))


def page_input(record: AirframeRecord, fleet: FleetSettings, now: datetime) -> RecordInput:
    """What the page is made from. Counters and what is learned in flight are left out."""
    configuration = record.configuration
    last = configuration.flight
    return RecordInput(
        setting=Setting(
            fleet_name=fleet.name,
            time_zone=fleet.time_zone,
            units="imperial" if fleet.units == "imperial" else "metric",
            now=now,
            metrics={},
            versions={"trimkeep": version("trimkeep")},
        ),
        airframe=AirframeRow(
            id=record.airframe,
            description=_description(fleet, record.airframe),
            flights=configuration.flights,
            hours=configuration.hours,
            firmware=None,
            last_flight_at=last.at if last else None,
        ),
        period_start=record.start,
        period_end=record.end,
        work=tuple(_work(entry, fleet.time_zone) for entry in record.entries),
        fitted=tuple(_fitted(item) for item in configuration.items if not item.by_itself),
        flights=tuple(flight_row(flight) for flight in record.flights),
        logs=tuple(RecordedLog(log.path, log.sha256, log.outcome) for log in record.logs),
        answers=tuple(
            RecordedAnswer(answer.at, answer.who, answer.status, answer.finding, answer.note)
            for answer in record.answers
        ),
        gaps=tuple(
            RecordGap(
                str(gap.kind),
                gap.airframe,
                gap.at,
                gap.work,
                gap.part,
                gap.before,
                gap.after,
                gap.flights_checked,
            )
            for gap in record.gaps
        ),
        head=record.head,
        rows=len(record.chain),
        removals=removal_rows(record.removals, fleet.time_zone),
    )


def _work(entry: RecordEntry, time_zone: str) -> RecordedWork:
    row = entry.row
    return RecordedWork(
        row=row.seq,
        at=effective_at(row.done_at, time_zone),
        date_only=row.date_only,
        kind=row.kind,
        part=row.part,
        before=row.before,
        after=row.after,
        done_by=row.done_by,
        note=row.note,
        standing=row.standing,
        recorded_at=row.recorded_at,
        sha256=entry.sha256,
        further=row.extra,
        missing=tuple(lack.field for lack in entry.missing) if row.standing == "current" else (),
    )


def _fitted(item: Item) -> FittedItem:
    return FittedItem(item.kind, item.part, item.value, item.since, item.by, item.documented)


def _description(fleet: FleetSettings, airframe: str) -> str:
    for folder in airframe_folders(fleet):
        try:
            card = load_card(fleet, folder)
        except SettingsError:
            continue
        if card.id == airframe:
            return card.description
    return ""
