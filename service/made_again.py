"""A recording that the retention setting took away, made again from its log where that is still there."""

from __future__ import annotations

import hashlib
import logging
from pathlib import Path

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import airframe_folders, load_card
from trimkeep.config.errors import RecordingRemoved, SettingsError, UsageError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.extract import Tools
from trimkeep.service.page_books import PageBooks
from trimkeep.service.read_again import read_log_again
from trimkeep.service.retention_cited import drawn_flights
from trimkeep.service.store.connection import Store
from trimkeep.service.store.recordings import write_recording
from trimkeep.service.store.removals import (
    Removal,
    load_removed_recordings,
    note_made_again,
    removal_lock,
)

log = logging.getLogger(__name__)


def bring_back(store: Store, fleet: FleetSettings, removal: Removal, tools: Tools | None = None) -> Path:
    """Make a recording again from its log, with a row in the audit chain; its file.

    Its age counts from now. Errors as `read_log_again`.
    """
    tools = tools or _todays_tools()
    card = _card(fleet, removal.file.airframe)
    target = store.recording_path(removal.file.log_sha256)
    with removal_lock(store, shared=True):
        recording = read_log_again(fleet, removal, card, tools)
        size = write_recording(recording, target)
        sha256 = hashlib.sha256(target.read_bytes()).hexdigest()
        file = removal.file
        note_made_again(store, file.log_sha256, file.log_path, file.airframe, sha256, size)
    log.info("%s was read again for its recording", file.log_path)
    return target


def bring_back_drawn(
    store: Store, fleet: FleetSettings, books: PageBooks, tools: Tools | None = None
) -> None:
    """Make again what the pages are about to draw; what cannot be made is told and left out."""
    removed = load_removed_recordings(store)
    if not removed:
        return
    for flight in drawn_flights(books):
        placed = books.flight_by_id.get(flight)
        removal = removed.pop(placed.main.log_sha256, None) if placed is not None else None
        if removal is not None and not store.recording_path(removal.file.log_sha256).exists():
            try:
                bring_back(store, fleet, removal, tools)
            except RecordingRemoved as error:
                log.warning("%s", error)


def find_removed(store: Store, wanted: str) -> Removal:
    """The removed recording of a log, by the log's path or the start of its hash or of a flight's id.

    Raises
    ------
    UsageError
        There is none.
    """
    removed = load_removed_recordings(store)
    start = wanted.rpartition("-")[0] or wanted
    for sha256, removal in removed.items():
        if removal.file.log_path == wanted or (len(start) >= 8 and sha256.startswith(start)):
            return removal
    raise UsageError(
        "is no log whose recording was removed",
        subject=wanted,
        next_step="`trimkeep retention FLEET` lists what was removed; give a log's path in the fleet folder",
    )


def _card(fleet: FleetSettings, airframe: str) -> AirframeCard:
    for folder in airframe_folders(fleet):
        try:
            card = load_card(fleet, folder)
        except SettingsError:
            continue  # ingest complains of it
        if card.id == airframe:
            return card
    return AirframeCard(id=airframe)


def _todays_tools() -> Tools:
    # The detectors take a second to load; most who ask for pages have nothing to make again.
    from trimkeep.service.ingest.tools import TOOLS

    return TOOLS
