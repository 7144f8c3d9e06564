"""A scenario turned into orders: which flight is flown when, in what air, with what wrong, into which file.

Each flight has its own child of the seed, so it comes out the same whoever flies it and in whatever order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from trimkeep.sample_fleet.identity import Identity
from trimkeep.sample_fleet.scenario import AirframeStory, PlantedFault, Scenario, Weeks
from trimkeep.sample_fleet.writers import has_real_habits, suffix_of

# share of the logs with real habits that begin, or end, in the air
STARTS_IN_AIR, ENDS_IN_AIR = 0.25, 0.2
# flying hours, local time; work that is entered with a time is done before
FIRST_HOUR, LAST_HOUR = 10.0, 16.0
# lows and highs as they pass over a field a hundred metres above the sea
FIELD_PRESSURE_HPA = (992.0, 1012.0)


@dataclass(frozen=True, slots=True)
class Air:
    """Weather of one flight: mean wind, where it comes from, vertical gusts (sigma), the field's air."""

    wind_mps: float
    wind_from_deg: float
    gust_mps: float
    temperature_c: float
    pressure_hpa: float


@dataclass(frozen=True, slots=True)
class FlightOrder:
    """One flight to be flown and written.

    Parameters
    ----------
    identity : Identity
    number : int
        1-based within the airframe.
    file : str
        Name of the log inside the airframe's folder.
    style : str
    at : datetime
        Aware UTC, switch-on.
    firmware : str
    seconds : float
        Planned length.
    rate_hz : float
    air : Air
    plan : str
        `survey` or `club`.
    faults : tuple of PlantedFault
        With the size they have on that flight.
    log : mapping of str to float
        Mishaps of the log (see `scenario.Mishap`).
    seed : SeedSequence
    """

    identity: Identity
    number: int
    file: str
    style: str
    at: datetime
    firmware: str
    seconds: float
    rate_hz: float
    air: Air
    plan: str
    faults: tuple[PlantedFault, ...]
    log: Mapping[str, float]
    seed: np.random.SeedSequence = field(repr=False)


def flight_orders(scenario: Scenario, seed: int) -> tuple[FlightOrder, ...]:
    """Every flight of the season, airframe by airframe, oldest first."""
    root = np.random.SeedSequence(seed)
    days_seed, *airframe_seeds = root.spawn(1 + len(scenario.airframes))
    weather = _season_weather(scenario, np.random.default_rng(days_seed))
    orders: list[FlightOrder] = []
    for story, airframe_seed in zip(scenario.airframes, airframe_seeds, strict=True):
        orders.extend(_orders_of(scenario, story, weather, airframe_seed))
    return tuple(orders)


def _season_weather(scenario: Scenario, rng: np.random.Generator) -> tuple[Air, ...]:
    """One weather per day of the season; the whole fleet shares it."""
    return tuple(_day(weeks, rng) for weeks in scenario.weeks for _ in range(7 * weeks.count))


def _day(weeks: Weeks, rng: np.random.Generator) -> Air:
    return Air(
        wind_mps=float(rng.uniform(*weeks.wind_mps)),
        wind_from_deg=float(rng.uniform(0.0, 360.0)),
        gust_mps=float(rng.uniform(*weeks.gust_mps)),
        temperature_c=float(rng.uniform(*weeks.temperature_c)),
        pressure_hpa=float(rng.uniform(*FIELD_PRESSURE_HPA)),
    )


def _orders_of(
    scenario: Scenario, story: AirframeStory, weather: tuple[Air, ...], seed: np.random.SeedSequence
) -> list[FlightOrder]:
    calendar_seed, *flight_seeds = seed.spawn(1 + story.flights)
    rng = np.random.default_rng(calendar_seed)
    days = flying_days(story.flights, scenario.n_days, rng)
    orders = []
    for number, (day, flight_seed) in enumerate(zip(days, flight_seeds, strict=True), start=1):
        at = _instant(scenario, day, float(rng.uniform(FIRST_HOUR, LAST_HOUR)))
        style = next((m.style for m in story.mishaps if m.flight == number and m.style), story.style)
        orders.append(
            FlightOrder(
                identity=story.identity,
                number=number,
                file=f"{at:%Y-%m-%d_%H%M}{suffix_of(style)}",
                style=style,
                at=at,
                firmware=firmware_on(story, number),
                seconds=float(rng.uniform(*scenario.flight_seconds)),
                rate_hz=scenario.rate_hz,
                air=_hour(weather[day], rng),
                plan=story.plan,
                faults=faults_on(story, number),
                log=_log_mishaps(story, number, style, rng),
                seed=flight_seed,
            )
        )
    return orders


