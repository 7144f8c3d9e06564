"""Where the maintenance record and the logs do not agree, and where an entry lacks what it must hold."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from trimkeep.config.settings import FleetSettings
from trimkeep.service.changes import AirframeChanges, load_airframe_changes
from trimkeep.service.journal import effective_at
from trimkeep.service.record_fields import Lack, lacks
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import PlacedFlight, load_flights
from trimkeep.service.store.journal import JournalRow, load_journal


class GapKind(StrEnum):
    """What is wrong."""

    NOT_IN_JOURNAL = "not_in_journal"
    NOT_IN_LOGS = "not_in_logs"
    INCOMPLETE = "incomplete"


@dataclass(frozen=True, slots=True)
class Gap:
    """One audit finding.

    Parameters
    ----------
    kind : GapKind
        `not_in_journal`: the logs show it and nobody wrote it down. `not_in_logs`: it is written down and
        the flights after it still show the old state. `incomplete`: an entry lacks what it must hold.
    airframe : str
    at : datetime
        Aware: the first flight that shows the change, or when the entry says the work was done.
    work, part, before, after : str
        Kind of work and what changed, as in the journal.
    row : int or None
        The entry's place in the record.
    flight : str
        The flight that shows the change; empty for entries.
    flights_checked : int
        Flights after the entry that contradict it.
    missing : tuple of Lack
    together_with : tuple of str
        Kinds of work between the same two flights that are written down: an update of the firmware may
        well be what moved a parameter.
    """

    kind: GapKind
    airframe: str
    at: datetime
    work: str
    part: str
    before: str
    after: str
    row: int | None = None
    flight: str = ""
    flights_checked: int = 0
    missing: tuple[Lack, ...] = ()
    together_with: tuple[str, ...] = ()

    @property
    def ratio(self) -> float | None:
        """New by old value of a parameter; None for other work, for what is no number, and from nothing."""
        if self.kind is not GapKind.NOT_IN_JOURNAL or self.work != "parameters":
            return None
        before, after = float(self.before), float(self.after)
        return after / before if before else None


def record_gaps(
    store: Store, fleet: FleetSettings, airframes: Iterable[str] | None = None
) -> tuple[Gap, ...]:
    """Every gap, by airframe and time; None means the whole fleet."""
    wanted = None if airframes is None else sorted(airframes)
    flights: dict[str, list[PlacedFlight]] = {}
    for flight in load_flights(store, wanted):
        flights.setdefault(flight.airframe, []).append(flight)
    gaps: list[Gap] = []
    for changes in load_airframe_changes(store, fleet.time_zone, wanted):
        gaps += _not_in_journal(changes, flights.get(changes.airframe, []))
        gaps += (
            _of_entry(GapKind.NOT_IN_LOGS, one.entry, fleet, flights_checked=one.flights_checked)
            for one in changes.unseen
        )
    required = fleet.settings.maintenance.required
    for row in load_journal(store, wanted):
        missing = lacks(row, required)
        if row.standing == "current" and missing:
            gaps.append(_of_entry(GapKind.INCOMPLETE, row, fleet, missing=missing))
    return tuple(sorted(gaps, key=lambda gap: (gap.airframe, gap.at, gap.kind, gap.work, gap.part)))


def _not_in_journal(changes: AirframeChanges, flights: list[PlacedFlight]) -> Iterator[Gap]:
    for change in changes.changes:
        written = tuple(dict.fromkeys(item.kind for item in change.items if item.documented))
        for item in change.items:
            if not item.documented:
                flight = flights[change.first_order]
                yield Gap(
                    GapKind.NOT_IN_JOURNAL,
                    changes.airframe,
                    flight.at,
                    item.kind,
                    item.part,
                    item.before,
                    item.after,
                    flight=flight.id,
                    together_with=written,
                )


def _of_entry(
    kind: GapKind,
    row: JournalRow,
    fleet: FleetSettings,
    *,
    flights_checked: int = 0,
    missing: tuple[Lack, ...] = (),
) -> Gap:
    return Gap(
        kind,
        row.airframe,
        effective_at(row.done_at, fleet.time_zone),
        row.kind,
        row.part,
        row.before,
        row.after,
        row=row.seq,
        flights_checked=flights_checked,
        missing=missing,
    )
