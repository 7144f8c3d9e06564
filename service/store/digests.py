"""Digests that were made; the scheduler asks here which period has none."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

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


CLOCK_WRONG = timedelta(days=1)


def made_until(store: Store, schedule: str, now: datetime | None = None) -> datetime | None:
    """End of the newest period of a schedule that has a digest; None before the first.

    With `now`, digests of a time more than a day later are left out: they were made while the clock was
    wrong, and must not keep the right ones from being made until that time has come. A clock that was set
    back by less makes nothing due that a digest has already covered.
    """
    ends = period_ends(store, schedule)
    return max((end for end in ends if now is None or end <= now + CLOCK_WRONG), default=None)


_ENDS = "SELECT period_end FROM digest WHERE schedule = ?"


def period_ends(store: Store, schedule: str) -> frozenset[datetime]:
    """Ends of all periods of a schedule that have a digest."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_ENDS, [schedule]).fetchall()
    return frozenset(aware(row[0]) for row in rows)


_MADE_AT = "SELECT max(made_at) FROM digest WHERE schedule = ? AND made_at <= ?"


def last_made_at(store: Store, schedule: str, now: datetime) -> datetime | None:
    """When the newest digest of a schedule was made, as far as the clock then was right."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _MADE_AT, [schedule, to_store(now)])
    return aware(row[0]) if row and row[0] is not None else None