def flying_days(flights: int, n_days: int, rng: np.random.Generator) -> tuple[int, ...]:
    """Days of the season (0-based, strictly rising) on which an airframe flies.

    Raises
    ------
    ValueError
        More flights than days.
    """
    if flights > n_days:
        raise ValueError(f"{flights} flights do not fit into {n_days} days")
    spacing = n_days / flights
    wished = (np.arange(flights) + 0.5 + rng.uniform(-0.4, 0.4, flights)) * spacing
    days = np.floor(wished).astype(int)
    # from behind and from the front, so that every flight has a day of its own inside the season
    days = np.maximum.accumulate(days - np.arange(flights)) + np.arange(flights)
    last = n_days - 1 - np.arange(flights)[::-1]
    return tuple(int(day) for day in np.minimum(days, last))


def _instant(scenario: Scenario, day: int, hour: float) -> datetime:
    midnight = datetime.combine(day_of(scenario, day), time(), ZoneInfo(scenario.time_zone))
    return (midnight + timedelta(minutes=round(hour * 60.0))).astimezone(UTC)


def day_of(scenario: Scenario, day: int) -> date:
    """Date of a day of the season."""
    return scenario.first_day + timedelta(days=day)


def _hour(day: Air, rng: np.random.Generator) -> Air:
    """The day's weather as one flight meets it."""
    return Air(
        wind_mps=day.wind_mps * float(rng.uniform(0.85, 1.15)),
        wind_from_deg=(day.wind_from_deg + float(rng.uniform(-20.0, 20.0))) % 360.0,
        gust_mps=day.gust_mps * float(rng.uniform(0.9, 1.1)),
        temperature_c=day.temperature_c + float(rng.uniform(-1.5, 1.5)),
        pressure_hpa=day.pressure_hpa + float(rng.uniform(-1.0, 1.0)),
    )


def firmware_on(story: AirframeStory, number: int) -> str:
    """Firmware version with which a flight is flown."""
    version = story.firmware
    for work in story.works:
        if work.before_flight <= number and work.firmware:
            version = work.firmware
    return version


def faults_on(story: AirframeStory, number: int) -> tuple[PlantedFault, ...]:
    """Faults of a flight with the size they have grown to; a later one of a kind replaces the earlier."""
    found: dict[str, PlantedFault] = {}
    spans = [(1, fault) for fault in story.begins]
    spans += [(work.before_flight, fault) for work in story.works for fault in work.begins]
    for first, fault in spans:
        last = _last_flight_with(story, fault.kind, first)
        if first <= number <= last:
            found[fault.kind] = replace(fault, size=_size(fault, first, last, number), size_at_end=None)
    for mishap in story.mishaps:
        if mishap.flight == number:
            found |= {fault.kind: fault for fault in mishap.begins}
    return tuple(found.values())


def _last_flight_with(story: AirframeStory, kind: str, first: int) -> int:
    ends = [work.before_flight for work in story.works if kind in work.ends and work.before_flight > first]
    return min(ends) - 1 if ends else story.flights


def _size(fault: PlantedFault, first: int, last: int, number: int) -> float:
    if fault.size_at_end is None or last == first:
        return fault.size
    return fault.size + (fault.size_at_end - fault.size) * (number - first) / (last - first)


def _log_mishaps(story: AirframeStory, number: int, style: str, rng: np.random.Generator) -> dict[str, float]:
    starts, ends = rng.random() < STARTS_IN_AIR, rng.random() < ENDS_IN_AIR
    log: dict[str, float] = {}
    planted = [mishap for mishap in story.mishaps if mishap.flight == number]
    # what is planted for the ground must reach the file
    if has_real_habits(style) and not any(mishap.begins for mishap in planted):
        log |= {"starts_in_air": 1.0} if starts else {}
        log |= {"ends_in_air": 1.0} if ends else {}
    for mishap in planted:
        log |= mishap.log
    return log
