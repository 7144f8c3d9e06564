"""The maintenance journal: imported from the file once by content, added to by command, never rewritten."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb

from trimkeep.config.errors import JournalError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.journal_resaved import resaved, rewritten_cells
from trimkeep.service.journal_table import EntryText, parse_when, read_table
from trimkeep.service.record_fields import refuse_incomplete
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.journal import (
    JournalRow,
    add_entry,
    imported_hash,
    note_file,
    rows_of,
    withdraw_entry,
)

FILE_NAME = "journal.csv"
# Fields that must agree, out of done_at, kind, part, before, after, done_by and note, for a row that
# went and a row that came to be one row that was edited: a correction touches one or two cells.
SAME_FIELDS = 5
_HOURS = re.compile(r"^\d+([.,]\d+)?$")


@dataclass(frozen=True, slots=True)
class JournalImport:
    """What an import recorded.

    `rewritten`: cells as they were and as the file has them now, changed by the program that saved it and
    not by a person; the record keeps the first.
    """

    added: int = 0
    amended: int = 0
    withdrawn: int = 0
    rewritten: tuple[tuple[str, str], ...] = ()

    @property
    def changes(self) -> int:
        """Rows recorded."""
        return self.added + self.amended + self.withdrawn


def import_journal(store: Store, fleet: FleetSettings, folder: Path, airframe: str) -> JournalImport:
    """Bring the record up to date with an airframe's `journal.csv`.

    A row is imported once, by content. A row that was edited in the file becomes a new record that
    supersedes the old one; a row that was removed is marked withdrawn; both stay readable. A missing
    file changes nothing: it may be on a card or a share that is not there today.

    Raises
    ------
    JournalError
        The file cannot be read or a line cannot be understood; then nothing is recorded.
    """
    path = folder / FILE_NAME
    subject = path.relative_to(fleet.folder).as_posix()
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return JournalImport()
    except OSError as error:
        raise JournalError(
            f"cannot be read ({error.strerror})",
            subject=subject,
            next_step="See that this user may read it; close it in the program that has it open",
        ) from error
    sha256 = hashlib.sha256(data).hexdigest()
    if imported_hash(store, airframe, subject) == sha256:
        return JournalImport()
    entries = read_table(data, subject, fleet.time_zone)
    with unit_of_work(store) as connection:
        stored = [
            row
            for row in rows_of(connection, [airframe])
            if row.source == "file" and row.standing == "current"
        ]
        came, went = _difference(entries, stored)
        new, gone, rewritten = _without_resaved(came, went)
        edits = _edits(new, gone)
        for entry in new:
            replaced = edits.get(id(entry))
            seq = replaced.seq if replaced is not None else None
            add_entry(connection, airframe, content_of(entry), source="file", replaces=seq)
        edited = {row.seq for row in edits.values()}
        withdrawn = [row for row in gone if row.seq not in edited]
        for row in withdrawn:
            withdraw_entry(connection, airframe, row.seq, "no longer in the file")
        note_file(connection, airframe, subject, sha256)
    return JournalImport(len(new) - len(edits), len(edits), len(withdrawn), tuple(rewritten))


def record_entry(store: Store, airframe: str, entry: EntryText, *, replaces: int | None = None) -> int:
    """Add an entry by command; its place in the chain."""
    with unit_of_work(store) as connection:
        return add_entry(connection, airframe, content_of(entry), source="command", replaces=replaces)


def record_work(
    store: Store,
    fleet: FleetSettings,
    airframe: str,
    entry: EntryText,
    now: datetime,
    *,
    replaces: int | None = None,
    alongside: Callable[[duckdb.DuckDBPyConnection, int], None] | None = None,
) -> int:
    """Record an entry that a person gave by command; its place in the chain.

    Parameters
    ----------
    store, fleet, airframe
    entry : EntryText
        `done_at` as the person wrote it.
    now : datetime
        Aware; work cannot have been completed after it.
    replaces : int or None
        Row that the entry corrects.
    alongside : callable or None
        Called with the connection and the new row inside the transaction; what it raises undoes all of it.

    Raises
    ------
    JournalError
        It lacks what a record must hold, its date is no date or lies ahead, its hours are no number, or
        the row it corrects cannot be corrected by command.
    """
    subject = f"entry for {airframe}"
    refuse_incomplete(entry, fleet.settings.maintenance.required, subject)
    whole = replace(entry, done_at=parse_when(entry.done_at, subject, fleet.time_zone))
    if effective_at(whole.done_at, fleet.time_zone) > now:
        raise JournalError(
            f"done_at {entry.done_at} lies ahead: 14 CFR 43.9(a)(2) asks for the date of completion",
            subject=subject,
            next_step="Record the work when it is done",
        )
    _check_hours(dict(whole.extra).get("flight_hours"), subject)
    with unit_of_work(store) as connection:
        if replaces is not None:
            _check_correctable(rows_of(connection, [airframe]), replaces, subject)
        row = add_entry(connection, airframe, content_of(whole), source="command", replaces=replaces)
        if alongside is not None:
            alongside(connection, row)
    return row


def _check_hours(text: str | None, subject: str) -> None:
    if text is None or _HOURS.match(text):
        return
    raise JournalError(
        f"flight_hours {text!r} is no number of hours", subject=subject, next_step="Write it as 123.4"
    )


def _check_correctable(rows: Sequence[JournalRow], seq: int, subject: str) -> None:
    row = next((row for row in rows if row.seq == seq), None)
    if row is None or row.standing != "current":
        what = "is no entry of this airframe" if row is None else f"is {row.standing} already"
        raise JournalError(
            f"row {seq} {what}",
            subject=subject,
            next_step="`trimkeep journal list --all` shows every row and its standing",
        )
    if row.source == "file":
        # The file would bring the old text back with its next change.
        raise JournalError(
            f"row {seq} came from {FILE_NAME}",
            subject=subject,
            next_step="Correct the line in that file; the old text stays in the record",
        )


def content_of(entry: EntryText) -> dict[str, object]:
    """What of an entry is recorded."""
    return {
        "done_at": entry.done_at,
        "kind": entry.kind,
        "part": entry.part,
        "before": entry.before,
        "after": entry.after,
        "done_by": entry.done_by,
        "note": entry.note,
        "extra": dict(entry.extra),
    }


def _text_of(row: JournalRow) -> EntryText:
    return EntryText(
        row.done_at,
        row.kind,
        row.part,
        row.before,
        row.after,
        row.done_by,
        row.note,
        tuple(sorted(row.extra.items())),
    )


def _difference(
    entries: Sequence[EntryText], stored: Sequence[JournalRow]
) -> tuple[list[EntryText], list[JournalRow]]:
    """Rows that came and rows that went; two equal rows are two pieces of work."""
    left: dict[EntryText, list[JournalRow]] = {}
    for row in stored:
        left.setdefault(_text_of(row), []).append(row)
    new = []
    for entry in entries:
        same = left.get(entry)
        if same:
            same.pop(0)
        else:
            new.append(entry)
    gone = sorted((row for rows in left.values() for row in rows), key=lambda row: row.seq)
    return new, gone


def _without_resaved(
    came: Sequence[EntryText], went: Sequence[JournalRow]
) -> tuple[list[EntryText], list[JournalRow], list[tuple[str, str]]]:
    """The rows that came and went but for those that a spreadsheet only saved in its own way."""
    new, gone, rewritten = [], list(went), []
    for entry in came:
        was = next((row for row in gone if resaved(_text_of(row), entry)), None)
        if was is None:
            new.append(entry)
        else:
            gone.remove(was)
            rewritten += rewritten_cells(_text_of(was), entry)
    return new, gone, rewritten


def _edits(new: Sequence[EntryText], gone: Sequence[JournalRow]) -> dict[int, JournalRow]:
    """Which new row is an edited old one: by its id where it has one, else by what stayed the same."""
    edits: dict[int, JournalRow] = {}
    left = list(gone)
    scored = sorted(
        ((_likeness(entry, row), -k, -row.seq, entry, row) for k, entry in enumerate(new) for row in left),
        key=lambda item: item[:3],
        reverse=True,
    )
    taken: set[int] = set()
    for likeness, _, _, entry, row in scored:
        if likeness >= SAME_FIELDS and id(entry) not in edits and row.seq not in taken:
            edits[id(entry)] = row
            taken.add(row.seq)
    return edits


def _likeness(entry: EntryText, row: JournalRow) -> int:
    new_id, old_id = dict(entry.extra).get("id"), row.extra.get("id")
    if new_id is not None and old_id is not None:
        return 99 if new_id == old_id else 0
    text = _text_of(row)
    names = ("done_at", "kind", "part", "before", "after", "done_by", "note")
    return sum(getattr(entry, name) == getattr(text, name) for name in names)


def effective_at(done_at: str, time_zone: str) -> datetime:
    """When an entry took effect: a day means its first instant in the fleet's zone. Aware UTC.

    >>> effective_at("2026-07-14", "Europe/Lisbon").isoformat()
    '2026-07-13T23:00:00+00:00'
    """
    if "T" in done_at:
        return datetime.fromisoformat(done_at).astimezone(UTC)
    day = datetime.fromisoformat(done_at).date()
    return datetime.combine(day, time.min, ZoneInfo(time_zone)).astimezone(UTC)
