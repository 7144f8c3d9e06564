"""The way of one log into the store: hash, claim, extract (elsewhere), store. Each step is a function.

A crash between any two leaves the log wholly in or wholly out: the claim says that it was begun, the
recording is written before the rows, and the rows come in one transaction with the outcome.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest import leases
from trimkeep.service.ingest.extract import Task, Tools
from trimkeep.service.ingest.scan import Place, card_hash, path_on_disk, stat_of, stored_path
from trimkeep.service.store import logs
from trimkeep.service.store.connection import Store
from trimkeep.service.store.logs import Claim, FoundLog, Relative
from trimkeep.service.store.results import save_result
from trimkeep.service.store.rows import LogResult, Rejection

log = logging.getLogger(__name__)

# Enough to tell logs apart by their first time stamps, little enough that no real log is shorter.
HEAD_BYTES = 256
BLOCK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """Hashes of a file: of all of it, of its first bytes, and of the starts that were asked for."""

    sha256: str
    head_sha256: str
    starts: dict[int, str] = field(default_factory=dict)


def fingerprint(path: Path, starts_for: Callable[[str], Sequence[int]] = lambda head: ()) -> Fingerprint:
    """Hash a file in one pass.

    Parameters
    ----------
    path : Path
    starts_for : callable
        Given the hash of the first bytes: at which sizes to take the hash of the start as well.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    with path.open("rb") as stream:
        block = stream.read(HEAD_BYTES)
        head = hashlib.sha256(block).hexdigest()
        marks = sorted(set(starts_for(head)))
        whole, done, starts = hashlib.sha256(), 0, {}
        while block:
            while marks and marks[0] <= done + len(block):
                part = whole.copy()
                part.update(block[: marks[0] - done])
                starts[marks.pop(0)] = part.hexdigest()
            whole.update(block)
            done += len(block)
            block = stream.read(BLOCK_BYTES)
    return Fingerprint(whole.hexdigest(), head, starts)


OVERSIZE = "oversize"


def fingerprint_of_oversize(path: Path, size_bytes: int) -> Fingerprint:
    """Stands for a file too large to be read: hashing hundreds of gigabytes would hold up all others.

    It rests on the size, the first and the last bytes, and can be told from a real hash.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    with path.open("rb") as stream:
        first = stream.read(BLOCK_BYTES)
        stream.seek(max(size_bytes - BLOCK_BYTES, 0))
        last = stream.read(BLOCK_BYTES)
    part = hashlib.sha256(f"{size_bytes}|".encode() + first + last).hexdigest()
    return Fingerprint(OVERSIZE + part[len(OVERSIZE) :], hashlib.sha256(first[:HEAD_BYTES]).hexdigest())


def is_bearable(fleet: FleetSettings, size_bytes: int) -> bool:
    """Whether a file of this size is read at all."""
    return size_bytes <= fleet.settings.ingest.largest_log_mb * 1_000_000


@dataclass(frozen=True, slots=True)
class Work:
    """A claimed log on its way."""

    task: Task
    found: FoundLog
    lease: str


@dataclass(frozen=True, slots=True)
class Hashed:
    """A file that was hashed, with what of the store it continues or is the start of."""

    place: Place
    found: FoundLog
    shorter: tuple[str, ...]
    longer: str | None


def hash_log(
    fleet: FleetSettings, place: Place, card: AirframeCard, known: dict[str, list[Relative]]
) -> Hashed | None:
    """Hash a file and find its relatives among the stored logs.

    Returns
    -------
    Hashed or None
        None when the file changed meanwhile.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    size = place.stat.size_bytes

    def sizes(head: str) -> list[int]:
        return [r.size_bytes for r in known.get(head, []) if r.airframe == card.id and r.size_bytes < size]

    if is_bearable(fleet, size):
        prints = fingerprint(place.path, sizes)
    else:
        prints = fingerprint_of_oversize(place.path, size)
    if stat_of(place.path) != place.stat:
        return None
    relatives = [r for r in known.get(prints.head_sha256, []) if r.airframe == card.id]
    found = FoundLog(
        sha256=prints.sha256,
        path=stored_path(fleet, place.path),
        airframe=card.id,
        size_bytes=size,
        mtime_ns=place.stat.mtime_ns,
        # The store's integers are signed; some file systems use all 64 bits.
        inode=place.stat.inode & (2**63 - 1),
        head_sha256=prints.head_sha256,
        card_hash=card_hash(card),
    )
    shorter = tuple(r.sha256 for r in relatives if prints.starts.get(r.size_bytes) == r.sha256)
    return Hashed(place, found, shorter, _longer(fleet, found, relatives))


def _longer(fleet: FleetSettings, found: FoundLog, relatives: list[Relative]) -> str | None:
    for relative in relatives:
        if relative.size_bytes > found.size_bytes:
            path = path_on_disk(fleet, relative.path)
            try:
                start = fingerprint(path, lambda head: [found.size_bytes]).starts
            except OSError:
                continue  # the longer file is gone; the flights' times still bring the two together
            if start.get(found.size_bytes) == found.sha256:
                return relative.sha256
    return None


def claim_log(
    fleet: FleetSettings, store: Store, hashed: Hashed, card: AirframeCard, lease: str, tools: Tools
) -> Work | Claim:
    """Claim a log; the work to do, or why there is none."""
    answer = logs.claim(
        store,
        hashed.found,
        lease=lease,
        is_alive=lambda name: leases.is_alive(store.runs, name),
        exists=lambda path: stat_of(path_on_disk(fleet, path)) is not None,
        shorter=hashed.shorter,
        longer=hashed.longer,
    )
    if answer is not Claim.TAKE:
        return answer
    task = Task(
        path=hashed.place.path,
        sha256=hashed.found.sha256,
        stat=hashed.place.stat,
        card=card,
        recordings=store.recordings,
        time_zone=fleet.time_zone,
        tools=tools,
        longest_s=fleet.settings.ingest.longest_s,
    )
    return Work(task, hashed.found, lease)


def store_log(store: Store, work: Work, result: LogResult) -> bool:
    """Store what came of it; False when another run has taken the log over."""
    stored = save_result(
        store, result, lease=work.lease, path=work.found.path, card_hash=work.found.card_hash
    )
    log.info(
        "%s %s: %s, %d flights, %.2f s",
        result.airframe,
        result.sha256[:12],
        result.outcome,
        len(result.flights),
        sum(result.seconds.values()),
    )
    return stored


def reject(store: Store, work: Work, slug: str, sentence: str) -> LogResult:
    """Store that a log is not read, without reading it."""
    rejection = Rejection(slug, f"{work.found.path}: {sentence}")
    result = LogResult(work.found.sha256, work.found.airframe, rejection=rejection)
    store_log(store, work, result)
    return result
