"""The per-log work: one pure function from a file and a card to everything measured in it.

It runs in a worker process, here or on another machine: it gets all it needs in its task, never opens
the store, and writes nothing but the decoded recording.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import LogError, StoreError
from trimkeep.detectors.model import Detector, DetectorRun, Flight, ParameterReading, Recording
from trimkeep.detectors.parameters import counts_or_keeps_time
from trimkeep.service.ingest.placing import place_in_time
from trimkeep.service.ingest.scan import stat_of
from trimkeep.service.ingest.source import RemoteLog
from trimkeep.service.ingest.stability import FileStat
from trimkeep.service.store.recordings import write_recording
from trimkeep.service.store.rows import FlightRow, LogResult, RecordingRow, Rejection
from trimkeep.service.store.values import readable

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Tools:
    """The steps of the work. Module-level functions, so that a task can be sent to another process."""

    read: Callable[[Path, AirframeCard], Recording]
    split: Callable[[Recording, AirframeCard], tuple[Flight, ...]]
    detectors: Callable[[], tuple[Detector, ...]]
    run: Callable[[Flight, tuple[Detector, ...]], tuple[DetectorRun, ...]]
    splitter_version: int


@dataclass(frozen=True, slots=True)
class Task:
    """One log to be read.

    `stat` is the file's status when it was hashed: a file that changed since is not what `sha256` says.
    After `longest_s` the worker that reads it ends itself. With `remote`, whoever takes the task fetches the
    log first, and `path` is only its name.
    """

    path: Path
    sha256: str
    stat: FileStat
    card: AirframeCard
    recordings: Path
    time_zone: str
    tools: Tools
    longest_s: float
    remote: RemoteLog | None = None


def extract(task: Task) -> LogResult | None:
    """Read one log and measure every flight in it.

    Returns
    -------
    LogResult or None
        None when the file changed between hashing and the end of reading: nothing can be said of it.

    Raises
    ------
    StoreError
        The recording could not be written; that is no fault of the log.
    """
    seconds: dict[str, float] = {}
    try:
        with _timed(seconds, "read"):
            recording = task.tools.read(task.path, task.card)
        if stat_of(task.path) != task.stat:
            return None
        with _timed(seconds, "split"):
            flights = task.tools.split(recording, task.card)
        with _timed(seconds, "detect"):
            rows = tuple(_flight_row(flight, task) for flight in flights)
    except LogError as error:
        if stat_of(task.path) != task.stat:
            return None
        return LogResult(task.sha256, task.card.id, rejection=Rejection(error.slug, readable(str(error))))
    except MemoryError:
        return _rejected(
            task, "memory", "needs more memory to read than there is", "Read it on a larger machine"
        )
    except Exception as error:
        # One poisonous file costs one rejected row. The fault is ours, so the traceback is kept.
        log.exception("fault while reading %s", task.path)
        kind = type(error).__name__
        next_step = "Please send the file and the service's log to the developers"
        return _rejected(task, "fault", f"brought out a fault of the program ({kind}: {error})", next_step)
    with _timed(seconds, "parquet"):
        _write(recording, task)
    return LogResult(
        sha256=task.sha256,
        airframe=task.card.id,
        recording=_recording_row(recording, task.tools.splitter_version),
        flights=rows,
        seconds=seconds,
    )


@contextmanager
def _timed(seconds: dict[str, float], step: str) -> Iterator[None]:
    start = time.perf_counter()
    yield
    seconds[step] = time.perf_counter() - start


def _rejected(task: Task, slug: str, what: str, next_step: str) -> LogResult:
    sentence = readable(f"{task.path.name}: {what}. {next_step}.")
    return LogResult(task.sha256, task.card.id, rejection=Rejection(slug, sentence))


def _write(recording: Recording, task: Task) -> None:
    try:
        write_recording(recording, task.recordings / f"{task.sha256}.parquet")
    except OSError as error:
        raise StoreError(
            f"a decoded recording cannot be written ({error.strerror or error})",
            subject=str(task.recordings),
            next_step="Make room on the disk or mend its permissions; nothing was lost, run it again",
        ) from error


def _recording_row(recording: Recording, splitter_version: int) -> RecordingRow:
    return RecordingRow(
        source=recording.source,
        reader=recording.reader,
        reader_version=recording.reader_version,
        splitter_version=splitter_version,
        start_utc=recording.start_utc,
        clock=recording.clock,
        duration_s=recording.duration_s,
        firmware=recording.firmware,
        board=recording.board,
        notes=recording.notes,
        channels=tuple(recording.channels),
    )


def _flight_row(flight: Flight, task: Task) -> FlightRow:
    runs = task.tools.run(flight, task.tools.detectors())
    return flight_row(flight, runs, task.path.name, task.stat.mtime_ns, task.time_zone)


def flight_row(
    flight: Flight, runs: tuple[DetectorRun, ...], file_name: str, mtime_ns: int, time_zone: str
) -> FlightRow:
    """A flight as the store takes it, placed in time."""
    zero, clock = place_in_time(flight.recording, file_name, mtime_ns, time_zone)
    return FlightRow(
        number=flight.number,
        started_at=zero + timedelta(seconds=flight.start_s),
        clock=clock,
        start_s=flight.start_s,
        end_s=flight.end_s,
        starts_airborne=flight.starts_airborne,
        ends_airborne=flight.ends_airborne,
        samples=sum(flight.channel(name).time_s.size for name in flight.recording.channels),
        segments=flight.segments,
        runs=runs,
        parameters=parameters_at(flight.recording, flight.start_s),
    )


def parameters_at(recording: Recording, at_s: float) -> dict[str, float]:
    """Parameters as they stood at a time: the last reading until then, else the first one after.

    A ground station often asks for the parameters only when the aeroplane is already up; that first
    reading is the value it took off with, unless someone changed it in between, which the log would show.
    Counters and clocks that some autopilots keep among them are left out: they are no settings.
    """
    named: dict[str, list[ParameterReading]] = {}
    for reading in recording.parameters:
        named.setdefault(reading.name, []).append(reading)
    values: dict[str, float] = {}
    for name, readings in named.items():
        if not counts_or_keeps_time(readings):
            before = [reading for reading in readings if reading.time_s <= at_s]
            values[name] = (before[-1] if before else readings[0]).value
    return values
