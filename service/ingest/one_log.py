"""The way of one log into the store: hash, claim, extract (elsewhere), store. Each step is a function.

A crash between any two leaves the log wholly in or wholly out: the claim says that it was begun, the
recording is written before the rows, and the rows come in one transaction with the outcome.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest import leases
from trimkeep.service.ingest.extract import Task, Tools
from trimkeep.service.ingest.scan import Place, card_hash, path_on_disk, stored_path
from trimkeep.service.ingest.source import LogSource, Taken
from trimkeep.service.store import logs
from trimkeep.service.store.connection import Store
from trimkeep.service.store.logs import Claim, FoundLog, Relative
from trimkeep.service.store.results import save_result
from trimkeep.service.store.rows import LogResult, Rejection

log = logging.getLogger(__name__)


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
    taken: Taken
    found: FoundLog
    shorter: tuple[str, ...]
    longer: str | None


def hash_log(
    fleet: FleetSettings,
    place: Place,
    card: AirframeCard,
    known: dict[str, list[Relative]],
    source: LogSource,
) -> Hashed | None:
    """Hash a file and find its relatives among the stored logs.

    Returns
    -------
    Hashed or None
        None when the file changed meanwhile.

    Raises
    ------
    OSError, LogStorageError
        It cannot be read.
    """
    size = place.stat.size_bytes

    def sizes(head: str) -> list[int]:
        return [r.size_bytes for r in known.get(head, []) if r.airframe == card.id and r.size_bytes < size]

    taken = source.take(place, sizes, whole=is_bearable(fleet, size))
    if taken is None:
        return None
    prints = taken.prints
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
    return Hashed(place, taken, found, shorter, _longer(fleet, found, relatives, source))


def _longer(
    fleet: FleetSettings, found: FoundLog, relatives: list[Relative], source: LogSource
) -> str | None:
    for relative in relatives:
        if relative.size_bytes > found.size_bytes:
            start = source.start_of(path_on_disk(fleet, relative.path), found.size_bytes)
            if start == found.sha256:
                return relative.sha256
    return None


def claim_log(
    fleet: FleetSettings,
    store: Store,
    hashed: Hashed,
    card: AirframeCard,
    lease: str,
    tools: Tools,
    source: LogSource,
) -> Work | Claim:
    """Claim a log; the work to do, or why there is none."""
    answer = logs.claim(
        store,
        hashed.found,
        lease=lease,
        is_alive=lambda name: leases.is_alive(store.runs, name),
        exists=lambda path: source.stat_of(path_on_disk(fleet, path)) is not None,
        shorter=hashed.shorter,
        longer=hashed.longer,
    )
    if answer is not Claim.TAKE:
        return answer
    task = Task(
        path=hashed.taken.path,
        sha256=hashed.found.sha256,
        stat=hashed.taken.stat,
        card=card,
        recordings=store.recordings,
        time_zone=fleet.time_zone,
        tools=tools,
        longest_s=fleet.settings.ingest.longest_s,
        remote=hashed.taken.remote,
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
