"""What the pages are made from: plain records handed in by the service.

Nothing here is worded, rounded or drawn yet. All times are aware UTC; the clock is handed in as `now`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from trimkeep.detectors.history.model import Change, Finding, Series
from trimkeep.detectors.model import Better, DetectorSpec

UnitSystem = Literal["metric", "imperial"]


@dataclass(frozen=True, slots=True)
class MetricWords:
    """How one metric is spoken of.

    `phrase` is an optional sentence pattern with `{before}` and `{after}`; without it the catalogue's
    own phrase is used, and failing that the title.
    """

    title: str
    unit: str
    better: Better
    phrase: str | None = None


def metric_words(specs: tuple[DetectorSpec, ...]) -> dict[str, MetricWords]:
    """Titles, units and directions of every metric of some detectors, by metric name."""
    return {
        metric.name: MetricWords(metric.title, metric.unit, metric.better)
        for spec in specs
        for metric in spec.metrics
    }


@dataclass(frozen=True, slots=True)
class AirframeRow:
    """One airframe as the fleet's books know it. Flights and hours are totals of the whole history."""

    id: str
    description: str
    flights: int
    hours: float
    firmware: str | None
    last_flight_at: datetime | None


@dataclass(frozen=True, slots=True)
class FlightRow:
    """One flight of the period. `flags` are codes such as `starts_airborne`, `clock_in_doubt`."""

    airframe: str
    flight_id: str
    at: datetime
    seconds: float
    source: str
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LogNotRead:
    """A log that could not be used; `sentence` is the error as the command line would say it."""

    file: str
    sentence: str


@dataclass(frozen=True, slots=True)
class NotMeasuredRow:
    """A figure that could not be had: in how many flights of the period, and why (a `Reason` value)."""

    title: str
    reason: str
    flights: int
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Promise:
    """What is promised about false alarms, and how it was kept.

    Parameters
    ----------
    nominal_share : float
        Share of calls that may be false, 0..1.
    series_judged : int
        Series looked at for this page.
    placebo_planted, placebo_called : int or None
        Made-up changes slipped in, and how many of them were called; None before the first check.
    placebo_level, placebo_low, placebo_high : float
        Share promised for them, and the bounds of the real share with 95 % confidence, 0..1.
    """

    nominal_share: float
    series_judged: int
    placebo_planted: int | None = None
    placebo_called: int | None = None
    placebo_level: float = 0.0
    placebo_low: float = 0.0
    placebo_high: float = 1.0


@dataclass(frozen=True, slots=True)
class MaintenanceRow:
    """One line of the maintenance journal."""

    airframe: str
    at: datetime
    kind: str
    part: str = ""
    before: str = ""
    after: str = ""
    done_by: str = ""
    note: str = ""
    date_only: bool = True


@dataclass(frozen=True, slots=True)
class RecordGap:
    """Where the journal and the logs disagree.

    `code` is `not_in_journal` (the logs show it; `at` is the first flight that does) or `not_in_logs`
    (the journal says it; `flights` after it still show the old state).
    """

    code: str
    airframe: str
    at: datetime
    kind: str
    part: str = ""
    before: str = ""
    after: str = ""
    flights: int = 0


@dataclass(frozen=True, slots=True)
class Hint:
    """Lines to paste into a file so that more can be measured; `gains` says what for, one clause."""

    airframe: str
    file: str
    lines: tuple[str, ...]
    gains: str = ""


@dataclass(frozen=True, slots=True)
class Links:
    """Relative addresses of the pages behind; what is not in a mapping is shown without a link."""

    findings: Mapping[str, str] = field(default_factory=dict)
    airframes: Mapping[str, str] = field(default_factory=dict)
    flights: Mapping[str, str] = field(default_factory=dict)
    board: str | None = None


@dataclass(frozen=True, slots=True)
class RemovedFiles:
    """Files of one kind that went on one day as a retention setting says.

    `what` is recording, digest or page; `at` is when the last of them went.
    """

    at: datetime
    what: str
    files: int
    size_bytes: int
    setting: str
    who: str


@dataclass(frozen=True, slots=True)
class DigestInput:
    """Everything one digest shows. `period_end` is the first instant after the period."""

    fleet_name: str
    time_zone: str
    units: UnitSystem
    period_start: datetime
    period_end: datetime
    now: datetime
    airframes: tuple[AirframeRow, ...]
    findings: tuple[Finding, ...]
    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    flights: tuple[FlightRow, ...]
    metrics: Mapping[str, MetricWords]
    logs_not_read: tuple[LogNotRead, ...] = ()
    not_measured: tuple[NotMeasuredRow, ...] = ()
    promise: Promise | None = None
    maintenance: tuple[MaintenanceRow, ...] = ()
    record_gaps: tuple[RecordGap, ...] = ()
    removals: tuple[RemovedFiles, ...] = ()
    hints: tuple[Hint, ...] = ()
    journal_head: str | None = None
    versions: Mapping[str, str] = field(default_factory=dict)
    links: Links = field(default_factory=Links)
    language: str = "en"
