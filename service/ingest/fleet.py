"""Taking in a fleet folder: what is new or changed, each log once, many at a time."""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from pathlib import Path

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import airframe_folders, load_card
from trimkeep.config.errors import JournalError, LogStorageError, LogUnreachable, SettingsError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest import leases
from trimkeep.service.ingest.extract import Tools
from trimkeep.service.ingest.fingerprint import OVERSIZE
from trimkeep.service.ingest.one_log import (
    Hashed,
    Work,
    claim_log,
    hash_log,
    is_bearable,
    reject,
    store_log,
)
from trimkeep.service.ingest.pool import PoolOf, ReaderDied, process_pool, work
from trimkeep.service.ingest.report import Duplicate, IngestReport, Progress, RejectedLog, ReportBuilder
from trimkeep.service.ingest.scan import (
    Place,
    card_hash,
    is_log_name,
    path_on_disk,
    stored_path,
)
from trimkeep.service.ingest.source import LogSource, source_of
from trimkeep.service.ingest.stability import FileStat, StabilityTracker
from trimkeep.service.journal import import_journal
from trimkeep.service.store import logs
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.logs import Books, Claim, Relative, Sighting, Unfinished
from trimkeep.service.store.recordings import sweep
from trimkeep.service.store.rows import LogOutcome, LogResult, flight_id
from trimkeep.service.store.values import readable

log = logging.getLogger(__name__)

# Files without a row are removed only when they are older than any log takes to read.
SWEEP_AFTER_S = 3600.0
# A file that is still being written is waited for this many times the time it must stand still, then
# left to the next ingest.
PATIENCE = 3.0


def ingest_fleet(
    fleet: FleetSettings,
    *,
    workers: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    only: Iterable[Path] | None = None,
    stop: threading.Event | None = None,
    tools: Tools | None = None,
    pool: PoolOf | None = None,
    reads_apart: bool = False,
    listing: Mapping[str, FileStat] | None = None,
) -> IngestReport:
    """Read what is new in a fleet folder, or where its settings say that its logs lie.

    Files that are known and unchanged are not opened. Any number of these may run at once, in one or
    several processes; a log is read by one of them.

    Parameters
    ----------
    fleet : FleetSettings
    workers : int or None
        Worker processes; None means what the settings say.
    progress : callable or None
        Called after every file, from this thread.
    only : iterable of Path or None
        Look at these files only (the watcher's way); they are taken to stand still already.
    stop : Event or None
        When set, what is being read is finished and nothing more is begun.
    tools : Tools or None
        The steps; None means today's.
    pool : callable or None
        Makes the executor; any with the standard interface. None means processes of this machine.
    reads_apart : bool
        The executor's workers are on other machines: logs in object storage are fetched by them.
    listing : mapping or None
        With `only`: what was just found in object storage, so that it is not asked for each of them.

    Raises
    ------
    LogStorageError
        The logs lie in object storage, and it cannot be listed. Journals are in by then.
    StoreError
        The store cannot be used. Logs stored before that stay stored.
    """
    if tools is None:
        from trimkeep.service.ingest.tools import TOOLS

        tools = TOOLS
    store = open_store(fleet.state)
    pool = pool or partial(process_pool, memory_mb=fleet.settings.ingest.worker_memory_mb)
    count = workers or fleet.settings.ingest.workers or os.cpu_count() or 1
    with leases.hold_lease(store.runs) as lease:
        source = source_of(fleet, reads_apart=reads_apart, holder=lease, listing=listing)
        ingest = _Ingest(fleet, store, source, lease, tools, count, pool, progress, stop or threading.Event())
        try:
            return ingest.run(None if only is None else list(only))
        finally:
            source.close()


