"""How the service stands: what waits, what was last read and said, what went wrong, how much room is left."""

from __future__ import annotations

import logging
import shutil
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from trimkeep.config.errors import LogStorageError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Tier, Verdict
from trimkeep.service.health import Health, read_health
from trimkeep.service.ingest.scan import stored_path
from trimkeep.service.ingest.source import source_of
from trimkeep.service.judging import MODEL_NAME
from trimkeep.service.store.audit import chain_head
from trimkeep.service.store.connection import Store
from trimkeep.service.store.digests import load_digests
from trimkeep.service.store.findings import count_findings
from trimkeep.service.store.logs import Books, LogStatus, load_books, load_log_outcomes
from trimkeep.service.store.models import load_model
from trimkeep.service.store.rows import LogOutcome

log = logging.getLogger(__name__)

ASKING = (Verdict.ATTENTION, Verdict.WORSE, Verdict.BETTER)


@dataclass(frozen=True, slots=True)
class Happened:
    """Something with its time; `what` is a file or a sentence."""

    what: str
    at: datetime


@dataclass(frozen=True, slots=True)
class FleetStatus:
    """The state of one fleet's service.

    Parameters
    ----------
    being_read : int
        Logs that were claimed and have no outcome yet.
    waiting : int or None
        Files that are named like logs and are new, or differ from what was read there; None when they lie in
        object storage that cannot be listed now.
    logs : mapping of str to int
        Stored logs by outcome.
    last_log, last_digest, last_error : Happened or None
    store_bytes, free_bytes : int
        Database with recordings; room left on their disk.
    model_version : int or None
        Of the frozen fleet model; None before the first fit.
    open_findings : mapping of str to int
        Called findings that ask for somebody's attention and that nobody has answered, by verdict.
    chain_head : str
    watcher : Health or None
    """

    being_read: int
    waiting: int | None
    logs: Mapping[str, int]
    last_log: Happened | None
    last_digest: Happened | None
    last_error: Happened | None
    store_bytes: int
    free_bytes: int
    model_version: int | None
    open_findings: Mapping[str, int]
    chain_head: str
    watcher: Health | None


def fleet_status(store: Store, fleet: FleetSettings) -> FleetStatus:
    """Look at the store, the folder and the watcher's sign of life."""
    books = load_books(store)
    outcomes = load_log_outcomes(store)
    digests = load_digests(store)
    model = load_model(store, MODEL_NAME)
    health = read_health(store.state)
    finished = [one for one in outcomes if one.finished_at is not None]
    called = count_findings(store, Tier.CALLED, "open")
    return FleetStatus(
        being_read=len(books.unfinished),
        waiting=_waiting(fleet, books),
        logs=dict(Counter(str(one.outcome) for one in outcomes if one.outcome is not None)),
        last_log=_newest([Happened(one.path, one.finished_at) for one in finished if one.finished_at]),
        last_digest=_newest([Happened(one.path, one.made_at) for one in digests]),
        last_error=_newest([*_errors(finished), *_problem(health)]),
        store_bytes=_size(store.database) + sum(_size(path) for path in store.recordings.glob("*")),
        free_bytes=shutil.disk_usage(store.state).free,
        model_version=model.version if model is not None else None,
        open_findings={str(verdict): called[verdict] for verdict in ASKING if verdict in called},
        chain_head=chain_head(store),
        watcher=health,
    )


def _waiting(fleet: FleetSettings, books: Books) -> int | None:
    """Files whose size or time is not that of what was read there; other rules of the ingest left aside.

    None when they lie in object storage that cannot be listed now.
    """
    count = 0
    # One try: who asks for the status, as the check that a container is well, does not wait for an outage.
    once = replace(fleet.settings, logs=replace(fleet.settings.logs, tries=1))
    try:
        places = source_of(replace(fleet, settings=once)).find()
    except LogStorageError as error:
        log.warning("%s", error)
        return None
    for place in places:
        known = books.places.get(stored_path(fleet, place.path))
        seen = known is not None and (known.size_bytes, known.mtime_ns) == (
            place.stat.size_bytes,
            place.stat.mtime_ns,
        )
        count += not seen
    return count


def _errors(finished: Sequence[LogStatus]) -> list[Happened]:
    return [
        Happened(one.reason or one.path, one.finished_at)
        for one in finished
        if one.outcome is LogOutcome.REJECTED and one.finished_at is not None
    ]


def _problem(health: Health | None) -> list[Happened]:
    if health is None or health.problem_at is None:
        return []
    return [Happened(health.problem, health.problem_at)]


def _newest(happened: Sequence[Happened]) -> Happened | None:
    return max(happened, key=lambda one: (one.at, one.what), default=None)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0  # swept or renamed while we looked
