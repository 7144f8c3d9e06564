"""Which airframes a fleet has: those with a folder and those with flights or entries in the store."""

from __future__ import annotations

from trimkeep.config.cards import airframe_folders, load_card
from trimkeep.config.errors import SettingsError, UsageError
from trimkeep.config.settings import FleetSettings
from trimkeep.config.toml_text import nearest
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import load_flights
from trimkeep.service.store.journal import load_journal


def airframe_names(store: Store, fleet: FleetSettings) -> tuple[str, ...]:
    """Ids of all airframes, sorted. A folder whose card cannot be read counts under its own name."""
    names = set()
    for folder in airframe_folders(fleet):
        try:
            names.add(load_card(fleet, folder).id)
        except SettingsError:
            names.add(folder.name)
    names.update(flight.airframe for flight in load_flights(store))
    names.update(row.airframe for row in load_journal(store))
    return tuple(sorted(names))


def known_airframe(store: Store, fleet: FleetSettings, name: str) -> str:
    """The name itself.

    Raises
    ------
    UsageError
        There is no such airframe; the nearest name is offered.
    """
    names = airframe_names(store, fleet)
    if name in names:
        return name
    raise UsageError(
        "there is no such airframe",
        subject=name,
        next_step=nearest(name, list(names)) if names else "Make a folder of that name in the fleet folder",
    )
