"""Maintenance entries in the audit chain: added, amended, withdrawn, never changed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import duckdb

from trimkeep.service.store.audit import append_record
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import Row, aware, first_row, now_utc

Standing = Literal["current", "superseded", "withdrawn"]


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One entry as recorded.

    `seq` is its place in the audit chain; `standing` says whether a later row amended or withdrew it;
    `source` is `file` or `command`; `done_at` is an ISO day or time.
    """

    seq: int
    airframe: str
    recorded_at: datetime
    source: str
    done_at: str
    kind: str
    part: str
    before: str
    after: str
    done_by: str
    note: str
    standing: Standing
    extra: Mapping[str, str] = field(default_factory=dict)

    @property
    def date_only(self) -> bool:
        """True when only the day is known."""
        return "T" not in self.done_at


_ROWS = """
SELECT seq, airframe, recorded_at, source, done_at, kind, part, before, after, done_by, note, closed_as, body
FROM journal_entry WHERE ? OR list_contains(?, airframe)
ORDER BY airframe, seq
"""


def rows_of(
    connection: duckdb.DuckDBPyConnection, airframes: Iterable[str] | None = None
) -> tuple[JournalRow, ...]:
    """Every entry, also amended and withdrawn ones, by airframe and order of recording."""
    wanted = [] if airframes is None else sorted(airframes)
    rows = connection.execute(_ROWS, [airframes is None, wanted]).fetchall()
    return tuple(_row(row) for row in rows)


def _row(row: Row) -> JournalRow:
    seq, airframe, recorded_at, *texts, closed_as, body = row
    source, done_at, kind, part, before, after, done_by, note = texts
    standing: dict[str | None, Standing] = {
        None: "current",
        "journal_amended": "superseded",
        "journal_withdrawn": "withdrawn",
    }
    extra = json.loads(body).get("extra", {})
    return JournalRow(
        seq=seq,
        airframe=airframe,
        recorded_at=aware(recorded_at),
        source=source,
        done_at=done_at,
        kind=kind,
        part=part,
        before=before,
        after=after,
        done_by=done_by,
        note=note,
        standing=standing[closed_as],
        extra=extra,
    )


def load_journal(store: Store, airframes: Iterable[str] | None = None) -> tuple[JournalRow, ...]:
    """`rows_of` in a unit of work of its own."""
    with unit_of_work(store) as connection:
        return rows_of(connection, airframes)


def add_entry(
    connection: duckdb.DuckDBPyConnection,
    airframe: str,
    content: Mapping[str, object],
    *,
    source: str,
    replaces: int | None = None,
) -> int:
    """Record an entry, or a new text of the one it replaces; its place in the chain."""
    kind = "journal_added" if replaces is None else "journal_amended"
    body = {**content, "source": source}
    if replaces is not None:
        body["replaces"] = replaces
    return append_record(connection, kind, airframe, body)


def withdraw_entry(connection: duckdb.DuckDBPyConnection, airframe: str, seq: int, why: str) -> int:
    """Record that an entry no longer stands; it stays readable."""
    return append_record(connection, "journal_withdrawn", airframe, {"replaces": seq, "why": why})


_FILE = "SELECT sha256 FROM journal_file WHERE airframe = ? AND path = ?"
_FORGET_FILE = "DELETE FROM journal_file WHERE airframe = ? AND path = ?"
_NOTE_FILE = "INSERT INTO journal_file VALUES (?, ?, ?, ?)"


def imported_hash(store: Store, airframe: str, path: str) -> str | None:
    """Hash of a journal file's content when it was last imported."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _FILE, [airframe, path])
    return row[0] if row else None


def note_file(connection: duckdb.DuckDBPyConnection, airframe: str, path: str, sha256: str) -> None:
    """Remember the content that was imported."""
    connection.execute(_FORGET_FILE, [airframe, path])
    connection.execute(_NOTE_FILE, [airframe, path, sha256, now_utc()])
