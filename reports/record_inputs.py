"""What the printable maintenance record of an airframe is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from trimkeep.reports.inputs import AirframeRow, FlightRow, RecordGap, RemovedFiles
from trimkeep.reports.page_inputs import Setting


@dataclass(frozen=True, slots=True)
class RecordedWork:
    """One entry with its place in the chain.

    `further` are the filled-in fields behind the usual ones (`approved_by`, `certificate`, `reference`,
    `flight_hours`, ...); `standing` is `current`, `superseded` or `withdrawn`; `missing` names fields that
    a maintenance record must hold and this one does not.
    """

    row: int
    at: datetime
    date_only: bool
    kind: str
    part: str
    before: str
    after: str
    done_by: str
    note: str
    standing: str
    recorded_at: datetime
    sha256: str
    further: Mapping[str, str] = field(default_factory=dict)
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RecordedLog:
    """One log with its content's hash; `outcome` is a code (`ingested`, `no_flight`, `rejected`)."""

    file: str
    sha256: str
    outcome: str


@dataclass(frozen=True, slots=True)
class RecordedAnswer:
    """What somebody said of a finding; `finding` is its id."""

    at: datetime
    who: str
    status: str
    finding: str
    note: str


@dataclass(frozen=True, slots=True)
class FittedItem:
    """One thing the airframe consisted of at the end of the period; `since` None: since the first log."""

    kind: str
    part: str
    value: str
    since: datetime | None
    by: str
    documented: bool = True


@dataclass(frozen=True, slots=True)
class RecordInput:
    """Everything the page shows. `period_end` is the last instant of the period."""

    setting: Setting
    airframe: AirframeRow
    period_start: datetime
    period_end: datetime
    work: tuple[RecordedWork, ...]
    fitted: tuple[FittedItem, ...]
    flights: tuple[FlightRow, ...]
    logs: tuple[RecordedLog, ...]
    answers: tuple[RecordedAnswer, ...]
    gaps: tuple[RecordGap, ...]
    head: str
    rows: int
    removals: tuple[RemovedFiles, ...] = ()
