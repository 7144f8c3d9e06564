"""Logs in object storage, as if they lay in the fleet folder: found, hashed, fetched, and let go."""

from __future__ import annotations

import logging
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from trimkeep.config.errors import LogStorageError, StoreError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest import leases
from trimkeep.service.ingest.fingerprint import BLOCK_BYTES, Fingerprint, fingerprint_of, oversize_print
from trimkeep.service.ingest.object_driver import Changed, Objects
from trimkeep.service.ingest.scan import HIDDEN_PREFIXES, Place, find_logs, is_log_name, stat_of
from trimkeep.service.ingest.source import RemoteLog, StartsFor, Taken
from trimkeep.service.ingest.stability import FileStat
from trimkeep.service.store.connection import RUNS_NAME
from trimkeep.service.store.values import readable

log = logging.getLogger(__name__)

FETCHED_NAME = "fetched"
# What a file system takes as one name.
LONGEST_NAME_BYTES = 255


class ObjectLogs:
    """See `source.LogSource`. What is fetched lies in the state folder while its run lives."""

    def __init__(
        self,
        fleet: FleetSettings,
        *,
        reads_apart: bool,
        holder: str,
        listing: Mapping[str, FileStat] | None = None,
    ) -> None:
        place = fleet.settings.logs
        self.fleet = fleet
        self.objects = Objects(place.address, place.endpoint, place.tries)
        self.arrives_whole = self.objects.arrives_whole
        self.reads_apart = reads_apart
        self.folder = fleet.state / FETCHED_NAME / holder
        self.listed = listing
        self.said: list[str] = []
        self.fetched: dict[str, Path] = {}
        if holder:
            _sweep(fleet.state)

    # --- what is there ---

    def find(self) -> tuple[Place, ...]:
        """Every object that is named like a log of a fleet folder.

        Raises
        ------
        LogStorageError
            The address cannot be listed.
        """
        self.said = []
        places, listed = [], {}
        for found in sorted(self.objects.find(), key=lambda one: one.name):
            if not self._is_ours(found.name):
                continue
            listed[found.name] = found.stat
            places.append(self._place(found.name, found.stat))
        self.listed = listed
        if not listed:
            self.said.append(f"{self.objects.address}: holds no logs. See that the address is right.")
        self._tell_of_files()
        return tuple(places)

    def _place(self, name: str, stat: FileStat) -> Place:
        path = self.fleet.folder / name
        return Place(path, self.fleet.folder / name.partition("/")[0], stat)

    def _is_ours(self, name: str) -> bool:
        """By the rules of the fleet folder; names that no file could have are told."""
        parts = name.split("/")
        if any(part.startswith(HIDDEN_PREFIXES) and part not in (".", "..") for part in parts):
            return False
        if not is_log_name(parts[-1]):
            return False
        odd = [part for part in parts if not _could_be_a_file(part)]
        if odd:
            self.said.append(
                f"{readable(name)[:200]!r}: is no name that a file could have. Give the object another one."
            )
            return False
        if len(parts) < 2:
            self.said.append(
                f"{readable(name)}: lies at the address itself, so its airframe is not known. "
                "Put the airframe's name in front."
            )
            return False
        path = self.fleet.folder / name
        return not any(path.is_relative_to(apart) for apart in (self.fleet.state, self.fleet.output))

    def _tell_of_files(self) -> None:
        left = len(find_logs(self.fleet))
        if left:
            self.said.append(
                f"{left} logs in the fleet folder are not read, for logs are read from "
                f"{self.objects.address}. Put them there, or take logs.address out of the settings."
            )

    def place_of(self, path: Path) -> Place | None:
        """From the last listing, else by asking."""
        name = self._name(path)
        if name is None or not self._is_ours(name):
            return None
        stat = self._stat(name)
        return None if stat is None else self._place(name, stat)

    def _name(self, path: Path) -> str | None:
        return (
            path.relative_to(self.fleet.folder).as_posix() if path.is_relative_to(self.fleet.folder) else None
        )

    def _stat(self, name: str) -> FileStat | None:
        if self.listed is not None and self.arrives_whole:
            return self.listed.get(name)
        return self.objects.stat_of(name)

    def stat_of(self, path: Path) -> FileStat | None:
        name = self._name(path)
        try:
            return None if name is None else self._stat(name)
        except LogStorageError as error:
            log.warning("%s", error)
            return None

    def missing(self, paths: Iterable[str]) -> list[str]:
        # An address that suddenly holds nothing is more often a wrong one than a fleet that was deleted.
        return [path for path in paths if path not in self.listed] if self.listed else []

    def problems(self) -> tuple[str, ...]:
        return tuple(self.said)

    def listing(self) -> Mapping[str, FileStat] | None:
        return self.listed

    # --- their content ---

    def take(self, place: Place, starts_for: StartsFor, *, whole: bool) -> Taken | None:
        """Hash an object, keeping what was read in the state folder unless it is read elsewhere.

        Raises
        ------
        LogStorageError
            It cannot be read.
        StoreError
            There is no room for it.
        """
        name = place.path.relative_to(self.fleet.folder).as_posix()
        size = place.stat.size_bytes
        remote = self._remote(name, place.stat)
        try:
            if not whole:
                first = self.objects.part(name, 0, min(BLOCK_BYTES, size))
                last = self.objects.part(name, max(size - BLOCK_BYTES, 0), size)
                taken = Taken(oversize_print(size, first, last), place.path, place.stat, remote)
            elif self.reads_apart:
                prints = fingerprint_of(self.objects.blocks(name, size), starts_for)
                taken = Taken(prints, place.path, place.stat, remote)
            else:
                prints, path = self._fetch(remote, starts_for)
                here = stat_of(path)
                assert here is not None
                taken = Taken(prints, path, here)
            # Read in several requests: only if it is the same object at the end was it one all the time.
            return taken if self.objects.stat_of(name) == place.stat else None
        except Changed:
            return None

    def _remote(self, name: str, stat: FileStat) -> RemoteLog:
        logs = self.fleet.settings.logs
        return RemoteLog(logs.address, logs.endpoint, logs.tries, name, stat)

    def _fetch(self, remote: RemoteLog, starts_for: StartsFor) -> tuple[Fingerprint, Path]:
        try:
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            folder = Path(tempfile.mkdtemp(dir=self.folder))
        except OSError as error:
            raise _no_room(error, self.folder) from error
        self.fetched[remote.name] = folder
        path = folder / remote.name.rpartition("/")[2]
        prints = fingerprint_of(_copied(self.objects, remote, path), starts_for)
        _keep_time(path, remote)
        return prints, path

    def start_of(self, path: Path, size_bytes: int) -> str | None:
        name = path.relative_to(self.fleet.folder).as_posix()
        try:
            return fingerprint_of(self.objects.blocks(name, size_bytes), lambda head: [size_bytes]).sha256
        except (LogStorageError, Changed):
            return None  # the longer one is gone; the flights' times still bring the two together

    def let_go(self, stored: str) -> None:
        folder = self.fetched.pop(stored, None)
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)

    def close(self) -> None:
        self.fetched.clear()
        shutil.rmtree(self.folder, ignore_errors=True)


