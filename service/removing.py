"""Removing what the retention settings say is due: recorded first, then removed, then recorded as done.

A crash between any two of these leaves the record saying what was meant and the next run saying what became
of it; nothing ever goes that the record does not name.
"""

from __future__ import annotations

import hashlib
import logging
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from trimkeep.config.errors import LogStorageError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest import leases
from trimkeep.service.ingest.scan import path_on_disk
from trimkeep.service.ingest.source import LogSource, source_of
from trimkeep.service.retention import SETTING_OF, KeptFile, RetentionPlan, plan_retention, setting_text
from trimkeep.service.store.connection import Store
from trimkeep.service.store.removals import FileToRemove, finish, intend, removal_lock, settle

log = logging.getLogger(__name__)

# One transaction each for what is meant and what was done; a log is out of reach for as long as its batch.
BATCH = 20
BLOCK_BYTES = 1 << 20
BY_ITSELF = "the service (retention.automatic)"


@dataclass(frozen=True, slots=True)
class Cleared:
    """What a run removed, what it kept at the last moment, and how many earlier removals it ended."""

    plan: RetentionPlan
    removed: tuple[FileToRemove, ...] = ()
    kept_after_all: tuple[KeptFile, ...] = ()
    settled: int = 0

    @property
    def size_bytes(self) -> int:
        """Room that was made."""
        return sum(one.size_bytes for one in self.removed)


def clear_due(store: Store, fleet: FleetSettings, now: datetime, who: str) -> Cleared:
    """Remove what is due, each file with its rows in the audit chain.

    Parameters
    ----------
    store, fleet
    now : datetime
        Aware.
    who : str
        Who asked for it, for the record.

    Raises
    ------
    StoreBusy
        A backup or another such run was going on for too long.
    """
    with leases.hold_lease(store.runs) as lease:
        with removal_lock(store, shared=False):
            settled = settle_open(store, fleet)
        plan = plan_retention(store, fleet, now)
        removed: list[FileToRemove] = []
        source = source_of(fleet, reads_apart=True, holder=lease)
        try:
            # The logs are read to their end first; a backup must not wait for that, so each batch locks anew.
            for first in range(0, len(plan.due), BATCH):
                sound = [one for one in plan.due[first : first + BATCH] if _may_go(fleet, one, source)]
                with removal_lock(store, shared=False):
                    removed += _remove(store, fleet, list(_described(fleet, sound)), who, lease)
        finally:
            source.close()
    gone = {one.name for one in removed}
    kept = tuple(one for one in plan.due if one.name not in gone)
    if removed:
        log.info("removed %d files as the retention settings say", len(removed))
    return Cleared(plan, tuple(removed), kept, settled)


def settle_open(store: Store, fleet: FleetSettings) -> int:
    """End removals that a crash left open; how many. The caller holds the lock."""
    return settle(
        store,
        exists=lambda file: _path(store, fleet, file).exists(),
        is_alive=lambda name: leases.is_alive(store.runs, name),
    )


def _path(store: Store, fleet: FleetSettings, file: FileToRemove) -> Path:
    return (store.state if file.what == "recording" else fleet.output) / file.name


def _may_go(fleet: FleetSettings, one: KeptFile, source: LogSource) -> bool:
    """Whether a recording's log is still what was read, to the last byte; pages need no such thing."""
    if one.what != "recording" or not fleet.settings.retention.keep_without_log:
        return True
    try:
        place = source.place_of(path_on_disk(fleet, one.log_path))
        taken = None if place is None else source.take(place, lambda head: (), whole=True)
        return taken is not None and taken.prints.sha256 == one.log_sha256
    except (OSError, LogStorageError) as error:
        log.warning("%s", error)
        return False


def _described(fleet: FleetSettings, files: Sequence[KeptFile]) -> Iterator[FileToRemove]:
    for one in files:
        try:
            sha256, size = _hash(one.path(fleet))
        except FileNotFoundError:
            continue
        yield FileToRemove(
            what=one.what,
            name=one.name,
            sha256=sha256,
            size_bytes=size,
            setting=setting_text(fleet, SETTING_OF[one.what]),
            airframe=one.airframe,
            log_sha256=one.log_sha256,
            log_path=one.log_path,
        )


def _hash(path: Path) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as stream:
        while block := stream.read(BLOCK_BYTES):
            digest.update(block)
            size += len(block)
    return digest.hexdigest(), size


def _remove(
    store: Store, fleet: FleetSettings, files: Sequence[FileToRemove], who: str, lease: str
) -> list[FileToRemove]:
    intended = intend(store, files, who, lease)
    gone, dropped = [], []
    for seq, file in intended:
        try:
            _unlink(_path(store, fleet, file))
            gone.append((seq, file))
        except OSError as error:
            log.warning("%s cannot be removed (%s)", file.name, error.strerror)
            dropped.append((seq, file))
    for folder in {_path(store, fleet, file).parent for _, file in gone}:
        _sync(folder)
    finish(store, gone, dropped, lease)
    return [file for _, file in gone]


def _unlink(path: Path) -> None:
    path.unlink(missing_ok=True)


def _sync(folder: Path) -> None:
    """A removal that was recorded as done must not come back with the power."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
