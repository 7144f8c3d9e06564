"""Which digests are owed, and making them: once for each period, also after a pause."""

from __future__ import annotations

import logging
import threading
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from trimkeep.config.errors import TrimkeepError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.digest import PERIODS, make_digest
from trimkeep.service.schedule import Schedule, latest_due
from trimkeep.service.store.connection import Store
from trimkeep.service.store.digests import last_made_at, made_until, period_ends
from trimkeep.service.store.flights import load_flights
from trimkeep.service.store.logs import flights_stored_since

log = logging.getLogger(__name__)

AFTER_FLIGHTS = "after_flights"


class DigestKeeper:
    """Makes what is due; the store knows what was made, so a restart forgets nothing.

    One digest at a time: the scheduler's thread and the watcher's may both ask.
    """

    def __init__(self, store: Store, fleet: FleetSettings, schedules: Sequence[Schedule]) -> None:
        self.store = store
        self.fleet = fleet
        self.schedules = tuple(schedules)
        self.lock = threading.Lock()

    def make_due(self, now: datetime) -> tuple[Path, ...]:
        """Make the newest missing digest of every schedule.

        A schedule without any digest yet starts with its next moment after the first flight; so an
        empty fleet makes none.
        """
        with self.lock:
            made: list[Path] = []
            for schedule in self.schedules:
                since = made_until(self.store, schedule.name, now) or self._first_flight()
                due = latest_due(schedule, since, now) if since is not None else None
                if due is not None and due not in period_ends(self.store, schedule.name):
                    made.extend(self._make(schedule.name, due, now))
            return tuple(made)

    def after_flights(self, new: int, now: datetime) -> tuple[Path, ...]:
        """Make a digest when as many flights as the settings name are not in one yet."""
        wanted = self.fleet.settings.digest.after_flights
        if wanted <= 0 or new <= 0:
            return ()
        with self.lock:
            since = last_made_at(self.store, AFTER_FLIGHTS, now)
            flights = flights_stored_since(self.store, since)
            return self._make(AFTER_FLIGHTS, now, now) if flights >= wanted else ()

    def _first_flight(self) -> datetime | None:
        return min((flight.at for flight in load_flights(self.store)), default=None)

    def _make(self, name: str, end: datetime, now: datetime) -> tuple[Path, ...]:
        start = end - PERIODS.get(name, PERIODS["weekly"])
        before = made_until(self.store, name, now)
        try:
            made = make_digest(
                self.store,
                self.fleet,
                now,
                # A pause of the service is covered: the period begins where the last one ended.
                period_start=min(start, before) if before is not None else start,
                period_end=end,
                schedule=name,
            )
        except TrimkeepError as error:
            # The next wake tries again; a digest that failed must not stop the reading of logs.
            log.warning("%s", error)
            return ()
        return (made.path,)