def _could_be_a_file(part: str) -> bool:
    try:
        size = len(part.encode())
    except UnicodeEncodeError:
        return False
    return part not in ("", ".", "..") and "\0" not in part and size <= LONGEST_NAME_BYTES


def _copied(objects: Objects, remote: RemoteLog, path: Path) -> Iterator[bytes]:
    """The blocks, each written before it is handed on."""
    try:
        stream = path.open("wb")
    except OSError as error:
        raise _no_room(error, path.parent) from error
    with stream:
        for block in objects.blocks(remote.name, remote.stat.size_bytes):
            try:
                stream.write(block)
                stream.flush()
            except OSError as error:
                raise _no_room(error, path.parent) from error
            yield block


def _no_room(error: OSError, folder: Path) -> StoreError:
    return StoreError(
        f"a log cannot be fetched into it ({error.strerror or error})",
        subject=str(folder),
        next_step="Make room on the disk or mend its permissions; nothing was lost, run it again",
    )


def _keep_time(path: Path, remote: RemoteLog) -> None:
    """A log without a clock of its own is placed by its file's time: that is the object's."""
    os.utime(path, ns=(remote.stat.mtime_ns, remote.stat.mtime_ns))


def _sweep(state: Path) -> None:
    """Remove what runs that died had fetched."""
    for folder in (state / FETCHED_NAME).glob("*"):
        if not leases.is_alive(state / RUNS_NAME, folder.name):
            shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def fetched(remote: RemoteLog, sha256: str) -> Iterator[Path | None]:
    """A log fetched for the length of the block; None when it is not the content that was hashed any more.

    Raises
    ------
    LogStorageError
        It cannot be read from here.
    StoreError
        There is no room for it.
    """
    objects = Objects(remote.address, remote.endpoint, remote.tries)
    with tempfile.TemporaryDirectory(prefix="trimkeep-") as folder:
        path = Path(folder) / remote.name.rpartition("/")[2]
        try:
            same = fingerprint_of(_copied(objects, remote, path)).sha256 == sha256
        except Changed:
            same = False
        if same:
            _keep_time(path, remote)
        yield path if same else None
