"""The maintenance record of one airframe in a period, with everything an auditor needs beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from trimkeep.config.errors import StoreBusy
from trimkeep.config.settings import FleetSettings
from trimkeep.service.configuration import Configuration, at_moment, load_history
from trimkeep.service.journal import effective_at
from trimkeep.service.record_fields import Lack, lacks
from trimkeep.service.record_gaps import Gap, record_gaps
from trimkeep.service.store.audit import NO_ROW, AuditRecord, chain_head, load_records
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import PlacedFlight, load_flights
from trimkeep.service.store.journal import JournalRow, load_journal
from trimkeep.service.store.removals import Removal, load_removals

TRIES = 5


@dataclass(frozen=True, slots=True)
class RecordEntry:
    """One entry with the hash of its row in the chain and what it lacks."""

    row: JournalRow
    sha256: str
    missing: tuple[Lack, ...]


@dataclass(frozen=True, slots=True)
class RecordLog:
    """One log as the chain last speaks of it; `seq` is that row."""

    seq: int
    recorded_at: datetime
    sha256: str
    path: str
    outcome: str


@dataclass(frozen=True, slots=True)
class RecordAnswer:
    """What somebody said of a finding: acknowledged, muted, resolved or opened again."""

    seq: int
    at: datetime
    finding: str
    status: str
    who: str
    note: str


@dataclass(frozen=True, slots=True)
class AirframeRecord:
    """Everything an export holds.

    Parameters
    ----------
    airframe : str
    start, end : datetime
        First and last instant of the period, aware.
    entries : tuple of RecordEntry
        Work done in the period, superseded and withdrawn rows included, by date.
    logs : tuple of RecordLog
        Logs of the flights of the period, and logs without a flight that were stored in it.
    flights : tuple of PlacedFlight
    answers : tuple of RecordAnswer
        Given in the period, on this airframe or on the fleet.
    removals : tuple of Removal
        Decoded recordings of this airframe's logs that a retention setting took in the period.
    gaps : tuple of Gap
        Dated in the period, but for incomplete entries, which `entries` show.
    configuration : Configuration
        At the end of the period, with totals of flights and hours until then.
    chain : tuple of AuditRecord
        The whole record of the fleet: a hash of its last row pins every row only where all are there.
    """

    airframe: str
    start: datetime
    end: datetime
    entries: tuple[RecordEntry, ...]
    logs: tuple[RecordLog, ...]
    flights: tuple[PlacedFlight, ...]
    answers: tuple[RecordAnswer, ...]
    removals: tuple[Removal, ...]
    gaps: tuple[Gap, ...]
    configuration: Configuration
    chain: tuple[AuditRecord, ...]

    @property
    def head(self) -> str:
        """Hash of the last row of the chain."""
        return self.chain[-1].sha256 if self.chain else NO_ROW


def load_airframe_record(
    store: Store, fleet: FleetSettings, airframe: str, start: datetime, end: datetime
) -> AirframeRecord:
    """One airframe's record, all of it as of one state of the chain.

    Raises
    ------
    StoreBusy
        The record was added to during every one of some tries.
    """
    for _ in range(TRIES):
        chain = load_records(store)
        found = _gather(store, fleet, airframe, start, end, chain)
        if chain_head(store) == found.head:
            return found
    raise StoreBusy(
        "was added to all the while the record was read",
        subject=str(store.database),
        next_step="Try again when fewer logs are being taken in",
    )


def record_begin(store: Store, airframe: str, time_zone: str, default: datetime) -> datetime:
    """When an airframe was first flown or worked on; `default` where it never was."""
    flown = [flight.at for flight in load_flights(store, [airframe])]
    done = [effective_at(row.done_at, time_zone) for row in load_journal(store, [airframe])]
    return min([*flown, *done], default=default)


def _gather(
    store: Store,
    fleet: FleetSettings,
    airframe: str,
    start: datetime,
    end: datetime,
    chain: tuple[AuditRecord, ...],
) -> AirframeRecord:
    history = load_history(store, fleet.time_zone, airframe)
    flights = tuple(flight for flight in history.flights if start <= flight.at <= end)
    hashes = {record.seq: record.sha256 for record in chain}
    entries = [
        RecordEntry(row, hashes.get(row.seq, ""), lacks(row, fleet.settings.maintenance.required))
        for row in load_journal(store, [airframe])
        if start <= effective_at(row.done_at, fleet.time_zone) <= end
    ]
    entries.sort(key=lambda entry: (effective_at(entry.row.done_at, fleet.time_zone), entry.row.seq))
    return AirframeRecord(
        airframe=airframe,
        start=start,
        end=end,
        entries=tuple(entries),
        logs=_logs(chain, airframe, history.flights, flights, start, end),
        flights=flights,
        answers=_answers(chain, airframe, start, end),
        removals=tuple(
            one
            for one in load_removals(store)
            if one.file.airframe == airframe and one.is_done and start <= one.at <= end
        ),
        gaps=tuple(
            gap for gap in record_gaps(store, fleet, [airframe]) if start <= gap.at <= end and not gap.missing
        ),
        configuration=at_moment(history, end),
        chain=chain,
    )


def _logs(
    chain: Sequence[AuditRecord],
    airframe: str,
    all_flights: Sequence[PlacedFlight],
    flights: Sequence[PlacedFlight],
    start: datetime,
    end: datetime,
) -> tuple[RecordLog, ...]:
    newest: dict[str, RecordLog] = {}
    for record in chain:
        if record.kind == "log_stored":
            content = record.content
            newest.pop(content["sha256"], None)
            if record.airframe == airframe:
                newest[content["sha256"]] = RecordLog(
                    record.seq, record.recorded_at, content["sha256"], content["path"], content["outcome"]
                )
    flown = {recording.log_sha256 for flight in all_flights for recording in flight.recordings}
    wanted = {recording.log_sha256 for flight in flights for recording in flight.recordings}
    return tuple(
        log
        for log in newest.values()
        if log.sha256 in wanted or (log.sha256 not in flown and start <= log.recorded_at <= end)
    )


def _answers(
    chain: Sequence[AuditRecord], airframe: str, start: datetime, end: datetime
) -> tuple[RecordAnswer, ...]:
    answers = []
    for record in chain:
        mine = record.airframe in (airframe, "") and start <= record.recorded_at <= end
        if record.kind == "finding_answered" and mine:
            said = record.content
            answers.append(
                RecordAnswer(
                    record.seq, record.recorded_at, said["finding"], said["status"], said["who"], said["note"]
                )
            )
    return tuple(answers)