class _Ingest:
    """One run over a fleet folder."""

    def __init__(
        self,
        fleet: FleetSettings,
        store: Store,
        source: LogSource,
        lease: str,
        tools: Tools,
        workers: int,
        pool: PoolOf,
        progress: Callable[[Progress], None] | None,
        stop: threading.Event,
    ) -> None:
        self.fleet = fleet
        self.store = store
        self.source = source
        self.lease = lease
        self.tools = tools
        self.workers = workers
        self.pool = pool
        self.progress = progress
        self.stop = stop
        self.report = ReportBuilder()
        self.cards: dict[Path, AirframeCard | None] = {}
        self.heads: dict[str, list[Relative]] = {}
        self.done = self.total = 0

    def run(self, only: list[Path] | None) -> IngestReport:
        """Journals first, so that a digest made meanwhile knows them; then logs, suspects last."""
        if only is None:
            self._complain_of_strays()
        self._import_journals(only)
        places = self._places(only)
        books = self._load_books(None if only is None else places)
        known = books.places
        if only is None:
            self._clean(books)
            self._note_gone(known)
        new = [place for place in places if not self._is_unchanged(place, known)]
        self.report.unchanged = len(places) - len(new)
        if new:
            self.heads = books.heads
            self._take(new, books.unfinished, still_already=only is not None)
        return self.report.build()

    # --- what there is ---

    def _load_books(self, places: list[Place] | None) -> Books:
        """All that is known of the fleet's logs, or of these files: of a large fleet that is far less."""
        if places is None:
            return logs.load_books(self.store)
        cards = [self.cards[place.folder] for place in places]
        return logs.load_books(
            self.store,
            paths=[stored_path(self.fleet, place.path) for place in places],
            airframes={card.id for card in cards if card is not None},
        )

    def _clean(self, books: Books) -> None:
        for path in sweep(self.store.recordings, books.hashes, older_than_s=SWEEP_AFTER_S, now_s=time.time()):
            log.info("removed %s, left by a run that died", path.name)

    def _complain_of_strays(self) -> None:
        for path in sorted(self.fleet.folder.iterdir()):
            if is_log_name(path.name) and path.is_file():
                self.report.problems.append(
                    f"{readable(path.name)}: lies in the fleet folder itself, so its airframe is not known. "
                    "Move it into the airframe's folder."
                )

    def _places(self, only: list[Path] | None) -> list[Place]:
        if only is None:
            found: list[Place] = list(self.source.find())
            self.report.problems += self.source.problems()
        else:
            maybe = [self._place_of(path) for path in dict.fromkeys(only)]
            found = [place for place in maybe if place is not None]
        return [place for place in found if self._card(place.folder) is not None]

    def _place_of(self, path: Path) -> Place | None:
        try:
            return self.source.place_of(path)
        except LogStorageError as error:
            self._leave(stored_path(self.fleet, path), error)
            return None

    def _card(self, folder: Path) -> AirframeCard | None:
        if folder not in self.cards:
            try:
                self.cards[folder] = load_card(self.fleet, folder)
            except SettingsError as error:
                self.cards[folder] = None
                self.report.problems.append(f"{error} The logs of {folder.name} wait until then.")
        return self.cards[folder]

    def _import_journals(self, only: list[Path] | None) -> None:
        folders = airframe_folders(self.fleet)
        if only is not None:
            asked = {path.parent for path in only if path.name == "journal.csv"}
            folders = tuple(folder for folder in folders if folder in asked)
        for folder in folders:
            card = self._card(folder)
            if card is None:
                continue
            try:
                imported = import_journal(self.store, self.fleet, folder, card.id)
            except JournalError as error:
                self.report.problems.append(str(error))
                continue
            if imported.rewritten:
                self.report.problems.append(_told_of_rewritten(folder, imported.rewritten))
            if imported.changes:
                self.report.journal_changes += imported.changes
                self.report.airframes.add(card.id)

    def _note_gone(self, known: dict[str, Sighting]) -> None:
        logs.mark_gone(self.store, self.source.missing(known))

    def _is_unchanged(self, place: Place, known: dict[str, Sighting]) -> bool:
        card = self.cards[place.folder]
        sighting = known.get(stored_path(self.fleet, place.path))
        if sighting is None or card is None or not sighting.finished:
            return False
        stat = place.stat
        same = (stat.size_bytes, stat.mtime_ns, stat.inode & (2**63 - 1)) == (
            sighting.size_bytes,
            sighting.mtime_ns,
            sighting.inode,
        )
        if not same or sighting.airframe != card.id:
            return False
        if sighting.sha256.startswith(OVERSIZE) and is_bearable(self.fleet, stat.size_bytes):
            return False  # the limit was raised
        if sighting.owner_path != stored_path(self.fleet, place.path):
            # A duplicate; it counts for itself once the file it repeats is gone.
            return self.source.stat_of(path_on_disk(self.fleet, sighting.owner_path)) is not None
        return sighting.card_hash == card_hash(card)

    # --- taking it in ---

    def _take(self, new: list[Place], unfinished: Sequence[Unfinished], *, still_already: bool) -> None:
        self.total = len(new)
        tried = {one.path: one.attempts for one in unfinished}
        # What a run died of may be among those that were begun; they come last, so that the others get in.
        new.sort(key=lambda place: (tried.get(stored_path(self.fleet, place.path), 0), str(place.path)))
        tracker = StabilityTracker(self.fleet.settings.watch.still_s, self.source.stat_of)
        if not still_already and not self.source.arrives_whole:
            new = self._set_young_apart(new, tracker)
        self._read_all(new)
        deadline = time.monotonic() + PATIENCE * self.fleet.settings.watch.still_s
        while len(tracker) and time.monotonic() < deadline and not self.stop.is_set():
            self.stop.wait(min(tracker.next_look_s(time.monotonic()) or 0.0, 1.0))
            grown = [self._place_of(path) for path in tracker.ready(time.monotonic())]
            self._read_all([place for place in grown if place is not None])
        self.report.waiting += [stored_path(self.fleet, path) for path in tracker.watched()]

    def _set_young_apart(self, new: list[Place], tracker: StabilityTracker) -> list[Place]:
        """Files touched just now may still be growing: they go through the tracker, after the others."""
        now = time.time()
        old = []
        for place in new:
            age_s = now - place.stat.mtime_ns / 1e9
            # A time in the future says nothing about age (cards come with clocks of their own).
            if -1.0 <= age_s < self.fleet.settings.watch.still_s:
                tracker.notice(place.path, time.monotonic())
            else:
                old.append(place)
        return old

    def _read_all(self, places: list[Place]) -> None:
        suspects: list[Work] = []
        waiting = list(reversed(places))
        while waiting and not self.stop.is_set():
            suspects += self._read_until_broken(waiting)
        # Whoever ran when a worker died is read again alone: only then is it certain who did it.
        for suspect in suspects:
            self._read_alone(suspect)

    def _read_until_broken(self, waiting: list[Place]) -> list[Work]:
        """Read logs side by side; the ones that may have taken a worker down."""
        suspects: list[Work] = []
        running: dict[Future[LogResult | None], Work] = {}
        executor: Executor | None = None
        try:
            while (waiting and not self.stop.is_set()) or running:
                while waiting and len(running) <= self.workers and not self.stop.is_set():
                    executor = executor or self.pool(min(self.workers, len(waiting)))
                    claimed = self._claim(waiting.pop())
                    if claimed is not None:
                        running[_submit(executor, claimed)] = claimed
                if not running:
                    continue
                finished, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in finished:
                    error = future.exception()
                    if isinstance(error, BrokenProcessPool):
                        return suspects + list(running.values())
                    done = running.pop(future)
                    if isinstance(error, ReaderDied):
                        suspects.append(done)
                    elif isinstance(error, LogUnreachable):
                        self._put_off(done, error)
                    else:
                        self._finish(done, future.result())
        finally:
            if executor is not None:
                executor.shutdown(wait=False, cancel_futures=True)
        return suspects

    def _read_alone(self, suspect: Work) -> None:
        limit = self.fleet.settings.ingest.attempts
        while not self.stop.is_set():
            with self.pool(1) as executor:
                future = executor.submit(work, suspect.task)
                error = future.exception()
                if isinstance(error, LogUnreachable):
                    self._put_off(suspect, error)
                    return
                if not isinstance(error, BrokenProcessPool | ReaderDied):
                    self._finish(suspect, future.result())
                    return
            deaths = logs.count_death(self.store, suspect.found.sha256)
            log.warning("%s took its worker down (%d of %d)", suspect.found.path, deaths, limit)
            if deaths >= limit:
                what = f"took its process down {deaths} times (a crash, too little memory, or no end)"
                sentence = f"{what}. Please send the file to the developers."
                self._tell(suspect, reject(self.store, suspect, "worker-death", sentence))
                return
        logs.give_back(self.store, suspect.found.sha256, self.lease)

    def _claim(self, place: Place) -> Work | None:
        card = self.cards[place.folder]
        if card is None:
            return None
        path = stored_path(self.fleet, place.path)
        try:
            hashed = hash_log(self.fleet, place, card, self.heads, self.source)
        except OSError as error:
            self.report.problems.append(
                f"{path}: cannot be opened ({error.strerror}). See that this user may read it and that the "
                "disk is sound."
            )
            self._step(path, None)
            return None
        except LogStorageError as error:
            # It stays to be read; the others go on.
            self._leave(path, error)
            return None
        if hashed is None:
            self.report.waiting.append(path)
            self._step(path, None)
            return None
        claimed = claim_log(self.fleet, self.store, hashed, card, self.lease, self.tools, self.source)
        if isinstance(claimed, Work):
            self._remember(claimed)
            return claimed if self._is_bearable(claimed) else None
        outcome = None
        if claimed is Claim.DUPLICATE:
            outcome = LogOutcome.DUPLICATE
            self._note_duplicate(hashed)
        elif claimed is Claim.KNOWN:
            self.report.unchanged += 1
        self._step(path, outcome)
        return None

    def _is_bearable(self, claimed: Work) -> bool:
        """Whether a log may be read by its size; if not, it is rejected here."""
        if is_bearable(self.fleet, claimed.found.size_bytes):
            return True
        limit_mb = self.fleet.settings.ingest.largest_log_mb
        result = reject(
            self.store,
            claimed,
            "too-large",
            f"is larger than {limit_mb} MB. Raise ingest.largest_log_mb if it is a log and memory allows.",
        )
        self._tell(claimed, result)
        return False

    def _remember(self, claimed: Work) -> None:
        found = claimed.found
        self.heads.setdefault(found.head_sha256, []).append(
            Relative(found.sha256, found.airframe, found.size_bytes, found.path)
        )

    def _note_duplicate(self, hashed: Hashed) -> None:
        self.report.count(LogOutcome.DUPLICATE)
        owner = logs.load_owner(self.store, hashed.found.sha256)
        found = hashed.found
        self.report.duplicates.append(Duplicate(found.path, found.airframe, owner.path, owner.airframe))

    def _finish(self, work: Work, result: LogResult | None) -> None:
        if result is None:
            # It changed while it was read; the next look finds it with its new content.
            logs.give_back(self.store, work.found.sha256, self.lease, never_was=True)
            self.report.waiting.append(work.found.path)
            self._step(work.found.path, None)
        elif store_log(self.store, work, result):
            self._tell(work, result)
        else:
            self._step(work.found.path, None)

    def _put_off(self, work: Work, error: LogUnreachable) -> None:
        """The one that was to read it could not fetch it: no fault of the log, which stays to be read."""
        logs.give_back(self.store, work.found.sha256, self.lease)
        self._leave(work.found.path, error)

    def _leave(self, path: str, error: LogStorageError) -> None:
        self.report.unreachable.append(path)
        self.report.problems.append(str(error))
        self._step(path, None)

    def _tell(self, work: Work, result: LogResult) -> None:
        self.report.count(result.outcome)
        self.report.airframes.add(result.airframe)
        self.report.flights += [flight_id(result.sha256, flight.number) for flight in result.flights]
        if result.rejection is not None:
            self.report.rejected.append(RejectedLog(work.found.path, result.rejection.sentence))
        self._step(work.found.path, result.outcome)

    def _step(self, path: str, outcome: LogOutcome | None) -> None:
        self.done += 1
        self.source.let_go(path)
        if self.progress is not None:
            self.progress(Progress(self.done, self.total, path, outcome))


def _told_of_rewritten(folder: Path, cells: tuple[tuple[str, str], ...]) -> str:
    was, now = cells[0]
    more = f" (and {len(cells) - 1} more)" if len(cells) > 1 else ""
    return (
        f"{folder.name}/journal.csv: the program that saved it wrote {now} for {was}{more}."
        " The record keeps what was first written; if a correction was meant, say so in its note too."
    )


def _submit(executor: Executor, claimed: Work) -> Future[LogResult | None]:
    """Hand a task over; a pool that broke meanwhile gives a future that says so.

    A pool that breaks while it starts one more worker for the task fails over its own closed pipe, before
    it knows that it is broken.
    """
    try:
        return executor.submit(work, claimed.task)
    except (BrokenProcessPool, OSError) as error:
        broken: Future[LogResult | None] = Future()
        broken.set_exception(BrokenProcessPool(str(error)))
        return broken
