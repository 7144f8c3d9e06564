"""What each airframe's card says of material changes, read again only when the card's files changed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from trimkeep.config.cards import CARD_FILE, COLUMNS_FILE, airframe_folders, load_card
from trimkeep.config.errors import SettingsError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.scan import stat_of

# A thousand cards take half a second to read, and a service judges after every flight.
_read: dict[Path, tuple[Any, str, Mapping[str, float]]] = {}


def card_thresholds(fleet: FleetSettings) -> Mapping[str, Mapping[str, float]]:
    """Airframe to its own material changes; an unreadable card has those of the fleet."""
    common = (stat_of(fleet.folder / COLUMNS_FILE), tuple(sorted(fleet.settings.thresholds.items())))
    thresholds: dict[str, Mapping[str, float]] = {}
    for folder in airframe_folders(fleet):
        files = (common, stat_of(folder / CARD_FILE), stat_of(folder / COLUMNS_FILE))
        known = _read.get(folder)
        if known is None or known[0] != files:
            known = _read[folder] = (files, *_thresholds_in(fleet, folder))
        thresholds[known[1]] = known[2]
    return thresholds


def _thresholds_in(fleet: FleetSettings, folder: Path) -> tuple[str, Mapping[str, float]]:
    try:
        card = load_card(fleet, folder)
    except SettingsError:
        return folder.name, fleet.settings.thresholds
    return card.id, card.thresholds
