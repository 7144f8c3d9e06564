"""What the pages behind the digest are made from, gathered once for all of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from typing import TypeVar
from zoneinfo import ZoneInfo

from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Change, Finding, Series, Verdict
from trimkeep.detectors.registry import DETECTORS
from trimkeep.reports.inputs import AirframeRow, FlightRow, MaintenanceRow, metric_words
from trimkeep.reports.page_inputs import Setting
from trimkeep.service.digest_input import airframe_rows, flight_row, maintenance_rows, newest
from trimkeep.service.judging import Judgement
from trimkeep.service.page_links import BOARD, plan_links
from trimkeep.service.store.connection import Store, kept_open
from trimkeep.service.store.findings import load_findings
from trimkeep.service.store.flights import PlacedFlight, load_flights
from trimkeep.service.store.journal import load_journal

SPECS = tuple(detector.spec for detector in DETECTORS)
SPEC_BY_ID = {spec.id: spec for spec in SPECS}
SPEAKING = frozenset({Verdict.ATTENTION, Verdict.WORSE, Verdict.BETTER})
# Newest of the flights that a finding cites: with more, a season's pages would be mostly of flights.
MAX_CITED = 3


@dataclass(frozen=True, slots=True)
class PageBooks:
    """The fleet's books as the pages need them.

    Parameters
    ----------
    setting : Setting
        Its links are those between pages that lie beside each other.
    day : str
        The day in the fleet's time zone.
    airframes : tuple of AirframeRow
    findings : tuple of Finding
        All that is said today; `findings_shown` have a page of their own.
    findings_of : mapping
        Airframe to its findings.
    changes_of, maintenance_of : mapping
        Airframe to its own.
    series : mapping
        Airframe to its series, the newest flights only; `whole_series` have all.
    flights : mapping
        Airframe to its flights, oldest first.
    flight_by_id : mapping
    cited : mapping
        Flight to the detectors whose findings cite it.
    """

    setting: Setting
    day: str
    airframes: tuple[AirframeRow, ...]
    findings: tuple[Finding, ...]
    findings_shown: tuple[Finding, ...]
    findings_of: Mapping[str, tuple[Finding, ...]]
    series: Mapping[str, tuple[Series, ...]]
    whole_series: Mapping[str, tuple[Series, ...]]
    changes: tuple[Change, ...]
    changes_of: Mapping[str, tuple[Change, ...]]
    flights: Mapping[str, tuple[FlightRow, ...]]
    flight_by_id: Mapping[str, PlacedFlight]
    cited: Mapping[str, frozenset[str]]
    maintenance_of: Mapping[str, tuple[MaintenanceRow, ...]]

    @property
    def board_name(self) -> str:
        """File of the board."""
        return BOARD

    def recording_stamp(self, store: Store, flight_id: str) -> tuple[object, ...]:
        """Size and time of a flight's decoded recording: it may be read anew under another card."""
        placed = self.flight_by_id.get(flight_id)
        if placed is None:
            return ()
        try:
            stat = store.recording_path(placed.main.log_sha256).stat()
        except OSError:
            return ()
        return (stat.st_size, stat.st_mtime_ns)


def load_books(
    store: Store,
    fleet: FleetSettings,
    judgement: Judgement,
    now: datetime,
    airframes: Collection[str] | None = None,
) -> PageBooks:
    """Gather everything the pages show.

    Parameters
    ----------
    store, fleet
    judgement : Judgement
        Of the moment; findings are taken from the store, which knows what people answered.
    now : datetime
        Aware.
    airframes : collection of str or None
        What the pages of these show, as far as it differs from airframe to airframe; None means all.
    """
    with kept_open(store):
        # All of them in any case: which flights of the fleet a pooled finding cites is asked of all.
        placed = load_flights(store)
        findings = load_findings(store) if airframes is None else _findings_of(store, airframes)
        journal = [row for row in load_journal(store) if row.standing == "current"]
    shown = tuple(one for one in findings if one.verdict in SPEAKING)
    theirs = placed if airframes is None else [one for one in placed if one.airframe in airframes]
    rows = airframe_rows(fleet, theirs, airframes)
    whole = _by_airframe(judgement.series)
    by_id = {flight.id: flight for flight in placed}
    cited = _cited(shown, by_id, {spec.id: {m.name for m in spec.metrics} for spec in SPECS})
    findings_of: dict[str, list[Finding]] = {}
    for one in findings:
        for name in one.airframes:
            findings_of.setdefault(name, []).append(one)
    flights: dict[str, list[FlightRow]] = {}
    for flight in theirs:
        flights.setdefault(flight.airframe, []).append(flight_row(flight))
    count = fleet.settings.digest.trend_flights
    setting = Setting(
        fleet_name=fleet.name,
        time_zone=fleet.time_zone,
        units="imperial" if fleet.units == "imperial" else "metric",
        now=now,
        metrics=metric_words(SPECS),
        links=plan_links((one.id for one in shown), sorted({*findings_of, *(row.id for row in rows)}), cited),
        versions={"trimkeep": version("trimkeep"), "fleet model": judgement.model_version},
    )
    return PageBooks(
        setting=setting,
        day=now.astimezone(ZoneInfo(fleet.time_zone)).date().isoformat(),
        airframes=rows,
        findings=findings,
        findings_shown=shown,
        findings_of={name: tuple(those) for name, those in findings_of.items()},
        series={name: tuple(newest(one, count) for one in those) for name, those in whole.items()},
        whole_series=whole,
        changes=judgement.changes,
        changes_of=_by_airframe(judgement.changes),
        flights={name: tuple(those) for name, those in flights.items()},
        flight_by_id=by_id,
        cited=cited,
        maintenance_of=_by_airframe(maintenance_rows(journal, fleet.time_zone)),
    )


def _findings_of(store: Store, airframes: Collection[str]) -> tuple[Finding, ...]:
    """What is said of these airframes, alone or together with others, in the order of all."""
    alone = load_findings(store, scope="airframe", airframes=airframes)
    pooled = load_findings(store, scope="fleet")
    told = [*alone, *(one for one in pooled if set(one.airframes) & set(airframes))]
    return tuple(sorted(told, key=lambda one: (one.opened_at, one.id)))


Owned = TypeVar("Owned", Series, Change, MaintenanceRow)


def _by_airframe(owned: Sequence[Owned]) -> dict[str, tuple[Owned, ...]]:
    grouped: dict[str, list[Owned]] = {}
    for one in owned:
        grouped.setdefault(one.airframe, []).append(one)
    return {name: tuple(those) for name, those in grouped.items()}


def _cited(
    findings: tuple[Finding, ...],
    flights: Mapping[str, PlacedFlight],
    metrics: Mapping[str, set[str]],
) -> dict[str, frozenset[str]]:
    """Flights that findings cite, with the detectors concerned; by id, so that the order is no news."""
    cited: dict[str, set[str]] = {}
    for finding in findings:
        owner = next((name for name, own in metrics.items() if finding.metric in own), None)
        known = [name for name in (*finding.evidence_flights, *finding.down_weighted) if name in flights]
        for name in sorted(known, key=lambda one: flights[one].at, reverse=True)[:MAX_CITED]:
            cited.setdefault(name, set()).update({owner} if owner else ())
    return {name: frozenset(cited[name]) for name in sorted(cited)}
