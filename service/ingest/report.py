"""What an ingest did, and how far it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from trimkeep.service.store.rows import LogOutcome


@dataclass(frozen=True, slots=True)
class Progress:
    """One step on: how many files of how many, and what became of the newest."""

    done: int
    total: int
    path: str
    outcome: LogOutcome | None


@dataclass(frozen=True, slots=True)
class RejectedLog:
    """A log that could not be used, with the whole sentence that says why."""

    path: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Duplicate:
    """A file with the content of another one; `same_as` is the one that counts."""

    path: str
    airframe: str
    same_as: str
    same_as_airframe: str


@dataclass(frozen=True, slots=True)
class IngestReport:
    """What one ingest did.

    Parameters
    ----------
    counts : mapping of LogOutcome to int
        Files by what became of them in this ingest.
    unchanged : int
        Files known from before, which were not opened.
    waiting : tuple of str
        Files still being written; the next ingest takes them.
    rejected : tuple of RejectedLog
    duplicates : tuple of Duplicate
    flights : tuple of str
        Ids of the flights that were stored.
    airframes : tuple of str
        Airframes whose history changed (logs or journal).
    journal_changes : int
        Journal rows added, amended or withdrawn.
    unreachable : tuple of str
        Logs in object storage that could not be fetched now; they stay to be read.
    problems : tuple of str
        Sentences about files that kept something from being taken in: cards, journals, logs that lie
        in no airframe's folder or cannot be opened.
    """

    counts: Mapping[LogOutcome, int] = field(default_factory=dict)
    unchanged: int = 0
    waiting: tuple[str, ...] = ()
    unreachable: tuple[str, ...] = ()
    rejected: tuple[RejectedLog, ...] = ()
    duplicates: tuple[Duplicate, ...] = ()
    flights: tuple[str, ...] = ()
    airframes: tuple[str, ...] = ()
    journal_changes: int = 0
    problems: tuple[str, ...] = ()

    @property
    def changed(self) -> bool:
        """Whether anything was stored that a judge or a page would see."""
        return bool(self.airframes)


class ReportBuilder:
    """Gathers a report while an ingest runs."""

    def __init__(self) -> None:
        self.counts: dict[LogOutcome, int] = {}
        self.unchanged = 0
        self.waiting: list[str] = []
        self.unreachable: list[str] = []
        self.rejected: list[RejectedLog] = []
        self.duplicates: list[Duplicate] = []
        self.flights: list[str] = []
        self.airframes: set[str] = set()
        self.journal_changes = 0
        self.problems: list[str] = []

    def count(self, outcome: LogOutcome) -> None:
        """One more file that ended so."""
        self.counts[outcome] = self.counts.get(outcome, 0) + 1

    def build(self) -> IngestReport:
        """The report as it stands."""
        return IngestReport(
            counts=dict(self.counts),
            unchanged=self.unchanged,
            waiting=tuple(self.waiting),
            unreachable=tuple(self.unreachable),
            rejected=tuple(self.rejected),
            duplicates=tuple(self.duplicates),
            flights=tuple(self.flights),
            airframes=tuple(sorted(self.airframes)),
            journal_changes=self.journal_changes,
            problems=tuple(self.problems),
        )
