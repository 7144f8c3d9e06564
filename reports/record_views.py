"""Views of the printable maintenance record."""

# ruff: noqa: RUF009 - `shown` only makes a field with its meaning; it holds no state.

from __future__ import annotations

from dataclasses import dataclass

from trimkeep.reports.page_views import PageHead
from trimkeep.reports.views import GapRow, shown


@dataclass(frozen=True, slots=True)
class Labelled:
    """A word and what it stands for."""

    label: str = shown("the word before it")
    text: str = shown("what it is")


@dataclass(frozen=True, slots=True)
class RecordWorkRow:
    """One entry of the record."""

    number: str = shown("its row in the chain")
    day: str = shown("when the work was completed")
    standing: str = shown("superseded or withdrawn, else an empty text")
    what: str = shown("kind, part, before and after")
    note: str = shown("the note, may be empty")
    people: tuple[Labelled, ...] = shown("who did and approved it, by which data, at how many hours")
    missing: str = shown("what it lacks, one sentence, may be empty")
    mark: str = shown("the row's fingerprint")


@dataclass(frozen=True, slots=True)
class FittedRow:
    """One thing the airframe consists of."""

    thing: str = shown("kind and part")
    value: str = shown("what it is")
    since_when: str = shown("since when")
    by_whom: str = shown("by whom")


@dataclass(frozen=True, slots=True)
class RecordLogRow:
    """One log, with its flight where it has one."""

    day: str = shown("when the flight began, or a dash")
    length: str = shown("how long it was, or a dash")
    file: str = shown("the log")
    outcome: str = shown("what became of it, empty where it is a flight's")
    mark: str = shown("SHA-256 of the file")


@dataclass(frozen=True, slots=True)
class RecordPage:
    """The record of one airframe and one period, to be printed and signed."""

    head: PageHead = shown("top of the page")
    work: tuple[RecordWorkRow, ...] = shown("entries by date")
    no_work: str = shown("the empty case in words, else an empty text")
    gaps: tuple[GapRow, ...] = shown("disagreements of journal and logs, oldest first")
    fitted: tuple[FittedRow, ...] = shown("what it consisted of at the end of the period")
    answers: tuple[Labelled, ...] = shown("what was said of findings: day and person, then the words")
    logs: tuple[RecordLogRow, ...] = shown("flights and logs of the period, oldest first")
    removals: tuple[str, ...] = shown(
        "recordings of these logs that a retention setting let go, in sentences"
    )
    chain: tuple[str, ...] = shown("sentences on the chain, its head and how to verify it")
    full_head: str = shown("the whole hash of the chain's last row")
    statement: str = shown("what is signed")
    signed: tuple[str, ...] = shown("labels of the lines to fill in")
