"""Finding the files of a fleet folder that may be logs."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import airframe_folders
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.stability import FileStat
from trimkeep.service.store.values import canonical_json

LOG_SUFFIXES = frozenset({".tlog", ".csv", ".parquet"})
UNFINISHED_SUFFIXES = (".part", ".tmp", ".crdownload")
HIDDEN_PREFIXES = (".", "~")
NOT_LOGS = frozenset({"airframe.toml", "journal.csv", "channels.toml", "fleet.toml"})


def is_log_name(name: str) -> bool:
    """Whether a file of this name is taken as a log.

    >>> [is_log_name(n) for n in ("a.tlog", "A.TLOG", "a.tlog.part", "~a.csv", "journal.csv", "notes.txt")]
    [True, True, False, False, False, False]
    """
    lower = name.lower()
    if lower.startswith(HIDDEN_PREFIXES) or lower.endswith(UNFINISHED_SUFFIXES) or lower in NOT_LOGS:
        return False
    return Path(lower).suffix in LOG_SUFFIXES


def stat_of(path: Path) -> FileStat | None:
    """Status of a regular file; None when it is none, is not there, or may not be looked at."""
    try:
        found = path.stat()
    except OSError:
        return None
    # A pipe or a device named like a log would block its reader for ever.
    if not stat.S_ISREG(found.st_mode):
        return None
    return FileStat(found.st_size, found.st_mtime_ns, found.st_ino)


@dataclass(frozen=True, slots=True)
class Place:
    """One file that may be a log, with the airframe folder it lies in."""

    path: Path
    folder: Path
    stat: FileStat


def find_logs(fleet: FleetSettings) -> tuple[Place, ...]:
    """Every file of the fleet folder that is named like a log, by path."""
    return tuple(place for folder in airframe_folders(fleet) for place in _under(folder, fleet))


def place_of(fleet: FleetSettings, path: Path) -> Place | None:
    """One path as a place; None when it is no log of this fleet."""
    folder = airframe_folder_of(fleet, path)
    if folder is None or not is_log_name(path.name) or _is_apart(path, fleet):
        return None
    inside = path.relative_to(folder).parts[:-1]
    if any(part.startswith(HIDDEN_PREFIXES) for part in inside):
        return None
    found = stat_of(path)
    return None if found is None else Place(path, folder, found)


def airframe_folder_of(fleet: FleetSettings, path: Path) -> Path | None:
    """The airframe folder a path lies in; None for the fleet folder itself and what lies outside."""
    try:
        parts = path.relative_to(fleet.folder).parts
    except ValueError:
        return None
    if len(parts) < 2 or parts[0].startswith(HIDDEN_PREFIXES):
        return None
    return fleet.folder / parts[0]


def _is_apart(path: Path, fleet: FleetSettings) -> bool:
    return any(path.is_relative_to(apart) for apart in (fleet.state, fleet.output))


def _under(top: Path, fleet: FleetSettings) -> Iterator[Place]:
    seen: set[tuple[int, int]] = set()
    waiting = [top]
    while waiting:
        folder = waiting.pop()
        try:
            status = folder.stat()
            entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
        except OSError:
            continue  # removed while we looked, or closed to us; the next scan looks again
        # Links are followed, since archives are often linked in; a link to a folder above is not a loop.
        if (status.st_dev, status.st_ino) in seen or _is_apart(folder, fleet):
            continue
        seen.add((status.st_dev, status.st_ino))
        for entry in entries:
            path = Path(entry.path)
            if entry.name.startswith(HIDDEN_PREFIXES):
                continue
            if path.is_dir():  # unlike the entry's own, false for a link that leads to itself
                waiting.append(path)
            elif is_log_name(entry.name):
                found = stat_of(path)
                if found is not None:
                    yield Place(path, top, found)


# File names are bytes; those that are not UTF-8 reach Python as lone surrogates, which the store cannot
# hold. They are moved to private-use characters and back.
_TO_PRIVATE = {0xDC80 + k: 0xF680 + k for k in range(128)}
_FROM_PRIVATE = {private: lone for lone, private in _TO_PRIVATE.items()}


def stored_path(fleet: FleetSettings, path: Path) -> str:
    """A path as the store keeps it: relative to the fleet folder, forward slashes."""
    return path.relative_to(fleet.folder).as_posix().translate(_TO_PRIVATE)


def path_on_disk(fleet: FleetSettings, stored: str) -> Path:
    """The inverse of `stored_path`."""
    return fleet.folder / stored.translate(_FROM_PRIVATE)


def card_hash(card: AirframeCard) -> str:
    """Stands for what the card says about reading a log; thresholds and descriptions are not part of it."""
    told = {
        "outputs": {name: [asdict(o) for o in outputs] for name, outputs in card.outputs.items()},
        "modes": {str(number): mode for number, mode in card.modes.items()},
        "limits": dict(card.limits),
        "parameter_names": dict(card.parameter_names),
        "columns": [asdict(column) for column in card.columns],
        "body": [card.span_m, card.mass_kg, card.motors],
    }
    return hashlib.sha256(canonical_json(told).encode()).hexdigest()
