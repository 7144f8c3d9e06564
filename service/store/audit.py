"""The audit chain: rows that are only ever added, each holding the hash of the one before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb

from trimkeep.config.errors import StoreError
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import aware, canonical_json, first_row, now_utc, to_store

NO_ROW = "0" * 64
# Digits of a head that stand for it: nobody makes another row with the same sixteen (64 bits).
SHORTEST_HEAD = 16


@dataclass(frozen=True, slots=True)
class AuditRecord:
    """One row of the chain. `body` is the text that was hashed, canonical JSON."""

    seq: int
    recorded_at: datetime
    kind: str
    airframe: str
    body: str
    previous_sha256: str
    sha256: str

    @property
    def content(self) -> dict[str, Any]:
        """The body, parsed."""
        parsed: dict[str, Any] = json.loads(self.body)
        return parsed


def row_hash(
    seq: int, recorded_at: datetime, kind: str, airframe: str, body: str, previous_sha256: str
) -> str:
    """SHA-256 over every column of a row but the hash itself.

    JSON keeps the columns apart, so that no text can be moved from one to the next unnoticed.
    """
    moment = recorded_at.isoformat(timespec="microseconds")
    text = canonical_json([seq, moment, kind, airframe, body, previous_sha256])
    return hashlib.sha256(text.encode()).hexdigest()


_LAST = "SELECT seq, sha256 FROM audit_record ORDER BY seq DESC LIMIT 1"
_ADD = "INSERT INTO audit_record VALUES (?, ?, ?, ?, ?, ?, ?)"


def append_record(
    connection: duckdb.DuckDBPyConnection, kind: str, airframe: str, body: Mapping[str, Any]
) -> int:
    """Add a row to the chain inside the caller's transaction; its place in the chain."""
    last = first_row(connection, _LAST)
    seq, previous = (last[0] + 1, last[1]) if last else (1, NO_ROW)
    recorded_at, text = now_utc(), canonical_json(body)
    sha256 = row_hash(seq, recorded_at, kind, airframe, text, previous)
    connection.execute(_ADD, [seq, recorded_at, kind, airframe, text, previous, sha256])
    return int(seq)


_ALL = """
SELECT seq, recorded_at, kind, airframe, body, previous_sha256, sha256 FROM audit_record ORDER BY seq
"""


def load_records(store: Store) -> tuple[AuditRecord, ...]:
    """The whole chain in order."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_ALL).fetchall()
    return tuple(AuditRecord(row[0], aware(row[1]), *row[2:]) for row in rows)


def chain_head(store: Store) -> str:
    """Hash of the last row, which stands for the whole chain; 64 zeros when there is none."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _LAST)
    return row[1] if row else NO_ROW


def restore_records(store: Store, records: tuple[AuditRecord, ...]) -> None:
    """Put a whole chain, verified before, into a store that has none; every column as it was.

    Raises
    ------
    StoreError
        The store has a record already: two chains cannot be made one.
    """
    with unit_of_work(store) as connection:
        if first_row(connection, _LAST) is not None:
            raise StoreError(
                "has a maintenance record already",
                subject=str(store.database),
                next_step="Import into a new state folder: give --state",
            )
        for record in records:
            head = [record.seq, to_store(record.recorded_at), record.kind, record.airframe]
            connection.execute(_ADD, [*head, record.body, record.previous_sha256, record.sha256])


@dataclass(frozen=True, slots=True)
class ChainFault:
    """A place where the chain does not hold.

    Codes: `row_changed`, `row_missing`, `link_broken`, `head_unknown` (a head written down earlier is
    not in the chain: it was cut off or rewritten as a whole).
    """

    code: str
    seq: int
    detail: str = ""


def verify_records(records: tuple[AuditRecord, ...], heads: tuple[str, ...] = ()) -> tuple[ChainFault, ...]:
    """Check a chain against itself and against heads that were written down elsewhere.

    Parameters
    ----------
    records : tuple of AuditRecord
        In the order of `seq`.
    heads : tuple of str
        Hashes that stood at the end of the chain at some time, from digests or exports; at least their
        first `SHORTEST_HEAD` digits, as digests print them.

    Returns
    -------
    tuple of ChainFault
        Empty when the chain holds.
    """
    faults = list(_faults(records))
    known = {record.sha256 for record in records} | {NO_ROW}
    starts = {sha256[:SHORTEST_HEAD]: sha256 for sha256 in known}
    last = records[-1].seq if records else 0
    for head in heads:
        found = starts.get(head[:SHORTEST_HEAD])
        if found is None or not found.startswith(head):
            faults.append(ChainFault("head_unknown", last, head))
    return tuple(faults)


def _faults(records: tuple[AuditRecord, ...]) -> Iterator[ChainFault]:
    expected, previous = 1, NO_ROW
    for record in records:
        if record.seq != expected:
            yield ChainFault("row_missing", expected)
        naive = record.recorded_at.replace(tzinfo=None)
        sha256 = row_hash(
            record.seq, naive, record.kind, record.airframe, record.body, record.previous_sha256
        )
        if sha256 != record.sha256:
            yield ChainFault("row_changed", record.seq)
        elif record.previous_sha256 != previous:
            yield ChainFault("link_broken", record.seq)
        expected, previous = record.seq + 1, record.sha256


def verify_chain(store: Store, heads: tuple[str, ...] = ()) -> tuple[ChainFault, ...]:
    """`verify_records` on the stored chain."""
    return verify_records(load_records(store), heads)
