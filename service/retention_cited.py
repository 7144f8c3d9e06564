"""Recordings that somebody may still look at: cited by what is open, drawn on a page, or the newest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from trimkeep.detectors.history.model import Finding
from trimkeep.service.hints import FLIGHTS_LOOKED_AT
from trimkeep.service.page_books import SPEAKING, PageBooks
from trimkeep.service.pages_evidence import choose_flights, series_shown
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import PlacedFlight
from trimkeep.service.store.outbox import load_last_alerts


class Cites(StrEnum):
    """What holds a recording."""

    FINDING = "finding"
    ALERT = "alert"
    PAGE = "page"
    NEWEST = "newest"


@dataclass(frozen=True, slots=True)
class Citation:
    """Why a recording is held; `by` names the finding, the page or the airframe."""

    cites: Cites
    by: str


def cited_recordings(store: Store, books: PageBooks) -> dict[str, Citation]:
    """Recordings that are held, by their log; the first reason that applies.

    A finding that says worse, better or needs a hand holds the flights it cites until it is resolved, and
    so does one that alerted, whatever it says by now. A page holds the flights it draws for as long as it is
    shown. The newest flights of every airframe are held for the hints made from them.
    """
    logs = {
        recording.id: recording.log_sha256
        for placed in books.flight_by_id.values()
        for recording in placed.recordings
    }
    alerted = load_last_alerts(store)
    held: dict[str, Citation] = {}

    def hold(flights: Iterable[str], cites: Cites, by: str) -> None:
        for name in flights:
            if name in logs:
                held.setdefault(logs[name], Citation(cites, by))

    for finding in books.findings:
        if finding.status != "resolved" and finding.verdict in SPEAKING:
            hold(_flights_of(finding), Cites.FINDING, finding.id)
        elif finding.status != "resolved" and finding.id in alerted:
            hold(_flights_of(finding), Cites.ALERT, finding.id)
    for flight, page in drawn_flights(books).items():
        hold([flight], Cites.PAGE, page)
    for airframe, flights in _newest(books.flight_by_id).items():
        hold(flights, Cites.NEWEST, airframe)
    return held


def _flights_of(finding: Finding) -> tuple[str, ...]:
    return (*finding.evidence_flights, *finding.down_weighted)


def drawn_flights(books: PageBooks) -> dict[str, str]:
    """Flights of which a page draws traces today, with that page's file."""
    links = books.setting.links
    drawn = {flight: links.flights[flight] for flight in books.cited if flight in links.flights}
    for finding in books.findings_shown:
        series = tuple(one for name in finding.airframes for one in books.whole_series.get(name, ()))
        shown = series_shown(finding, series)
        changes = tuple(one for one in books.changes if one.airframe in finding.airframes)
        for one in choose_flights(finding, shown, changes) if shown is not None else ():
            drawn.setdefault(one.point.flight_id, links.findings[finding.id])
    return drawn


def _newest(flights: Mapping[str, PlacedFlight]) -> dict[str, list[str]]:
    by_airframe: dict[str, list[PlacedFlight]] = {}
    for flight in flights.values():
        by_airframe.setdefault(flight.airframe, []).append(flight)
    return {
        name: [flight.id for flight in sorted(own, key=lambda one: one.order)[-FLIGHTS_LOOKED_AT:]]
        for name, own in by_airframe.items()
    }
