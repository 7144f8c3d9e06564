"""Opening the store: a connection lasts one unit of work, so that any command works while another runs."""

from __future__ import annotations

import os
import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import duckdb

from trimkeep.config.errors import StoreBusy, StoreDamaged, StoreError
from trimkeep.service.store.migrate import migrate
from trimkeep.service.store.torn_block import CUT_OFF, mend_torn_block

DATABASE_NAME = "trimkeep.duckdb"
RECORDINGS_NAME = "recordings"
RUNS_NAME = "runs"
# First wait of the retry and its ceiling, seconds. A unit of work takes some 20 ms, so a competitor
# is usually gone after one or two short waits; the ceiling keeps the unlucky from starving.
FIRST_WAIT_S = 0.01
LONGEST_WAIT_S = 0.25
# What the file is called inside the engine while it is open, and how it is given free.
_NAME = "trimkeep"
_LEAVE = f"USE memory; DETACH {_NAME}"


@dataclass(frozen=True, slots=True)
class Store:
    """Where the state of one fleet lies. Holds no connection: it may be handed about freely.

    Parameters
    ----------
    state : Path
        Folder of the database and the recordings.
    patience_s : float
        How long to wait for another process before `StoreBusy`.
    """

    state: Path
    patience_s: float = 60.0

    @property
    def database(self) -> Path:
        """The database file."""
        return self.state / DATABASE_NAME

    @property
    def recordings(self) -> Path:
        """Folder of the decoded recordings."""
        return self.state / RECORDINGS_NAME

    @property
    def runs(self) -> Path:
        """Folder of the locks that show which runs are alive."""
        return self.state / RUNS_NAME

    def recording_path(self, sha256: str) -> Path:
        """Parquet file of one log's decoded channels."""
        return self.recordings / f"{sha256}.parquet"


def open_store(state: Path, *, patience_s: float = 60.0) -> Store:
    """The store of a state folder, made or brought up to this version's schema where needed.

    Raises
    ------
    StoreTooNew
        Written by a newer version of the program.
    StoreBusy
        Another process held it for longer than `patience_s`.
    StoreError
        The folder cannot be written.
    """
    store = Store(state, patience_s)
    try:
        _lay_out(store)
    except OSError as error:
        raise StoreError(
            f"cannot be written ({error.strerror})",
            subject=str(state),
            next_step="Set `state` in fleet.toml, or give --state, to a folder that this user may write",
        ) from error
    with _locked(store) as connection:
        migrate(connection, store.database)
    return store


def _lay_out(store: Store) -> None:
    store.recordings.mkdir(parents=True, exist_ok=True)
    store.runs.mkdir(parents=True, exist_ok=True)


@contextmanager
def unit_of_work(store: Store) -> Iterator[duckdb.DuckDBPyConnection]:
    """One transaction on a connection of its own: committed at the end, rolled back on any exception.

    Raises
    ------
    StoreBusy, StoreDamaged, StoreError
        See `open_store`.
    """
    with _locked(store) as connection:
        connection.begin()
        try:
            yield connection
            connection.commit()
        except BaseException:
            _roll_back(connection)
            raise


def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
    try:
        connection.rollback()
    except duckdb.Error:
        # The engine has already given the transaction up; the first error is the one to tell.
        return


class _Kept(threading.local):
    """Connections that a thread holds over several units of work, by database."""

    def __init__(self) -> None:
        self.connections: dict[Path, duckdb.DuckDBPyConnection] = {}


_kept = _Kept()


@contextmanager
def kept_open(store: Store) -> Iterator[None]:
    """Give this thread's units of work one connection: opening the file takes longer than most of them.

    Each remains a transaction of its own. Others wait until the end of the block, so keep it short.

    Raises
    ------
    StoreBusy, StoreDamaged, StoreError
        See `open_store`.
    """
    if store.database in _kept.connections:
        yield
        return
    with _locked(store) as connection:
        _kept.connections[store.database] = connection
        try:
            yield
        finally:
            del _kept.connections[store.database]


# Threads of one process share the engine's instance of a file, and closing one connection would not
# give the file free; one at a time keeps the promise that every unit of work ends with the file released.
_threads: dict[Path, threading.Lock] = {}
_threads_guard = threading.Lock()


@contextmanager
def held_database(store: Store) -> Iterator[BinaryIO]:
    """The database file, complete and out of everybody's reach, for copying or replacing it.

    Raises
    ------
    StoreBusy, StoreDamaged, StoreError
        See `open_store`.
    FileNotFoundError
        There is none yet.
    """
    # The engine's lock belongs to the process, and closing any handle of the file gives it up: this one is
    # closed after the connection, while no other thread of this process can have opened another.
    with _alone(store), store.database.open("rb", buffering=0) as stream, _connected(store) as connection:
        connection.execute("CHECKPOINT")
        yield stream


