"""Backup and restore of the state folder while the service runs.

A backup folder holds one folder for each backup, named by its time, with the database and `backup.json`,
and beside them the decoded recordings, which all backups share because their content never changes.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from trimkeep.config.errors import StoreBusy, StoreDamaged, StoreError, UsageError
from trimkeep.service.store.audit import verify_chain
from trimkeep.service.store.connection import DATABASE_NAME, RECORDINGS_NAME, Store, held_database, open_store

log = logging.getLogger(__name__)

NOTE_NAME = "backup.json"
STAMP = "%Y-%m-%dT%H%M%SZ"
BLOCK_BYTES = 1 << 20
# A process that had opened the old file just before it was replaced finds it locked within this time, and
# opens the new one.
HANDOVER_S = 0.1


@dataclass(frozen=True, slots=True)
class Backup:
    """One backup: its folder, its time, and the hash of its database file."""

    folder: Path
    made_at: datetime
    database_sha256: str
    database_bytes: int

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.name


@dataclass(frozen=True, slots=True)
class Made:
    """A backup that was made, with how many recordings had to be copied and how many are there in all."""

    backup: Backup
    copied: int
    recordings: int


def make_backup(store: Store, target: Path, now: datetime) -> Made:
    """Copy the store into a backup folder; earlier backups there stay.

    The database is held for the time it takes to copy it; other processes wait for it meanwhile.

    Raises
    ------
    UsageError
        The target lies in the state folder.
    StoreError
        The target cannot be written; nothing half-made is left there.
    """
    if target.resolve().is_relative_to(store.state.resolve()):
        raise UsageError(
            "lies in the state folder itself",
            subject=str(target),
            next_step="Give a folder on another disk",
        )
    name = now.astimezone(UTC).strftime(STAMP)
    part = target / f".{name}.{os.getpid()}.part"
    try:
        part.mkdir(parents=True)
        # First the database: a row without its recording must never be, a recording without row may.
        with held_database(store) as stream:
            sha256, size = _copy(stream, part / DATABASE_NAME)
        copied, recordings = _copy_recordings(store.recordings, target / RECORDINGS_NAME)
        note = {"made_at": now.isoformat(), "database_sha256": sha256, "database_bytes": size}
        (part / NOTE_NAME).write_text(json.dumps(note, indent=1) + "\n", encoding="utf-8")
        part.rename(target / name)
    except OSError as error:
        raise StoreError(
            f"cannot be written ({error.strerror})",
            subject=str(target),
            next_step="Give a folder that this user may write, on a disk with room",
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Made(Backup(target / name, now, sha256, size), copied, recordings)


def list_backups(target: Path) -> tuple[Backup, ...]:
    """Backups in a folder, oldest first; what is none of ours is passed over."""
    found = []
    for note in sorted(target.glob(f"*/{NOTE_NAME}")):
        try:
            said = json.loads(note.read_text(encoding="utf-8"))
            made_at = datetime.fromisoformat(said["made_at"])
            found.append(
                Backup(note.parent, made_at, str(said["database_sha256"]), int(said["database_bytes"]))
            )
        except (OSError, ValueError, KeyError, TypeError):
            log.warning("%s: is no note of a backup", note)
    return tuple(sorted(found, key=lambda one: (one.made_at, one.name)))


def find_backup(target: Path, name: str | None = None) -> Backup:
    """The newest backup of a folder, or the one of a name.

    Raises
    ------
    UsageError
        There is none, or none of that name.
    """
    found = list_backups(target)
    wanted = [one for one in found if name is None or one.name == name]
    if not wanted:
        names = ", ".join(one.name for one in found)
        raise UsageError(
            "holds no backup" if not found else f"holds no backup {name}",
            subject=str(target),
            next_step=f"There are: {names}" if found else "Give the folder that `trimkeep backup` was given",
        )
    return wanted[-1]


def restore_backup(state: Path, backup: Backup, now: datetime) -> Path | None:
    """Put a backup in the place of the store; where the former database was moved to, None if none was.

    Raises
    ------
    StoreDamaged, StoreTooNew
        The backup is not what its note says, its record does not hold, or a newer version of the program
        made it; the store is as it was.
    StoreBusy
        Another process held the store for too long.
    StoreError
        The state folder cannot be written.
    """
    store = Store(state)
    work = state / f".restore.{os.getpid()}"
    try:
        store.recordings.mkdir(parents=True, exist_ok=True)
        store.runs.mkdir(parents=True, exist_ok=True)
        try:
            work.mkdir()
            with (backup.folder / DATABASE_NAME).open("rb") as stream:
                sha256, _ = _copy(stream, work / DATABASE_NAME)
            if sha256 != backup.database_sha256:
                raise _damaged(backup, f"is not the file that {NOTE_NAME} was written for")
            _check(work, backup)
            recordings = backup.folder.parent / RECORDINGS_NAME
            _copy_recordings(recordings, store.recordings)
            aside = _replace(store, work / DATABASE_NAME, now)
            # An ingest that ran meanwhile may have swept what the former store had no rows for.
            _copy_recordings(recordings, store.recordings)
            return aside
        finally:
            shutil.rmtree(work, ignore_errors=True)
    except OSError as error:
        raise StoreError(
            f"cannot be restored ({error.strerror}: {error.filename})",
            subject=str(state),
            next_step="See that the backup can be read and the state folder written, and that there is room",
        ) from error


def _check(work: Path, backup: Backup) -> None:
    """Look into the copy, and bring it up to this version, before it takes the place of anything."""
    faults = verify_chain(open_store(work))
    if faults:
        raise _damaged(backup, f"holds a record that does not hold ({faults[0].code} in row {faults[0].seq})")


def _damaged(backup: Backup, what: str) -> StoreDamaged:
    return StoreDamaged(
        what, subject=str(backup.folder / DATABASE_NAME), next_step="Restore an earlier backup with --at"
    )


def _replace(store: Store, part: Path, now: datetime) -> Path | None:
    aside = store.database.with_name(f"{DATABASE_NAME}.before-{now.astimezone(UTC).strftime(STAMP)}")
    try:
        with held_database(store):
            store.database.rename(aside)
            part.rename(store.database)
            time.sleep(HANDOVER_S)
        return aside
    except FileNotFoundError:
        part.rename(store.database)
        return None
    except StoreBusy:
        raise
    except StoreError:
        # Damaged beyond opening, which is what backups are for. Its journal of writes must go with it.
        log.warning("%s could not be opened; it is moved aside as it is", store.database)
        store.database.rename(aside)
        journal = store.database.with_name(f"{DATABASE_NAME}.wal")
        if journal.exists():
            journal.rename(aside.with_name(f"{aside.name}.wal"))
        part.rename(store.database)
        return aside


def _copy(stream: BinaryIO, path: Path) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    with path.open("wb") as target:
        for block in iter(lambda: stream.read(BLOCK_BYTES), b""):
            digest.update(block)
            size += len(block)
            target.write(block)
        target.flush()
        os.fsync(target.fileno())
    return digest.hexdigest(), size


def _copy_recordings(source: Path, target: Path) -> tuple[int, int]:
    """Copy the recordings that differ in size or time; how many, and how many there are."""
    target.mkdir(parents=True, exist_ok=True)
    copied = count = 0
    for path in _recordings(source):
        count += 1
        there = target / path.name
        if _alike(path, there):
            continue
        part = target / f".{path.name}.{os.getpid()}.part"
        try:
            shutil.copy2(path, part)
            part.rename(there)
            copied += 1
        except FileNotFoundError:
            # Replaced or swept while we looked; without a row nobody asks for it.
            count -= 1
        finally:
            part.unlink(missing_ok=True)
    return copied, count


def _recordings(folder: Path) -> Iterator[Path]:
    yield from sorted(path for path in folder.glob("*.parquet") if not path.name.startswith("."))


def _alike(a: Path, b: Path) -> bool:
    try:
        first, second = a.stat(), b.stat()
    except FileNotFoundError:
        return False
    return (first.st_size, first.st_mtime_ns) == (second.st_size, second.st_mtime_ns)
