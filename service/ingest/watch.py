"""Watching a fleet folder: events are a hint, the folder and the store are the truth."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from trimkeep.config.cards import CARD_FILE, COLUMNS_FILE
from trimkeep.config.errors import LogStorageError, StoreBusy
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.extract import Tools
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.pool import PoolOf
from trimkeep.service.ingest.report import IngestReport, Progress
from trimkeep.service.ingest.scan import airframe_folder_of, stat_of
from trimkeep.service.ingest.source import FolderLogs, LogSource, source_of
from trimkeep.service.ingest.stability import FileStat, StabilityTracker
from trimkeep.service.journal import FILE_NAME as JOURNAL_FILE
from trimkeep.service.store.connection import DATABASE_NAME

log = logging.getLogger(__name__)

# How long one round waits for events before it looks at the files under watch and at the stop signal.
ROUND_S = 0.5
# A card or a map that changed may change how every log of its airframe is read.
WHOLE_FOLDER_FILES = frozenset({CARD_FILE, COLUMNS_FILE})


class _Noticed(FileSystemEventHandler):
    """Puts paths in a queue and does nothing else.

    An exception in a handler ends the watcher's thread for good while the process lives on, deaf. A
    rename out of an unfinished name arrives as moved, a file moved in from elsewhere as created with
    nothing after it, so every kind of event means the same: look at this path again.
    """

    def __init__(self, paths: queue.SimpleQueue[str]) -> None:
        self._paths = paths

    def on_any_event(self, event: FileSystemEvent) -> None:
        if event.event_type in ("opened", "closed_no_write"):
            return  # our own reading
        for path in (event.src_path, event.dest_path):
            if path:
                self._paths.put(path if isinstance(path, str) else path.decode(errors="surrogateescape"))


def watch(
    fleet: FleetSettings,
    *,
    polling: bool | None = None,
    stop: threading.Event,
    on_ingested: Callable[[IngestReport], None],
    workers: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    on_round: Callable[[], None] | None = None,
    tools: Tools | None = None,
    pool: PoolOf | None = None,
    reads_apart: bool = False,
) -> None:
    """Take in what is there, then what arrives, until told to stop.

    What is there already goes through the same door as what arrives: it must stand still first. Object
    storage sends no events and shows objects only when they are whole: it is listed at intervals. While it
    cannot be listed that is said once, and tried again.

    Parameters
    ----------
    fleet : FleetSettings
    polling : bool or None
        Look through the folder only, for shares that send no events; None means what the settings say.
    stop : Event
        Set it (from a signal handler, say) to end: the logs being read are finished and stored.
    on_ingested : callable
        Called from this thread after every round that took anything in or found something to complain of.
    on_round : callable or None
        Called from this thread whenever it comes round, taken in or not; must be quick.
    workers, progress, tools, pool, reads_apart
        As for `ingest_fleet`.

    Raises
    ------
    SettingsError, LogStorageError
        The settings name object storage that cannot be, or whose drivers are not installed.
    """
    source = source_of(fleet)
    by_hand = fleet.settings.watch.polling if polling is None else polling
    paths: queue.SimpleQueue[str] = queue.SimpleQueue()
    observer = None if by_hand else _start_observer(fleet.folder, paths)
    rounds = _Rounds(fleet, source, paths, stop)
    try:
        while not stop.is_set():
            if on_round is not None:
                on_round()
            try:
                due = rounds.next_due()
                if rounds.is_news(source.problems()):
                    on_ingested(IngestReport(problems=source.problems()))
                if due is None:
                    continue
                report = ingest_fleet(
                    fleet,
                    workers=workers,
                    progress=progress,
                    only=due,
                    stop=stop,
                    tools=tools,
                    pool=pool,
                    reads_apart=reads_apart,
                    listing=source.listing(),
                )
            except LogStorageError as error:
                if rounds.is_first_of_outage():
                    on_ingested(IngestReport(problems=(str(error),)))
                continue
            except StoreBusy as error:
                # The folder is the truth: the next look through it finds these files again.
                log.warning("%s", error)
                rounds.look_again()
                continue
            rounds.still_waiting(report)
            if report.changed or report.rejected or report.duplicates or rounds.is_news(report.problems):
                on_ingested(report)
    finally:
        if observer is not None:
            observer.stop()
            observer.join()


def _start_observer(folder: Path, paths: queue.SimpleQueue[str]) -> BaseObserver | None:
    observer = Observer()
    try:
        observer.schedule(_Noticed(paths), str(folder), recursive=True)
        observer.start()
    except OSError as error:
        # Out of watches, usually: the looks through the folder still find everything, only later.
        log.warning("no events from %s (%s); it is looked through at intervals instead", folder, error)
        return None
    return observer


class _Rounds:
    """What is to be looked at next."""

    def __init__(
        self,
        fleet: FleetSettings,
        source: LogSource,
        paths: queue.SimpleQueue[str],
        stop: threading.Event,
    ) -> None:
        self.fleet = fleet
        self.source = source
        self.paths = paths
        self.stop = stop
        self.tracker = StabilityTracker(fleet.settings.watch.still_s, self._stat_of)
        # Of what arrives whole nothing needs to stand still.
        self.whole: dict[Path, FileStat] = {}
        self.taken: dict[Path, FileStat] = {}
        self.next_scan_s = 0.0
        self.told: frozenset[str] = frozenset()
        self.store: FileStat | None = None
        self.is_out = False

    def next_due(self) -> list[Path] | None:
        """Paths that stand still now; None when there are none yet. Waits for a short while at most."""
        self._gather()
        now_s = time.monotonic()
        if now_s >= self.next_scan_s:
            self._scan(now_s)
        due = [path for path in self.tracker.ready(now_s) if self._is_new(path)]
        for path in due:
            stat = self._stat_of(path)
            if stat is not None:
                self.taken[path] = stat
        self.taken |= self.whole
        due += self.whole
        self.whole = {}
        return due or None

    def _stat_of(self, path: Path) -> FileStat | None:
        """Journals and cards are files, wherever the logs are."""
        return stat_of(path) if self._is_journal(path) else self.source.stat_of(path)

    def _gather(self) -> None:
        """Everything in the queue, waiting a moment for the first."""
        try:
            noticed = {self.paths.get(timeout=self._patience_s())}
        except queue.Empty:
            return
        while True:
            try:
                noticed.add(self.paths.get_nowait())
            except queue.Empty:
                break
        for text in noticed:
            self._notice(Path(text))

    def _patience_s(self) -> float:
        now_s = time.monotonic()
        until_s = [ROUND_S, max(self.next_scan_s - now_s, 0.0)]
        next_look_s = self.tracker.next_look_s(now_s)
        if next_look_s is not None:
            until_s.append(next_look_s)
        # Never zero: a file that keeps growing must not make this loop spin.
        return max(min(until_s), 0.02)

    def _notice(self, path: Path) -> None:
        # Events come from files only; what is a log elsewhere is found by listing.
        is_log = isinstance(self.source, FolderLogs) and self.source.place_of(path) is not None
        if is_log or self._is_journal(path):
            self.tracker.notice(path, time.monotonic())
        elif path.name in WHOLE_FOLDER_FILES or self._is_new_folder(path):
            # Files inside a folder that was moved in or renamed send no events of their own.
            self.taken.clear()
            self.next_scan_s = min(self.next_scan_s, time.monotonic() + self.fleet.settings.watch.still_s)

    def _is_journal(self, path: Path) -> bool:
        return path.name == JOURNAL_FILE and path.parent.parent == self.fleet.folder

    def _is_new_folder(self, path: Path) -> bool:
        inside = path.is_relative_to(self.fleet.folder) and path != self.fleet.folder
        apart = any(path.is_relative_to(one) for one in (self.fleet.state, self.fleet.output))
        return inside and not apart and path.is_dir()

    def _scan(self, now_s: float) -> None:
        """Look through the whole folder: watchers miss files, and shares send no events."""
        self._notice_restore()
        # First when the next one is due: a listing that fails must not be tried again at once.
        self.next_scan_s = now_s + self.fleet.settings.watch.rescan_s
        for journal in self.fleet.folder.glob(f"*/{JOURNAL_FILE}"):
            if airframe_folder_of(self.fleet, journal) is not None and self._is_new(journal):
                self.tracker.notice(journal, now_s)
        for place in self.source.find():
            if self.taken.get(place.path) == place.stat:
                continue
            if self.source.arrives_whole:
                self.whole[place.path] = place.stat
            else:
                self.tracker.notice(place.path, now_s)
        self.is_out = False

    def _notice_restore(self) -> None:
        """After a restore the store may not know what was taken in since the backup."""
        store = stat_of(self.fleet.state / DATABASE_NAME)
        if store is not None and self.store is not None and store.inode != self.store.inode:
            log.warning("the store was replaced; every log is looked at again")
            self.taken.clear()
        self.store = store

    def _is_new(self, path: Path) -> bool:
        return self.taken.get(path) != self._stat_of(path)

    def look_again(self) -> None:
        """Forget what was handed out; the next look through the folder starts afresh."""
        self.taken.clear()
        self.next_scan_s = time.monotonic() + ROUND_S

    def is_first_of_outage(self) -> bool:
        """Whether the storage could be listed until now: an outage is told once, not every minute."""
        first, self.is_out = not self.is_out, True
        return first

    def still_waiting(self, report: IngestReport) -> None:
        """Files that changed while they were read, or could not be fetched, are looked at again."""
        for text in (*report.waiting, *report.unreachable):
            self.taken = {p: s for p, s in self.taken.items() if not str(p).endswith(text)}
        if report.waiting:
            self.next_scan_s = time.monotonic()

    def is_news(self, problems: tuple[str, ...]) -> bool:
        """Whether any of these complaints is new: a wrong card is told once, not every minute."""
        fresh = set(problems) - self.told
        self.told |= fresh
        return bool(fresh)
