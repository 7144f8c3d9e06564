"""Digests that were made; the scheduler asks here which period has none."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import aware, first_row, to_store


@dataclass(frozen=True, slots=True)
class DigestRow:
    """One digest. `schedule` is the settings' line it was made for, empty when asked for by hand."""

    schedule: str
    period_start: datetime
    period_end: datetime
    made_at: datetime
    path: str
    chain_head: str
    called: int


_INSERT = "INSERT INTO digest VALUES (?, ?, ?, ?, ?, ?, ?)"
_HAS = "SELECT count(*) FROM digest WHERE schedule = ? AND period_end = ?"


def save_digest(store: Store, digest: DigestRow) -> bool:
    """Note a digest; False when its schedule already has one for that period (nothing is noted then)."""
    with unit_of_work(store) as connection:
        if digest.schedule:
            row = first_row(connection, _HAS, [digest.schedule, to_store(digest.period_end)])
            if row and row[0]:
                return False
        connection.execute(
            _INSERT,
            [
                digest.schedule,
                to_store(digest.period_start),
                to_store(digest.period_end),
                to_store(digest.made_at),
                digest.path,
                digest.chain_head,
                digest.called,
            ],
        )
    return True


_ALL = """
SELECT schedule, period_start, period_end, made_at, path, chain_head, called FROM digest
ORDER BY made_at, period_end
"""


def load_digests(store: Store) -> tuple[DigestRow, ...]:
    """All digests, oldest first."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_ALL).fetchall()
    return tuple(
        DigestRow(schedule, aware(start), aware(end), aware(made), path, head, called)
        for schedule, start, end, made, path, head, called in rows
    )


def made_until(store: Store, schedule: str) -> datetime | None:
    """End of the newest period of a schedule that has a digest; None before the first."""
    ends = [digest.period_end for digest in load_digests(store) if digest.schedule == schedule]
    return max(ends, default=None)
