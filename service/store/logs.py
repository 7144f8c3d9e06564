"""Logs by content, the places they were seen at, and who is reading which."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import duckdb

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.rows import LogOutcome
from trimkeep.service.store.values import Row, aware, first_row, now_utc, to_store


@dataclass(frozen=True, slots=True)
class FoundLog:
    """A file on disk that looks like a log, hashed.

    `path` is relative to the fleet folder; `card_hash` stands for what the airframe's card says about
    reading it.
    """

    sha256: str
    path: str
    airframe: str
    size_bytes: int
    mtime_ns: int
    inode: int
    head_sha256: str
    card_hash: str


@dataclass(frozen=True, slots=True)
class Sighting:
    """A place where a log was last seen, as far as is needed to tell that it has not changed."""

    sha256: str
    airframe: str
    size_bytes: int
    mtime_ns: int
    inode: int
    finished: bool
    card_hash: str
    owner_path: str


class Claim(StrEnum):
    """Answer to a claim."""

    TAKE = "take"
    KNOWN = "known"
    DUPLICATE = "duplicate"
    BUSY = "busy"


_KNOWN_PLACES = """
SELECT s.path, s.sha256, s.airframe, s.size_bytes, s.mtime_ns, s.inode,
    log.outcome IS NOT NULL AND log.lease IS NULL, log.card_hash, log.path
FROM log_sighting s JOIN log_file log USING (sha256)
WHERE s.gone_at IS NULL AND (? OR s.path IN (SELECT unnest(?)))
"""


@dataclass(frozen=True, slots=True)
class Relative:
    """A stored log that may be the start, or the longer version, of another with the same first bytes."""

    sha256: str
    airframe: str
    size_bytes: int
    path: str


_OWNER = "SELECT sha256, airframe, size_bytes, path FROM log_file WHERE sha256 = ?"


def load_owner(store: Store, sha256: str) -> Relative:
    """The place and airframe a stored log belongs to. KeyError when it is not stored."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _OWNER, [sha256])
    if row is None:
        raise KeyError(sha256)
    return Relative(*row)


_HEADS = """
SELECT head_sha256, sha256, airframe, size_bytes, path FROM log_file WHERE ? OR airframe IN (SELECT unnest(?))
"""
_UNFINISHED = "SELECT sha256, path, attempts, worker_deaths FROM log_file WHERE outcome IS NULL"


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A log that was claimed and has no outcome yet: being read, or left by a run that died."""

    sha256: str
    path: str
    attempts: int
    worker_deaths: int


@dataclass(frozen=True, slots=True)
class Books:
    """What the store knows of logs, as an ingest needs it at its start.

    `places`: path to what was last seen there, for files that were not noticed to be gone. `heads`: hash
    of the first bytes to the logs that begin so.
    """

    places: dict[str, Sighting]
    heads: dict[str, list[Relative]]
    unfinished: tuple[Unfinished, ...]

    @property
    def hashes(self) -> frozenset[str]:
        """Every log the store knows, whatever became of it."""
        return frozenset(one.sha256 for relatives in self.heads.values() for one in relatives)


def load_books(
    store: Store, *, paths: Collection[str] | None = None, airframes: Collection[str] | None = None
) -> Books:
    """Everything in one unit of work.

    Parameters
    ----------
    store : Store
    paths : collection of str or None
        Only these places; None means all.
    airframes : collection of str or None
        Only the logs of these in `heads`; None means all. A log continues one of its own airframe only.
    """
    with unit_of_work(store) as connection:
        places = connection.execute(_KNOWN_PLACES, [paths is None, sorted(paths or ())]).fetchall()
        heads = connection.execute(_HEADS, [airframes is None, sorted(airframes or ())]).fetchall()
        unfinished = connection.execute(_UNFINISHED).fetchall()
    by_head: dict[str, list[Relative]] = {}
    for head, *rest in heads:
        by_head.setdefault(head, []).append(Relative(*rest))
    return Books(
        places={row[0]: Sighting(*row[1:]) for row in places},
        heads=by_head,
        unfinished=tuple(Unfinished(*row) for row in unfinished),
    )


_LOG = "SELECT airframe, path, outcome, lease, attempts, card_hash FROM log_file WHERE sha256 = ?"
_NEW_LOG = """
INSERT INTO log_file (sha256, airframe, path, size_bytes, head_sha256, card_hash, claimed_at, lease, attempts,
    worker_deaths) VALUES (?, ?, ?, ?, ?, ?, ?, ?, 1, 0)
