"""What one log gives, as the store takes it: plain records that travel from the worker process."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from trimkeep.detectors.model import ClockSource, DetectorRun, Note, Segment


class LogOutcome(StrEnum):
    """What became of one log. `duplicate` is said of a place, the others of a content."""

    INGESTED = "ingested"
    NO_FLIGHT = "no_flight"
    DUPLICATE = "duplicate"
    REJECTED = "rejected"


@dataclass(frozen=True, slots=True)
class RecordingRow:
    """A recording without its channels."""

    source: str
    reader: str
    reader_version: int
    splitter_version: int
    start_utc: datetime | None
    clock: ClockSource
    duration_s: float
    firmware: str | None
    board: str | None
    notes: tuple[Note, ...]
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FlightRow:
    """One flight with everything measured in it.

    `started_at` and `clock` are the flight's place in time as well as it can be justified, which may be
    worse than the recording's own clock; `parameters` are the values as they stood at its start.
    """

    number: int
    started_at: datetime
    clock: ClockSource
    start_s: float
    end_s: float
    starts_airborne: bool
    ends_airborne: bool
    samples: int
    segments: tuple[Segment, ...]
    runs: tuple[DetectorRun, ...]
    parameters: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Rejection:
    """Why a log could not be used: the error's kind and its whole sentence."""

    slug: str
    sentence: str


@dataclass(frozen=True, slots=True)
class LogResult:
    """Everything one log gives: a recording with its flights, or a rejection.

    `seconds` is how long reading and measuring took, by step.
    """

    sha256: str
    airframe: str
    recording: RecordingRow | None = None
    flights: tuple[FlightRow, ...] = ()
    rejection: Rejection | None = None
    seconds: Mapping[str, float] = field(default_factory=dict)

    @property
    def outcome(self) -> LogOutcome:
        """What became of the log."""
        if self.recording is None:
            return LogOutcome.REJECTED
        return LogOutcome.INGESTED if self.flights else LogOutcome.NO_FLIGHT


def flight_id(sha256: str, number: int) -> str:
    """A flight's name everywhere outside the store."""
    return f"{sha256[:12]}-{number}"
