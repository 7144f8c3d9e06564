"""Reading `journal.csv` as people keep it: in spreadsheets, with their encodings, separators and dates."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from difflib import get_close_matches
from typing import Literal
from zoneinfo import ZoneInfo

from trimkeep.config.errors import JournalError

KINDS = (
    "firmware",
    "parameters",
    "servo",
    "linkage",
    "surface",
    "propeller",
    "motor",
    "speed_controller",
    "battery",
    "autopilot_board",
    "sensor",
    "balance",
    "trim",
    "structure",
    "payload",
    "calibration",
    "inspection",
    "other",
)
FIELDS = ("done_at", "kind", "part", "before", "after", "done_by", "note")
EXTRA_FIELDS = ("id", "approved_by", "certificate", "reference", "flight_hours")
NEEDED = ("done_at", "kind")
SEPARATORS = (",", ";", "\t")
# Outside of these years a date is a slip of the pen, and near year 1 or 9999 no zone can be applied to it.
YEARS = range(1900, 2200)
_BLANKS = re.compile(r"\s+")
_SLASHED = re.compile(r"^(\d{1,2})[/.-](\d{1,2})[/.-](\d{4})$")
_DAY_NUMBER = re.compile(r"^\d{5}(\.\d+)?$")


@dataclass(frozen=True, slots=True)
class EntryText:
    """One piece of work as written down, normalised so that equal rows are equal.

    `done_at` is an ISO day (`2026-03-14`) or an ISO time with its offset; `extra` holds the further
    columns that were filled in.
    """

    done_at: str
    kind: str
    part: str = ""
    before: str = ""
    after: str = ""
    done_by: str = ""
    note: str = ""
    extra: tuple[tuple[str, str], ...] = field(default=())

    @property
    def date_only(self) -> bool:
        """True when only the day is known."""
        return "T" not in self.done_at


def read_table(data: bytes, subject: str, time_zone: str) -> tuple[EntryText, ...]:
    """The rows of a journal file.

    Parameters
    ----------
    data : bytes
        The file.
    subject : str
        Its name, for messages.
    time_zone : str
        IANA zone of times without an offset.

    Raises
    ------
    JournalError
        A row cannot be understood; the message has the line. Nothing of the file is used then, because a
        half-read file would make its other rows look removed.
    """
    text = decode(data)
    lines = text.splitlines(keepends=True)
    first = 1
    if lines and lines[0].strip().lower().startswith("sep="):
        lines, first = lines[1:], 2
    if not any(line.strip() for line in lines):
        return ()
    reader = csv.reader(io.StringIO("".join(lines), newline=""), delimiter=_separator(lines, subject))
    try:
        rows = [(reader.line_num + first - 1, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as error:
        line = reader.line_num + first - 1
        raise _error(subject, line, f"is no table ({error})", "Save it as CSV") from error
    if not rows:
        return ()
    (head_line, header), *body = rows
    names = _header(header, subject, head_line)
    order = _day_order([_cell(row, names, "done_at") for _, row in body])
    return tuple(_entry(row, names, subject, line, time_zone, order) for line, row in body)


def decode(data: bytes) -> str:
    """Text of a file saved by a spreadsheet: UTF-8, UTF-16 or the old Western code page.

    >>> decode("é".encode("cp1252")), decode("é".encode("utf-16")), decode("é".encode("utf-8-sig"))
    ('é', 'é', 'é')
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    if data[1:2] == b"\0" or data[:1] == b"\0":
        return data.decode("utf-16-le" if data[1:2] == b"\0" else "utf-16-be", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Every byte but five means something in this code page; those five are no letters.
        return data.decode("cp1252", errors="replace")


def _error(subject: str, line: int, what: str, next_step: str) -> JournalError:
    return JournalError(what, subject=f"{subject} line {line}", next_step=next_step)


def _separator(lines: Sequence[str], subject: str) -> str:
    header = next(line for line in lines if line.strip())
    best = max(SEPARATORS, key=header.count)
    if header.count(best) == 0:
        raise _error(
            subject,
            1,
            "has no header line with several columns",
            f"Begin it with the line {','.join(FIELDS)}",
        )
    return best


def _header(cells: Sequence[str], subject: str, line: int) -> list[str]:
    names = [_BLANKS.sub("_", cell.strip().lower()) for cell in cells]
    for needed in NEEDED:
        if needed not in names:
            raise _error(
                subject, line, f"the column {needed} is missing", f"Begin the file with {','.join(FIELDS)}"
            )
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        raise _error(subject, line, f"the column {twice[0]} is there twice", "Remove one of them")
    return names


def _cell(row: Sequence[str], names: Sequence[str], name: str) -> str:
    if name not in names:
        return ""
    place = names.index(name)
    return _BLANKS.sub(" ", row[place]).strip() if place < len(row) else ""


def _entry(
    row: Sequence[str], names: Sequence[str], subject: str, line: int, time_zone: str, order: str | None
) -> EntryText:
    if any(cell.strip() for cell in row[len(names) :]):
        raise _error(
            subject,
            line,
            f"has {len(row)} cells where the header has {len(names)}",
            "Put quotes round a text that holds the separator",
        )
    extra = tuple(
        (name, _cell(row, names, name))
        for name in sorted(names)
        if name and name not in FIELDS and _cell(row, names, name)
    )
    return EntryText(
        done_at=parse_when(_cell(row, names, "done_at"), f"{subject} line {line}", time_zone, order),
        kind=_kind(_cell(row, names, "kind"), subject, line),
        part=_cell(row, names, "part"),
        before=_cell(row, names, "before"),
        after=_cell(row, names, "after"),
        done_by=_cell(row, names, "done_by"),
        note=_cell(row, names, "note"),
        extra=extra,
    )


def _kind(text: str, subject: str, line: int) -> str:
    kind = text.lower().replace(" ", "_").replace("-", "_")
    if kind in KINDS:
        return kind
    close = get_close_matches(kind, KINDS, n=1, cutoff=0.6)
    what = "is empty" if not text else f"{text!r} is none of the kinds"
    next_step = f"Did you mean {close[0]}" if close else "Use one of: " + ", ".join(KINDS)
    raise _error(subject, line, f"kind: {what}", next_step)


def _day_order(cells: Sequence[str]) -> Literal["day", "month"] | None:
    """Which comes first in dates such as 3/14/2026, as far as the file itself shows it."""
    shown: set[Literal["day", "month"]] = set()
    for cell in cells:
        found = _SLASHED.match(cell.split(" ")[0])
        if found and int(found[1]) > 12:
            shown.add("day")
        elif found and int(found[2]) > 12:
            shown.add("month")
    return shown.pop() if len(shown) == 1 else None


def parse_when(text: str, subject: str, time_zone: str, order: str | None = None) -> str:
    """A day or a time as ISO text; times get their offset.

    Raises
    ------
    JournalError
        It is empty, is no date, or can be read in two ways.
    """
    if not text:
        raise JournalError(
            "done_at is empty", subject=subject, next_step="Write the day the work was done, as 2026-03-14"
        )
    if _DAY_NUMBER.match(text):
        raise JournalError(
            f"done_at {text} is a spreadsheet's day number",
            subject=subject,
            next_step="Format the column as a date, year first (2026-03-14), and save again",
        )
    day, _, clock = text.replace("T", " ").partition(" ")
    iso = _iso_day(day, subject, order)
    try:
        at = datetime.fromisoformat(f"{iso} {clock}".replace(" +", "+").strip())
        if at.year not in YEARS:
            raise ValueError("year")
        if not clock:
            return date.fromisoformat(iso).isoformat()
    except ValueError as error:
        raise JournalError(
            f"done_at {text!r} is no date",
            subject=subject,
            next_step="Write it as 2026-03-14 or 2026-03-14T10:05+01:00",
        ) from error
    if at.tzinfo is None:
        at = at.replace(tzinfo=ZoneInfo(time_zone))
    return at.isoformat(timespec="minutes" if at.second == 0 else "seconds")


def _iso_day(day: str, subject: str, order: str | None) -> str:
    if re.match(r"^\d{4}/\d{1,2}/\d{1,2}$", day):
        parts = [int(part) for part in day.split("/")]
        return f"{parts[0]}-{parts[1]:02d}-{parts[2]:02d}"
    found = _SLASHED.match(day)
    if not found:
        return day
    first, second, year = int(found[1]), int(found[2]), int(found[3])
    # With dots the day always comes first; with slashes it depends on the country.
    sure = "day" if "." in day or first > 12 else "month" if second > 12 else order
    if sure is None and first != second:
        raise JournalError(
            f"done_at {day} can be read in two ways",
            subject=subject,
            next_step="Write the year first: "
            f"{year}-{second:02d}-{first:02d} or {year}-{first:02d}-{second:02d}",
        )
    day_of_month, month = (first, second) if sure != "month" else (second, first)
    return f"{year}-{month:02d}-{day_of_month:02d}"
