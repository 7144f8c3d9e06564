"""Backup and restore of the state folder while the service runs.

A backup folder holds one folder for each backup, named by its time, with the database, the accounts of
`serve` and `backup.json`, and beside them the decoded recordings, which all backups share because their
content never changes.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import shutil
import time
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, Literal

from trimkeep.config.errors import StoreBusy, StoreDamaged, StoreError, UsageError
from trimkeep.service.leftovers import remove_leftovers
from trimkeep.service.store.audit import verify_chain
from trimkeep.service.store.checks import stored_recordings
from trimkeep.service.store.connection import DATABASE_NAME, RECORDINGS_NAME, Store, held_database, open_store
from trimkeep.service.store.removals import load_removed_recordings, removal_lock
from trimkeep.service.web import accounts

log = logging.getLogger(__name__)

NOTE_NAME = "backup.json"
STAMP = "%Y-%m-%dT%H%M%SZ"
BLOCK_BYTES = 1 << 20
# A process that had opened the old file just before it was replaced finds it locked within this time, and
# opens the new one.
HANDOVER_S = 0.1


@dataclass(frozen=True, slots=True)
class Backup:
    """One backup: its folder, its time, and the hashes of its files; None for accounts that are not in it."""

    folder: Path
    made_at: datetime
    database_sha256: str
    database_bytes: int
    accounts_sha256: str | None = None

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


@dataclass(frozen=True, slots=True)
class Restored:
    """Where the former database went, None if there was none; and what became of the accounts.

    `accounts`: `restored` from the backup, `kept` as they were in the state folder, or `none` in either.
    """

    aside: Path | None
    accounts: Literal["restored", "kept", "none"]


def make_backup(store: Store, target: Path, now: datetime, *, with_accounts: bool = True) -> Made:
    """Copy the store into a backup folder; earlier backups there stay.

    The database is held for the time it takes to copy it; other processes wait for it meanwhile. Nothing is
    removed by the retention settings while the recordings are copied.

    Parameters
    ----------
    store : Store
    target : Path
    now : datetime
        Aware.
    with_accounts : bool
        Copy the accounts of `serve` too: names, roles, and hashes of passwords and tokens, in a file that
        only its owner can read.

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
    for folder in (target, target / RECORDINGS_NAME):
        remove_leftovers(folder, ".*.part")
    name = now.astimezone(UTC).strftime(STAMP)
    part = target / f".{name}.{os.getpid()}.part"
    try:
        part.mkdir(parents=True)
        # First the database: a row without its recording must never be, a recording without row may.
        with removal_lock(store, shared=True):
            with held_database(store) as stream:
                sha256, size = _copy(stream, part / DATABASE_NAME)
                # An account is changed inside a transaction: while the database is held, both agree.
                known = accounts.copy_file(store.state, part) if with_accounts else None
            copied, recordings = _copy_recordings(store.recordings, target / RECORDINGS_NAME)
        note = {"made_at": now.isoformat(), "database_sha256": sha256, "database_bytes": size}
        if known is not None:
            note["accounts_sha256"] = known
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
    return Made(Backup(target / name, now, sha256, size, known), copied, recordings)


def list_backups(target: Path) -> tuple[Backup, ...]:
    """Backups in a folder, oldest first; what is none of ours is passed over."""
    found = []
    for note in sorted(target.glob(f"*/{NOTE_NAME}")):
        try:
            said = json.loads(note.read_text(encoding="utf-8"))
            made_at = datetime.fromisoformat(said["made_at"])
            size, known = int(said["database_bytes"]), said.get("accounts_sha256")
            sha256 = str(said["database_sha256"])
            found.append(Backup(note.parent, made_at, sha256, size, None if known is None else str(known)))
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


def restore_backup(state: Path, backup: Backup, now: datetime, *, replace_accounts: bool = False) -> Restored:
    """Put a backup in the place of the store.

    Accounts that are there stay, because somebody may have been shut out, or given a new password, since
    the backup; where there are none, those of the backup take their place, so that people can log in.
    Recordings that the restored record says were removed stay away.

    Parameters
    ----------
    state : Path
    backup : Backup
    now : datetime
        Aware.
    replace_accounts : bool
        Put the backup's accounts in the place of those that are there; these are kept under another name.

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
    remove_leftovers(state, ".restore.*")
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
            wanted = _check(work, backup)
            known = _checked_accounts(work, backup)
            recordings = backup.folder.parent / RECORDINGS_NAME
            with removal_lock(store, shared=False):
                _copy_recordings(recordings, store.recordings, wanted)
                aside = _replace(store, work / DATABASE_NAME, now)
                # An ingest that ran meanwhile may have swept what the former store had no rows for.
                _copy_recordings(recordings, store.recordings, wanted)
            return Restored(aside, _put_accounts(store, known, now, replace=replace_accounts))
        finally:
            shutil.rmtree(work, ignore_errors=True)
    except OSError as error:
        raise StoreError(
            f"cannot be restored ({error.strerror}: {error.filename})",
            subject=str(state),
            next_step="See that the backup can be read and the state folder written, and that there is room",
        ) from error


def _check(work: Path, backup: Backup) -> frozenset[str]:
    """Look into the copy, and bring it up to this version, before it takes the place of anything.

    Logs whose recordings it wants.
    """
    copy = open_store(work)
    faults = verify_chain(copy)
    if faults:
        raise _damaged(backup, f"holds a record that does not hold ({faults[0].code} in row {faults[0].seq})")
    return stored_recordings(copy) - set(load_removed_recordings(copy))


def _checked_accounts(work: Path, backup: Backup) -> Path | None:
    """The backup's accounts, copied and looked into; None when it has none."""
    if backup.accounts_sha256 is None:
        return None
    if accounts.copy_file(backup.folder, work) != backup.accounts_sha256:
        raise StoreDamaged(
            f"is not the file that {NOTE_NAME} was written for",
            subject=str(backup.folder / accounts.FILE_NAME),
            next_step="Restore an earlier backup with --at",
        )
    accounts.load_accounts(work)
    return work / accounts.FILE_NAME


def _put_accounts(
    store: Store, known: Path | None, now: datetime, *, replace: bool
) -> Literal["restored", "kept", "none"]:
    there = store.state / accounts.FILE_NAME
    with accounts.held_accounts(store.state):
        if there.exists() and (known is None or not replace):
            return "kept"
        if known is None:
            return "none"
        if there.exists():
            there.rename(there.with_name(f"{there.name}.before-{now.astimezone(UTC).strftime(STAMP)}"))
        known.rename(there)
    return "restored"


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


def _copy_recordings(source: Path, target: Path, wanted: Collection[str] | None = None) -> tuple[int, int]:
    """Copy the recordings that differ in size or time; how many, and how many there are.

    `wanted`: only those of these logs; None means all.
    """
    target.mkdir(parents=True, exist_ok=True)
    copied = count = 0
    for path in _recordings(source):
        if wanted is not None and path.stem not in wanted:
            continue
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