@contextmanager
def _locked(store: Store) -> Iterator[duckdb.DuckDBPyConnection]:
    kept = _kept.connections.get(store.database)
    if kept is not None:
        yield kept
        return
    with _alone(store), _connected(store) as connection:
        yield connection


@contextmanager
def _alone(store: Store) -> Iterator[None]:
    with _threads_guard:
        lock = _threads.setdefault(store.database, threading.Lock())
    if not lock.acquire(timeout=store.patience_s):
        raise _busy(store)
    try:
        yield
    finally:
        lock.release()


# Making the engine costs some 20 ms, five times what it takes to open and close a file with it. So an engine
# that did its work is kept for the next unit of work, in whatever thread; never more of them than were in use
# at once, and none across a fork, whose child would have it without its threads.
_idle: list[duckdb.DuckDBPyConnection] = []
if hasattr(os, "register_at_fork"):
    os.register_at_fork(before=_idle.clear)


@contextmanager
def _connected(store: Store) -> Iterator[duckdb.DuckDBPyConnection]:
    engine = _engine()
    connection = engine.cursor()
    try:
        _attach(connection, store)
        yield connection
        connection.execute(_LEAVE)
    except BaseException as error:
        # Whatever state it is in, closing the engine gives the file free; the next one is new.
        connection.close()
        engine.close()
        if isinstance(error, duckdb.Error):
            if mend_torn_block(store.database, str(error)):
                raise _mended(store) from error
            raise _translated(error, store) from error
        raise
    connection.close()
    _idle.append(engine)


def _engine() -> duckdb.DuckDBPyConnection:
    try:
        return _idle.pop()
    except IndexError:
        return duckdb.connect()


def _attach(connection: duckdb.DuckDBPyConnection, store: Store) -> None:
    path = str(store.database).replace("'", "''")
    deadline = time.monotonic() + store.patience_s
    wait_s = FIRST_WAIT_S
    mended = False
    while True:
        try:
            connection.execute(f"ATTACH '{path}' AS {_NAME} (TYPE duckdb)")
            connection.execute(f"USE {_NAME}")
            if mended:
                _read_everything(connection)
            return
        except duckdb.Error as error:
            if not mended and mend_torn_block(store.database, str(error)):
                mended = True
                continue
            if _OCCUPIED not in str(error):
                raise
            if time.monotonic() >= deadline:
                raise _busy(store) from error
        time.sleep(wait_s * random.uniform(0.5, 1.5))
        wait_s = min(1.5 * wait_s, LONGEST_WAIT_S)


def _read_everything(connection: duckdb.DuckDBPyConnection) -> None:
    """Every value once: what is damaged beyond one torn block shows here and not weeks later."""
    names = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database()"
    ).fetchall()
    for (name,) in names:
        connection.execute(f'SELECT count(COLUMNS(*)) FROM "{name}"').fetchall()


def _mended(store: Store) -> StoreError:
    return StoreError(CUT_OFF, subject=str(store.database), next_step="Nothing is lost; run it again")


def _busy(store: Store) -> StoreBusy:
    return StoreBusy(
        f"is in use by another process and stayed so for {store.patience_s:g} s",
        subject=str(store.database),
        next_step="Try again; if it stays so, close the program that holds the file open",
    )


_OCCUPIED = "Could not set lock"
# What the system says when it is the disk or a permission, whatever the engine was doing at that moment: a
# commit on a full disk ends in a TransactionException, a checkpoint in a FatalException.
_SURROUNDINGS = (
    "No space left on device",
    "Disk quota exceeded",
    "Permission denied",
    "Read-only file system",
    "Input/output error",
    "Could not write file",
    "Could not sync file",
)


def _translated(error: duckdb.Error, store: Store) -> Exception:
    """The engine's error as ours, or itself where it can only be a fault of this program."""
    text = str(error)
    first = text.splitlines()[0]
    surroundings = any(words in text for words in _SURROUNDINGS)
    if surroundings or (isinstance(error, duckdb.IOException) and "not a valid" not in text):
        return StoreError(
            f"cannot be used ({first})",
            subject=str(store.database),
            next_step="See that the disk has room and that this user may write the folder, then try again",
        )
    damaged = isinstance(error, duckdb.FatalException | duckdb.SerializationException | duckdb.IOException)
    if damaged or "Corrupt database file" in text:
        return StoreDamaged(
            f"is damaged ({first})",
            subject=str(store.database),
            next_step="Bring back the last backup of the state folder, or move it away and ingest again",
        )
    return error
