"""Gathering what a digest shows: the store's rows as the records that pages are made from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from importlib.metadata import version
from zoneinfo import ZoneInfo

from trimkeep.config.cards import airframe_folders, load_card
from trimkeep.config.errors import SettingsError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Series, Tier
from trimkeep.detectors.registry import DETECTORS
from trimkeep.reports.inputs import (
    AirframeRow,
    DigestInput,
    FlightRow,
    Links,
    LogNotRead,
    MaintenanceRow,
    NotMeasuredRow,
    Promise,
    RecordGap,
    RemovedFiles,
    metric_words,
)
from trimkeep.service.hints import load_hints
from trimkeep.service.journal import effective_at
from trimkeep.service.judging import Judgement, current_model
from trimkeep.service.placebos import placebo_score
from trimkeep.service.record_gaps import GapKind, record_gaps
from trimkeep.service.store.audit import chain_head
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import load_findings
from trimkeep.service.store.flights import PlacedFlight, load_flights
from trimkeep.service.store.journal import JournalRow, load_journal
from trimkeep.service.store.logs import LogStatus, load_log_outcomes
from trimkeep.service.store.removals import Removal, load_removals
from trimkeep.service.store.rows import LogOutcome
from trimkeep.service.store.series import load_unmeasured

SPECS = tuple(detector.spec for detector in DETECTORS)


def gather(
    store: Store,
    fleet: FleetSettings,
    judgement: Judgement,
    period_start: datetime,
    period_end: datetime,
    now: datetime,
    links: Links | None = None,
) -> DigestInput:
    """Everything one digest shows.

    Parameters
    ----------
    store, fleet
    judgement : Judgement
        Of the moment; findings are taken from the store, which knows what people answered.
    period_start, period_end, now : datetime
        Aware. Flights with period_start <= begin < period_end are those of the period.
    links : Links or None
        Where the pages behind the digest lie.
    """
    flights = load_flights(store)
    inside = [flight for flight in flights if period_start <= flight.at < period_end]
    journal = [row for row in load_journal(store) if row.standing == "current"]
    work = [row for row in maintenance_rows(journal, fleet.time_zone) if period_start <= row.at < period_end]
    # Only what flew or was worked on in the period can have a gap in it; the others need not be compared.
    active = {flight.airframe for flight in inside} | {row.airframe for row in work}
    return DigestInput(
        fleet_name=fleet.name,
        time_zone=fleet.time_zone,
        units="imperial" if fleet.units == "imperial" else "metric",
        period_start=period_start,
        period_end=period_end,
        now=now,
        airframes=airframe_rows(fleet, flights),
        findings=load_findings(store),
        series=tuple(newest(one, fleet.settings.digest.trend_flights) for one in judgement.series),
        changes=judgement.changes,
        flights=tuple(flight_row(flight) for flight in inside),
        metrics=metric_words(SPECS),
        logs_not_read=tuple(_not_read(load_log_outcomes(store), period_start, period_end)),
        not_measured=_not_measured(store, {flight.id for flight in inside}),
        promise=_promise(store, fleet, judgement, now),
        maintenance=tuple(work),
        record_gaps=tuple(
            gap for gap in gap_rows(store, fleet, active) if period_start <= gap.at < period_end
        ),
        removals=removal_rows(
            (one for one in load_removals(store) if one.is_done and period_start <= one.at < period_end),
            fleet.time_zone,
        ),
        hints=load_hints(store, fleet),
        journal_head=chain_head(store),
        versions={"trimkeep": version("trimkeep"), "fleet model": judgement.model_version},
        links=links or Links(),
    )


def airframe_rows(
    fleet: FleetSettings, flights: Sequence[PlacedFlight], airframes: Collection[str] | None = None
) -> tuple[AirframeRow, ...]:
    """Totals of every airframe that has a folder or a flight, by id; only of `airframes` where given."""
    described = _descriptions(fleet, airframes)
    grouped: dict[str, list[PlacedFlight]] = {name: [] for name in described}
    for flight in flights:
        grouped.setdefault(flight.airframe, []).append(flight)
    rows = []
    for name, own in sorted(grouped.items()):
        firmware = next((flight.firmware for flight in reversed(own) if flight.firmware), None)
        rows.append(
            AirframeRow(
                id=name,
                description=described.get(name, ""),
                flights=len(own),
                hours=sum(flight.main.seconds for flight in own) / 3600.0,
                firmware=firmware,
                last_flight_at=own[-1].at if own else None,
            )
        )
    return tuple(rows)


def _descriptions(fleet: FleetSettings, airframes: Collection[str] | None) -> dict[str, str]:
    described = {}
    for folder in airframe_folders(fleet):
        try:
            card = load_card(fleet, folder)
        except SettingsError:
            described[folder.name] = ""
            continue
        described[card.id] = card.description
    # Not by the folder's name: a card may give another id.
    return {name: said for name, said in described.items() if airframes is None or name in airframes}


def flight_row(flight: PlacedFlight) -> FlightRow:
    """One flight as pages list it."""
    flags = {
        "starts_airborne": flight.main.starts_airborne,
        "ends_airborne": flight.main.ends_airborne,
        "clock_in_doubt": flight.clock_in_doubt,
    }
    return FlightRow(
        airframe=flight.airframe,
        flight_id=flight.id,
        at=flight.at,
        seconds=flight.main.seconds,
        source=flight.main.path,
        flags=tuple(name for name, is_set in flags.items() if is_set),
    )


def maintenance_rows(journal: Sequence[JournalRow], time_zone: str) -> tuple[MaintenanceRow, ...]:
    """Journal entries as pages show them, oldest first."""
    rows = [
        MaintenanceRow(
            airframe=row.airframe,
            at=effective_at(row.done_at, time_zone),
            kind=row.kind,
            part=row.part,
            before=row.before,
            after=row.after,
            done_by=row.done_by,
            note=row.note,
            date_only=row.date_only,
        )
        for row in journal
    ]
    return tuple(sorted(rows, key=lambda row: (row.at, row.airframe)))


def gap_rows(store: Store, fleet: FleetSettings, airframes: Iterable[str]) -> tuple[RecordGap, ...]:
    """Where journal and logs disagree. Entries that merely lack a field are for `trimkeep audit gaps`."""
    return tuple(
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
        for gap in record_gaps(store, fleet, airframes)
        if gap.kind is not GapKind.INCOMPLETE
    )


def removal_rows(removals: Iterable[Removal], time_zone: str) -> tuple[RemovedFiles, ...]:
    """Files that the retention settings let go, by day, kind, setting and who did it."""
    zone = ZoneInfo(time_zone)
    grouped: dict[tuple[object, ...], list[Removal]] = {}
    for one in removals:
        day = one.at.astimezone(zone).date()
        grouped.setdefault((day, one.file.what, one.file.setting, one.who), []).append(one)
    return tuple(
        RemovedFiles(
            at=max(one.at for one in those),
            what=those[0].file.what,
            files=len(those),
            size_bytes=sum(one.file.size_bytes for one in those),
            setting=those[0].file.setting,
            who=those[0].who,
        )
        for those in grouped.values()
    )


def newest(series: Series, count: int) -> Series:
    """A series with no more than its newest flights."""
    if len(series.points) <= count:
        return series
    return Series(
        airframe=series.airframe,
        detector=series.detector,
        family=series.family,
        metric=series.metric,
        context=series.context,
        unit=series.unit,
        better=series.better,
        scale=series.scale,
        matters=series.matters,
        points=series.points[-count:],
        attention=series.attention,
    )


def _not_read(outcomes: Sequence[LogStatus], start: datetime, end: datetime) -> list[LogNotRead]:
    return [
        LogNotRead(one.path, one.reason or "")
        for one in outcomes
        if one.outcome is LogOutcome.REJECTED
        and (one.finished_at is None or start <= one.finished_at or end <= one.finished_at)
    ]


def _not_measured(store: Store, flights: set[str]) -> tuple[NotMeasuredRow, ...]:
    titles: Mapping[str, str] = {spec.id: spec.title for spec in SPECS}
    counts: Counter[tuple[str, str]] = Counter()
    details: dict[tuple[str, str], str] = {}
    for one in load_unmeasured(store, SPECS):
        if one.flight_id in flights:
            key = (titles[one.detector], one.reason)
            counts[key] += 1
            # A fault's traceback is for the developers, not for the page.
            details.setdefault(key, "" if one.reason == "failed" else one.detail)
    return tuple(
        NotMeasuredRow(title, reason, count, details[title, reason])
        for (title, reason), count in sorted(counts.items())
    )


def _promise(store: Store, fleet: FleetSettings, judgement: Judgement, now: datetime) -> Promise:
    judged = {(one.airframe, one.metric, one.context) for one in judgement.series if one.better != "none"}
    model = current_model(store, fleet, judgement.series, judgement.changes, now)
    score = placebo_score(fleet, judgement, model)
    return Promise(
        fleet.settings.judge.called_false_share,
        len(judged),
        score.planted,
        score.spoke,
        score.level,
        score.low,
        score.high,
    )


def called_count(page_input: DigestInput) -> int:
    """Findings of the called tier."""
    return sum(1 for finding in page_input.findings if finding.tier is Tier.CALLED)
