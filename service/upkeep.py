"""What is due: inspections by flights, hours and calendar, and the lives of components."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Literal

from trimkeep.config.maintenance import MaintenanceSettings
from trimkeep.config.settings import FleetSettings
from trimkeep.service.components import Component, components
from trimkeep.service.journal import effective_at
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import PlacedFlight, load_flights
from trimkeep.service.store.journal import JournalRow, load_journal

Unit = Literal["flights", "hours", "days"]
UNITS: tuple[Unit, ...] = ("flights", "hours", "days")


class Standing(StrEnum):
    """How an item stands."""

    OVERDUE = "overdue"
    SOON = "soon"
    FINE = "fine"


@dataclass(frozen=True, slots=True)
class UpkeepItem:
    """One interval of an airframe, or one life of a component.

    Parameters
    ----------
    airframe : str
        Where it is due; for a component, where it is fitted now, empty when nowhere.
    name : str
        As in the settings.
    component : str
        The component's own text; empty for an interval.
    unit : str
        flights, hours (airborne) or days.
    used, limit : float
        In the unit. What was flown without a log is not in it.
    since : datetime or None
        The last time it was done, or the component first fitted; None when it was never done, and
        everything known is counted.
    row : int or None
        That entry, for an interval.
    standing : Standing
    """

    airframe: str
    name: str
    component: str
    unit: Unit
    used: float
    limit: float
    since: datetime | None
    row: int | None
    standing: Standing

    @property
    def left(self) -> float:
        """What is left, negative when overdue."""
        return self.limit - self.used


def upkeep(store: Store, fleet: FleetSettings, now: datetime) -> tuple[UpkeepItem, ...]:
    """Every interval and life of the fleet, the most urgent first."""
    flights: dict[str, list[PlacedFlight]] = {}
    for flight in load_flights(store):
        flights.setdefault(flight.airframe, []).append(flight)
    journal = [row for row in load_journal(store) if row.standing == "current"]
    settings = fleet.settings.maintenance
    items = [
        *_intervals(flights, journal, settings, fleet.time_zone, now),
        *_lives(flights, components(journal, fleet.time_zone), settings, now),
    ]
    items.sort(key=lambda item: (-item.used / item.limit, item.airframe, item.name, item.unit))
    return tuple(items)


def _intervals(
    flights: Mapping[str, Sequence[PlacedFlight]],
    journal: Sequence[JournalRow],
    settings: MaintenanceSettings,
    time_zone: str,
    now: datetime,
) -> Iterator[UpkeepItem]:
    limits = {
        "flights": settings.interval_flights,
        "hours": settings.interval_hours,
        "days": settings.interval_days,
    }
    names = sorted({name for limit in limits.values() for name in limit})
    for airframe in sorted({*flights, *(row.airframe for row in journal)}):
        flown = flights.get(airframe, ())
        for name in names:
            # A date ahead of now is a slip of the pen, and would put the work off for ever.
            done = [
                (effective_at(row.done_at, time_zone), row.seq)
                for row in journal
                if row.airframe == airframe
                and _is_named(row.kind, row.part, name)
                and effective_at(row.done_at, time_zone) <= now
            ]
            since, row = max(done, default=(None, None))
            used = _usage(flown, since, None)
            began = since or (flown[0].at if flown else None)
            days = (now - began) / timedelta(days=1) if began is not None else 0.0
            amounts = {"flights": used.flights, "hours": used.hours, "days": days}
            for unit in UNITS:
                if name in limits[unit]:
                    limit = limits[unit][name]
                    standing = _standing(amounts[unit], limit, settings)
                    yield UpkeepItem(airframe, name, "", unit, amounts[unit], limit, since, row, standing)


def _lives(
    flights: Mapping[str, Sequence[PlacedFlight]],
    known: Sequence[Component],
    settings: MaintenanceSettings,
    now: datetime,
) -> Iterator[UpkeepItem]:
    limits = {
        "flights": settings.life_flights,
        "hours": settings.life_hours,
        "days": settings.life_days,
    }
    names = sorted({name for limit in limits.values() for name in limit})
    for component in known:
        own = [name for name in names if _is_named(component.kind, component.part, name)]
        if not own:
            continue
        used, began = _Usage(0.0, 0.0), None
        for stay in component.fittings:
            flown = flights.get(stay.airframe, ())
            more = _usage(flown, stay.since, stay.until)
            used = _Usage(used.flights + more.flights, used.hours + more.hours)
            first = stay.since or (flown[0].at if flown else None)
            began = min(filter(None, (began, first)), default=None)
        days = max((now - began) / timedelta(days=1), 0.0) if began is not None else 0.0
        amounts = {"flights": used.flights, "hours": used.hours, "days": days}
        for name in own:
            for unit in UNITS:
                if name in limits[unit]:
                    limit = limits[unit][name]
                    yield UpkeepItem(
                        component.airframe or "",
                        name,
                        component.name,
                        unit,
                        amounts[unit],
                        limit,
                        began,
                        None,
                        _standing(amounts[unit], limit, settings),
                    )


def _is_named(kind: str, part: str, name: str) -> bool:
    plain = name.casefold()
    return plain in (kind, kind.replace("_", " "), part.casefold())


@dataclass(frozen=True, slots=True)
class _Usage:
    flights: float
    hours: float


def _usage(flights: Sequence[PlacedFlight], since: datetime | None, until: datetime | None) -> _Usage:
    counted = [
        flight
        for flight in flights
        if (since is None or flight.at >= since) and (until is None or flight.at < until)
    ]
    return _Usage(float(len(counted)), sum(flight.main.seconds for flight in counted) / 3600.0)


def _standing(used: float, limit: float, settings: MaintenanceSettings) -> Standing:
    if used >= limit:
        return Standing.OVERDUE
    return Standing.SOON if used >= settings.warn_share * limit else Standing.FINE