"""
_TAKE_AGAIN = "UPDATE log_file SET claimed_at = ?, lease = ?, attempts = attempts + 1 WHERE sha256 = ?"
_MOVED = "UPDATE log_file SET path = ? WHERE sha256 = ?"
_DROP_LEASE = "UPDATE log_file SET lease = NULL WHERE sha256 = ?"
_SUPERSEDE = "UPDATE log_file SET superseded_by = ? WHERE sha256 = ?"


def claim(
    store: Store,
    found: FoundLog,
    *,
    lease: str,
    is_alive: Callable[[str], bool],
    exists: Callable[[str], bool],
    shorter: Sequence[str] = (),
    longer: str | None = None,
) -> Claim:
    """Ask to read a log; the claim and its attempt are on disk before this returns.

    Parameters
    ----------
    store : Store
    found : FoundLog
    lease : str
        The run that asks.
    is_alive : callable
        Whether a run that holds a claim still lives.
    exists : callable
        Whether a path relative to the fleet folder still is there.
    shorter : sequence of str
        Logs of this airframe that are the start of this one.
    longer : str or None
        A log of this airframe that starts with this one.

    Returns
    -------
    Claim
        `TAKE`: read it. `KNOWN`: nothing to do. `DUPLICATE`: counted already, from another place.
        `BUSY`: a living run has it.
    """
    with unit_of_work(store) as connection:
        earlier = _note_sighting(connection, found)
        row = first_row(connection, _LOG, [found.sha256])
        if row is None:
            _insert(connection, found, lease, shorter, longer)
            return Claim.TAKE
        airframe, path, outcome, holder, _, card_hash = row
        if holder == lease:
            return Claim.BUSY if path == found.path else Claim.DUPLICATE
        if holder is not None and is_alive(holder):
            return Claim.BUSY
        # A log that was moved to another airframe's folder was misfiled before; it follows its file. So
        # does one whose airframe got another id.
        owner_gone = path != found.path and not exists(path)
        if owner_gone:
            connection.execute(_MARK_GONE, [now_utc(), path])
        unread = outcome is None and (path == found.path or owner_gone or airframe == found.airframe)
        renamed = airframe != found.airframe and (owner_gone or path == found.path)
        stale = path == found.path and card_hash != found.card_hash
        if unread or stale or renamed:
            connection.execute(_TAKE_AGAIN, [now_utc(), lease, found.sha256])
            return Claim.TAKE
        connection.execute(_DROP_LEASE, [found.sha256])  # of a run that died while reading it again
        if owner_gone:
            connection.execute(_MOVED, [found.path, found.sha256])
            return Claim.KNOWN
        return Claim.DUPLICATE if path != found.path and earlier else Claim.KNOWN


def _insert(
    connection: duckdb.DuckDBPyConnection,
    found: FoundLog,
    lease: str,
    shorter: Sequence[str],
    longer: str | None,
) -> None:
    row = [found.sha256, found.airframe, found.path, found.size_bytes, found.head_sha256, found.card_hash]
    connection.execute(_NEW_LOG, [*row, now_utc(), lease])
    for sha256 in shorter:
        connection.execute(_SUPERSEDE, [found.sha256, sha256])
    if longer is not None:
        connection.execute(_SUPERSEDE, [longer, found.sha256])


_GONE_FROM_HERE = "UPDATE log_sighting SET gone_at = ? WHERE path = ? AND sha256 <> ? AND gone_at IS NULL"
_SEEN_HERE = """
UPDATE log_sighting SET size_bytes = ?, mtime_ns = ?, inode = ?, airframe = ?, gone_at = NULL
WHERE sha256 = ? AND path = ?
"""
_SEEN_ELSEWHERE = "SELECT count(*) FROM log_sighting WHERE sha256 = ? AND path <> ? AND gone_at IS NULL"
_NEW_SIGHTING = "INSERT INTO log_sighting VALUES (?, ?, ?, ?, ?, ?, ?, NULL)"


def _note_sighting(connection: duckdb.DuckDBPyConnection, found: FoundLog) -> bool:
    """Record the place; True when the same content is known at another place."""
    connection.execute(_GONE_FROM_HERE, [now_utc(), found.path, found.sha256])
    stat = [found.size_bytes, found.mtime_ns, found.inode]
    updated = first_row(connection, _SEEN_HERE, [*stat, found.airframe, found.sha256, found.path])
    if not updated or not updated[0]:
        place = [found.sha256, found.path, found.airframe]
        connection.execute(_NEW_SIGHTING, [*place, *stat, now_utc()])
    row = first_row(connection, _SEEN_ELSEWHERE, [found.sha256, found.path])
    return bool(row and row[0])


_MARK_GONE = "UPDATE log_sighting SET gone_at = ? WHERE path = ? AND gone_at IS NULL"


def mark_gone(store: Store, paths: Sequence[str]) -> None:
    """Note that files are no longer where they were. Their flights stay."""
    if not paths:
        return
    with unit_of_work(store) as connection:
        for path in paths:
            connection.execute(_MARK_GONE, [now_utc(), path])


_RELEASE = "UPDATE log_file SET lease = NULL WHERE sha256 = ? AND lease = ?"
_FORGET_UNREAD = "DELETE FROM log_file WHERE sha256 = ? AND outcome IS NULL"
_FORGET_SIGHTING = "DELETE FROM log_sighting WHERE sha256 = ?"


def give_back(store: Store, sha256: str, lease: str, *, never_was: bool = False) -> None:
    """Let go of a claim without a result.

    `never_was`: the file changed while it was read, so this content exists nowhere; a log that was never
    stored is forgotten.
    """
    with unit_of_work(store) as connection:
        connection.execute(_RELEASE, [sha256, lease])
        if never_was and connection.execute(_FORGET_UNREAD, [sha256]).fetchall()[0][0]:
            connection.execute(_FORGET_SIGHTING, [sha256])


_DEATH = "UPDATE log_file SET worker_deaths = worker_deaths + 1 WHERE sha256 = ? RETURNING worker_deaths"


def count_death(store: Store, sha256: str) -> int:
    """Note that a worker died of a log; how often so far."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _DEATH, [sha256])
    return int(row[0]) if row else 0


