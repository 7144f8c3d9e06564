"""Measuring history anew from the stored recordings, so that our own updates do not look like regressions."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import airframe_folders, load_card
from trimkeep.config.errors import RecordingRemoved, SettingsError, StoreDamaged
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.model import Detector, DetectorRun, Flight, Recording
from trimkeep.service.ingest.extract import Tools, flight_row
from trimkeep.service.ingest.report import Progress
from trimkeep.service.ingest.scan import path_on_disk, stat_of
from trimkeep.service.read_again import read_log_again
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.evidence import load_spans
from trimkeep.service.store.outdated import (
    Outdated,
    find_outdated,
    replace_flights,
    replace_runs,
)
from trimkeep.service.store.removals import read_stored, removed_recording


@dataclass(frozen=True, slots=True)
class RemeasureReport:
    """What was measured anew: logs, detector runs, and logs whose recording could not be read back.

    `removed`: sentences on logs whose recording a retention setting took and that cannot be read again; their
    flights keep the figures of an earlier version.
    """

    logs: int = 0
    runs: int = 0
    failed: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    airframes: tuple[str, ...] = ()


def remeasure(
    fleet: FleetSettings,
    *,
    progress: Callable[[Progress], None] | None = None,
    stop: threading.Event | None = None,
    tools: Tools | None = None,
) -> RemeasureReport:
    """Bring every stored flight up to the detectors and the splitter of today.

    A detector whose version changed, or that is new, runs over the stored recordings; the others'
    numbers stay. Where the retention setting took a recording away, its log is read again. When the
    splitter changed, flights are found anew and everything is measured. One log is one transaction, so it
    can be broken off and gone on with.

    Parameters
    ----------
    fleet : FleetSettings
    progress : callable or None
        Called after every log.
    stop : Event or None
        Ends it after the log in work.
    tools : Tools or None
        The steps; None means today's.
    """
    if tools is None:
        from trimkeep.service.ingest.tools import TOOLS

        tools = TOOLS
    store = open_store(fleet.state)
    detectors = tools.detectors()
    current = {detector.spec.id: detector.spec.version for detector in detectors}
    outdated = find_outdated(store, current, tools.splitter_version)
    cards = _cards(fleet)
    measured, runs, failed, removed, airframes = 0, 0, [], [], set()
    for done, one in enumerate(outdated, start=1):
        if stop is not None and stop.is_set():
            break
        card = cards.get(one.airframe, AirframeCard(id=one.airframe))
        try:
            runs += _measure(fleet, store, one, card, detectors, tools)
            measured += 1
            airframes.add(one.airframe)
        except StoreDamaged as error:
            failed.append(str(error))
        except RecordingRemoved as error:
            removed.append(str(error))
        if progress is not None:
            progress(Progress(done, len(outdated), one.path, None))
    return RemeasureReport(measured, runs, tuple(failed), tuple(removed), tuple(sorted(airframes)))


def _cards(fleet: FleetSettings) -> dict[str, AirframeCard]:
    cards = {}
    for folder in airframe_folders(fleet):
        try:
            card = load_card(fleet, folder)
        except SettingsError:
            continue  # ingest complains of it; a bare card measures what needs none
        cards[card.id] = card
    return cards


def _measure(
    fleet: FleetSettings,
    store: Store,
    one: Outdated,
    card: AirframeCard,
    detectors: tuple[Detector, ...],
    tools: Tools,
) -> int:
    recording = _recording(fleet, store, one, card, tools)
    if one.splitter_version != tools.splitter_version:
        path = path_on_disk(fleet, one.path)
        stat = stat_of(path)
        # Without the original, a flight placed by its file's time keeps the time it was given then.
        mtime_ns = stat.mtime_ns if stat is not None else one.mtime_ns
        rows = [
            flight_row(flight, tools.run(flight, detectors), path.name, mtime_ns, fleet.time_zone)
            for flight in tools.split(recording, card)
        ]
        replace_flights(store, one, rows, tools.splitter_version)
        return sum(len(row.runs) for row in rows)
    wanted = tuple(d for d in detectors if d.spec.id in one.detectors)
    runs: list[tuple[int, DetectorRun]] = []
    for stored in load_spans(store, one.sha256):
        flight = Flight(
            recording=recording,
            card=card,
            number=stored.number,
            start_s=stored.start_s,
            end_s=stored.end_s,
            segments=stored.segments,
            starts_airborne=stored.starts_airborne,
            ends_airborne=stored.ends_airborne,
        )
        runs += [(stored.number, run) for run in tools.run(flight, wanted)]
    replace_runs(store, one, runs)
    return len(runs)


def _recording(
    fleet: FleetSettings, store: Store, one: Outdated, card: AirframeCard, tools: Tools
) -> Recording:
    """The stored recording; of one that the retention setting took away, what its log still says."""
    try:
        return read_stored(store, one.sha256)
    except RecordingRemoved:
        removal = removed_recording(store, one.sha256)
        if removal is None:
            raise
        return read_log_again(fleet, removal, card, tools)
