"""Where logs come from: the fleet folder, or something laid out like one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.fingerprint import Fingerprint, fingerprint, fingerprint_of_oversize
from trimkeep.service.ingest.scan import Place, find_logs, path_on_disk, place_of, stat_of
from trimkeep.service.ingest.stability import FileStat

StartsFor = Callable[[str], Sequence[int]]


@dataclass(frozen=True, slots=True)
class RemoteLog:
    """A log that whoever reads it fetches first. Holds no credentials: they are each machine's own.

    `name` is the object's, below `address`; `stat` what the listing said of it.
    """

    address: str
    endpoint: str
    tries: int
    name: str
    stat: FileStat


@dataclass(frozen=True, slots=True)
class Taken:
    """A log that was hashed: the file to read it from with its status, or where to fetch it."""

    prints: Fingerprint
    path: Path
    stat: FileStat
    remote: RemoteLog | None = None


class LogSource(Protocol):
    """Finds logs and gives their content. Paths are those the logs have, or would have, in the fleet folder.

    `arrives_whole`: what is listed is complete, so nothing has to stand still first.
    """

    arrives_whole: bool

    def find(self) -> tuple[Place, ...]:
        """Every log that is there now."""

    def place_of(self, path: Path) -> Place | None:
        """One path as a place; None when there is no log."""

    def stat_of(self, path: Path) -> FileStat | None:
        """Status now; None when it is not there."""

    def missing(self, paths: Iterable[str]) -> list[str]:
        """Those of the stored paths that are not there any more, as far as that is certain."""

    def problems(self) -> tuple[str, ...]:
        """Sentences about what `find` came across and could not take."""

    def listing(self) -> Mapping[str, FileStat] | None:
        """What `find` found, for another source of the same place; None where looking again costs nothing."""

    def take(self, place: Place, starts_for: StartsFor, *, whole: bool) -> Taken | None:
        """Hash a log; None when it changed meanwhile. `whole` is False for one too large to be read.

        Raises
        ------
        OSError
            The file cannot be read.
        LogStorageError
            The object cannot be read.
        """

    def start_of(self, path: Path, size_bytes: int) -> str | None:
        """Hash of the first bytes of a log; None when it cannot be read or is shorter."""

    def let_go(self, stored: str) -> None:
        """Nobody needs what was taken of it any more."""

    def close(self) -> None:
        """Let go of everything."""


class FolderLogs:
    """The files of the fleet folder itself."""

    arrives_whole = False

    def __init__(self, fleet: FleetSettings) -> None:
        self.fleet = fleet

    def find(self) -> tuple[Place, ...]:
        """See `LogSource`, as all of these."""
        return find_logs(self.fleet)

    def place_of(self, path: Path) -> Place | None:
        return place_of(self.fleet, path)

    def stat_of(self, path: Path) -> FileStat | None:
        return stat_of(path)

    def missing(self, paths: Iterable[str]) -> list[str]:
        return [path for path in paths if stat_of(path_on_disk(self.fleet, path)) is None]

    def problems(self) -> tuple[str, ...]:
        return ()

    def listing(self) -> Mapping[str, FileStat] | None:
        return None

    def take(self, place: Place, starts_for: StartsFor, *, whole: bool) -> Taken | None:
        if whole:
            prints = fingerprint(place.path, starts_for)
        else:
            prints = fingerprint_of_oversize(place.path, place.stat.size_bytes)
        return Taken(prints, place.path, place.stat) if stat_of(place.path) == place.stat else None

    def start_of(self, path: Path, size_bytes: int) -> str | None:
        try:
            return fingerprint(path, lambda head: [size_bytes]).starts.get(size_bytes)
        except OSError:
            return None  # the longer file is gone; the flights' times still bring the two together

    def let_go(self, stored: str) -> None:
        return None

    def close(self) -> None:
        return None


def source_of(
    fleet: FleetSettings,
    *,
    reads_apart: bool = False,
    holder: str = "",
    listing: Mapping[str, FileStat] | None = None,
) -> LogSource:
    """Where the settings say that logs lie.

    Parameters
    ----------
    fleet : FleetSettings
    reads_apart : bool
        Logs are read on other machines, which fetch them themselves.
    holder : str
        The run's lease, under whose name fetched files lie; empty for one that only looks.
    listing : mapping or None
        What another source has just found there.

    Raises
    ------
    SettingsError
        The address is none.
    LogStorageError
        What is needed to read from there is not installed.
    """
    if not fleet.settings.logs.address:
        return FolderLogs(fleet)
    # The drivers take a while to load, and most fleets need none.
    from trimkeep.service.ingest.objects import ObjectLogs

    return ObjectLogs(fleet, reads_apart=reads_apart, holder=holder, listing=listing)
