"""Everything the served pages stand on, handed to the routes as one thing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from trimkeep.config.settings import FleetSettings
from trimkeep.reports.inputs import metric_words
from trimkeep.reports.page_inputs import Setting
from trimkeep.service.page_books import SPECS
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.web.accounts import AccountBook
from trimkeep.service.web.door import Address, Doorkeeper, address_of
from trimkeep.service.web.refresh import Refresher
from trimkeep.service.web.sessions import SessionBook
from trimkeep.service.web.throttle import Throttle

# A browser's user waits less patiently than a command's.
PATIENCE_S = 10.0


@dataclass(frozen=True, slots=True)
class Site:
    """One fleet's pages, its accounts, and who is logged in."""

    store: Store
    fleet: FleetSettings
    address: Address
    book: AccountBook
    sessions: SessionBook
    door: Doorkeeper
    throttle: Throttle
    refresher: Refresher
    clock: Callable[[], datetime]

    def setting(self) -> Setting:
        """What every page needs to know of the fleet and of the moment."""
        return Setting(
            fleet_name=self.fleet.name,
            time_zone=self.fleet.time_zone,
            units="imperial" if self.fleet.units == "imperial" else "metric",
            now=self.clock(),
            metrics=metric_words(SPECS),
        )


def make_site(fleet: FleetSettings, clock: Callable[[], datetime]) -> Site:
    """A fleet ready to be served; nothing is started yet.

    Parameters
    ----------
    fleet : FleetSettings
    clock : callable
        Gives the moment, aware.

    Raises
    ------
    SettingsError
        What the settings ask for would not be safe; see `address_of`.
    StoreError
        See `open_store`.
    """
    address = address_of(fleet.settings.serve)
    store = open_store(fleet.state, patience_s=PATIENCE_S)
    book = AccountBook(fleet.state)
    sessions = SessionBook(fleet.settings.serve.session_hours)
    return Site(
        store=store,
        fleet=fleet,
        address=address,
        book=book,
        sessions=sessions,
        door=Doorkeeper(book, sessions),
        throttle=Throttle(),
        refresher=Refresher(store, fleet, clock, fleet.settings.serve.refresh_s),
        clock=clock,
    )
