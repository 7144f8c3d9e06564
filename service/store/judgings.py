"""How far the fleet was judged, and the evidence that stands from it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime

import duckdb
import pyarrow as pa

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import first_row, insert_rows, to_store

WHOLE_FLEET = ""


@dataclass(frozen=True, slots=True)
class Progress:
    """Where the judging stands.

    Parameters
    ----------
    basis : str or None
        What the last judging of the whole fleet rested on; None before the first.
    chain_seq : int
        Last row of the audit chain now: a judging that begins now knows of everything up to it.
    flights : int
        Rows of the flight table now.
    flights_then : int
        The same when the whole fleet was last judged.
    touched : tuple of str
        Airframes with logs or entries that no judging knows of, by name.
    """

    basis: str | None
    chain_seq: int
    flights: int
    flights_then: int
    touched: tuple[str, ...]

    @property
    def whole_is_new(self) -> bool:
        """Nothing came in since the whole fleet was judged."""
        return self.basis is not None and not self.touched and self.flights == self.flights_then


_NOW = "SELECT (SELECT coalesce(max(seq), 0) FROM audit_record), (SELECT count(*) FROM flight)"
_WHOLE = "SELECT basis, chain_seq, flights FROM judging WHERE airframe = ''"
# Answers to findings and exports stand in the chain too; they change no series.
_TOUCHED = """
SELECT record.airframe
FROM audit_record record LEFT JOIN judging own ON own.airframe = record.airframe
WHERE record.seq > ? AND record.airframe <> '' AND record.seq > coalesce(own.chain_seq, 0)
    AND (record.kind = 'log_stored' OR starts_with(record.kind, 'journal_'))
GROUP BY record.airframe ORDER BY record.airframe
"""


def load_progress(store: Store) -> Progress:
    """Where the judging stands now."""
    with unit_of_work(store) as connection:
        now = first_row(connection, _NOW) or (0, 0)
        whole = first_row(connection, _WHOLE)
        basis, since, flights = whole or (None, 0, 0)
        touched = connection.execute(_TOUCHED, [since]).fetchall()
    return Progress(basis, now[0], now[1], flights, tuple(row[0] for row in touched))


_ELSEWHERE = "SELECT name, evidence FROM change_evidence WHERE NOT list_contains(?, airframe)"


def load_evidence_elsewhere(store: Store, airframes: Collection[str]) -> dict[str, float]:
    """Evidence of everything but these airframes; that of changes over the fleet is in."""
    with unit_of_work(store) as connection:
        return dict(connection.execute(_ELSEWHERE, [sorted(airframes)]).fetchall())


_EVIDENCE = pa.schema([("name", pa.string()), ("airframe", pa.string()), ("evidence", pa.float64())])
_PROGRESS = pa.schema(
    [
        ("airframe", pa.string()),
        ("chain_seq", pa.int64()),
        ("basis", pa.string()),
        ("flights", pa.int64()),
        ("judged_at", pa.timestamp("us")),
    ]
)


def save_judging(
    store: Store,
    evidence: Mapping[tuple[str, str], float],
    progress: Progress,
    basis: str,
    at: datetime,
    airframes: Collection[str] | None = None,
) -> None:
    """Note what was judged.

    Parameters
    ----------
    evidence : mapping of (str, str) to float
        By airframe (empty: over the fleet) and name of the change or stretch.
    progress : Progress
        As it was before the series were loaded.
    basis : str
    at : datetime
        Aware.
    airframes : collection of str or None
        Those judged; None means the whole fleet.
    """
    rows = [(name, airframe, value) for (airframe, name), value in sorted(evidence.items())]
    names = [WHOLE_FLEET] if airframes is None else sorted(airframes)
    noted = [(name, progress.chain_seq, basis, progress.flights, to_store(at)) for name in names]
    with unit_of_work(store) as connection:
        if airframes is None:
            connection.execute("DELETE FROM change_evidence")
            connection.execute("DELETE FROM judging")
        else:
            connection.execute("DELETE FROM change_evidence WHERE list_contains(?, airframe)", [names])
            connection.execute("DELETE FROM judging WHERE list_contains(?, airframe)", [names])
        insert_rows(connection, "change_evidence", _EVIDENCE, rows)
        insert_rows(connection, "judging", _PROGRESS, noted)


def forget_judgings(connection: duckdb.DuckDBPyConnection) -> None:
    """Have the whole fleet judged next: for what changes stored numbers without taking a log in.

    Inside the caller's transaction, so that a crash between the two leaves nothing that is not judged.
    """
    connection.execute("DELETE FROM judging")