@dataclass(frozen=True, slots=True)
class LogStatus:
    """What became of the file at one place.

    For a duplicate, `same_as` is the place that counts; `superseded` says that a longer file has the
    same start.
    """

    path: str
    airframe: str
    sha256: str
    outcome: LogOutcome | None
    reason: str | None
    same_as: str | None
    superseded: bool
    flights: int
    seen_at: datetime
    finished_at: datetime | None


_OUTCOMES = """
SELECT s.path, s.airframe, s.sha256, log.outcome, log.reason, log.path, log.airframe,
    log.superseded_by IS NOT NULL,
    (SELECT count(*) FROM flight WHERE flight.log_sha256 = s.sha256), s.seen_at, log.finished_at
FROM log_sighting s JOIN log_file log USING (sha256)
WHERE s.gone_at IS NULL OR s.path = log.path
ORDER BY s.airframe, s.path
"""


def load_log_outcomes(store: Store) -> tuple[LogStatus, ...]:
    """What became of every log seen, by airframe and path; a log whose file was removed stays listed."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_OUTCOMES).fetchall()
    return tuple(_status(row) for row in rows)


def _status(row: Row) -> LogStatus:
    path, airframe, sha256, outcome, reason, owner_path, _, superseded, flights, seen_at, finished_at = row
    duplicate = path != owner_path
    return LogStatus(
        path=path,
        airframe=airframe,
        sha256=sha256,
        outcome=LogOutcome.DUPLICATE if duplicate else (LogOutcome(outcome) if outcome else None),
        reason=reason,
        same_as=owner_path if duplicate else None,
        superseded=superseded,
        flights=0 if duplicate else flights,
        seen_at=aware(seen_at),
        finished_at=aware(finished_at) if finished_at is not None else None,
    )


_STORED_SINCE = """
SELECT count(*) FROM flight JOIN log_file log ON log.sha256 = flight.log_sha256
WHERE ? IS NULL OR log.finished_at > ?
"""


def flights_stored_since(store: Store, since: datetime | None) -> int:
    """Flights of logs that were stored after a time; None means ever."""
    moment = to_store(since)
    with unit_of_work(store) as connection:
        row = first_row(connection, _STORED_SINCE, [moment, moment])
    return int(row[0]) if row else 0
