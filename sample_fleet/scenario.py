"""A fleet's season as typed data, and its loading from a scenario file (TOML, a format of our own).

A scenario says who flies what, when, in which weather, in which log style, and what is done to each
airframe or goes wrong with it. It holds no flight data.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.faults import FAULT_KINDS
from trimkeep.sample_fleet.identity import Identity, ServoOutput
from trimkeep.sample_fleet.writers import LOG_STYLES

SHIPPED = Path(__file__).with_name("scenario.toml")


class ScenarioError(ValueError):
    """A scenario file that contradicts itself; says where."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the maintenance journal; the day is set by the flight before which it was done."""

    kind: str
    part: str
    before: str = ""
    after: str = ""
    note: str = ""
    at: str = ""
    """Time of day `HH:MM`; empty: only the day is written."""


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """A cause and its size; `size_at_end` makes it grow evenly until the last flight that has it.

    `loop`, `hidden` and `bump` are those of `faults.Fault`.
    """

    kind: str
    size: float
    size_at_end: float | None = None
    loop: str = "pitch"
    hidden: bool = False
    bump: bool = False


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a judge with enough flights should say.

    Parameters
    ----------
    family, verdict, cause : str
        Words of the project's machine-readable findings.
    kind : str
        `known_change`, `unexplained_step`, `drift` or `condition_of_flight`.
    """

    family: str
    verdict: str
    kind: str = "known_change"
    cause: str = ""


@dataclass(frozen=True, slots=True)
class Work:
    """Everything that becomes different before one flight.

    Parameters
    ----------
    before_flight : int
        1-based number of the first flight that has it.
    journal : tuple of Entry
        What was written down; empty: nobody wrote anything.
    firmware : str
        Version from then on; empty: as before.
    begins : tuple of PlantedFault
    ends : tuple of str
        Kinds of faults that are gone from then on.
    expect : tuple of Expectation
    """

    before_flight: int
    journal: tuple[Entry, ...] = ()
    firmware: str = ""
    begins: tuple[PlantedFault, ...] = ()
    ends: tuple[str, ...] = ()
    expect: tuple[Expectation, ...] = ()


@dataclass(frozen=True, slots=True)
class Mishap:
    """What one flight alone has: a fault, or something that happened to its log.

    `log` holds fields of `Circumstances` as plain numbers (`clock_error_s`, `cut_bytes`,
    `garbage_spots`, `awake_s`) or `starts_in_air`, `ends_in_air` as 1; `style` replaces the log style.
    """

    flight: int
    begins: tuple[PlantedFault, ...] = ()
    log: Mapping[str, float] = field(default_factory=dict)
    style: str = ""
    expect: tuple[Expectation, ...] = ()


@dataclass(frozen=True, slots=True)
class AirframeStory:
    """One airframe's season; `plan` is the kind of flight it makes (`survey` or `club`)."""

    identity: Identity
    flights: int
    style: str
    firmware: str
    plan: str = "survey"
    begins: tuple[PlantedFault, ...] = ()
    works: tuple[Work, ...] = ()
    mishaps: tuple[Mishap, ...] = ()
    expect: tuple[Expectation, ...] = ()


@dataclass(frozen=True, slots=True)
class Weeks:
    """Weather of some weeks: ranges from which each flying day draws; gusts by their vertical sigma."""

    count: int
    wind_mps: tuple[float, float]
    gust_mps: tuple[float, float]
    temperature_c: tuple[float, float]


@dataclass(frozen=True, slots=True)
class FleetExpectation:
    """What should be said of one update over all airframes that flew it and changed nothing else."""

    firmware: str
    airframes: tuple[str, ...]
    family: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Scenario:
    """A fleet and its season.

    Parameters
    ----------
    name, time_zone : str
    first_day : date
    flight_seconds : tuple of float
        Shortest and longest planned flight.
    rate_hz : float
        Rate at which flights are recorded before any log thins them.
    weeks : tuple of Weeks
    airframes : tuple of AirframeStory
    people : tuple of str
        Who signs the journal.
    fleet_expect : tuple of FleetExpectation
    """

    name: str
    time_zone: str
    first_day: date
    flight_seconds: tuple[float, float]
    rate_hz: float
    weeks: tuple[Weeks, ...]
    airframes: tuple[AirframeStory, ...]
    people: tuple[str, ...] = ("R. Vale", "M. Orchard")
    fleet_expect: tuple[FleetExpectation, ...] = ()

    @property
    def n_flights(self) -> int:
        """Flights of the whole fleet."""
        return sum(story.flights for story in self.airframes)

    @property
    def n_days(self) -> int:
        """Length of the season."""
        return 7 * sum(weeks.count for weeks in self.weeks)


def load_scenario(path: Path = SHIPPED) -> Scenario:
    """Read a scenario file.

    Raises
    ------
    ScenarioError
        An unknown key, an unknown style, or a flight number outside the season.
    """
    with path.open("rb") as file:
        data = tomllib.load(file)
    kinds = data.pop("kinds")
    airframes = tuple(_story(entry, kinds) for entry in data.pop("airframes"))
    weeks = tuple(_build(Weeks, entry, "weeks") for entry in data.pop("weeks"))
    expect = tuple(_build(FleetExpectation, entry, "fleet_expect") for entry in data.pop("fleet_expect", []))
    scenario = _build(
        Scenario, {**data, "weeks": weeks, "airframes": airframes, "fleet_expect": expect}, path.name
    )
    _check(scenario)
    return scenario


def _build(cls: type[Any], entry: Mapping[str, Any], where: str) -> Any:
    """A frozen dataclass from a table; lists become tuples."""
    values = {key: tuple(value) if isinstance(value, list) else value for key, value in entry.items()}
    try:
        return cls(**values)
    except TypeError as error:
        raise ScenarioError(f"{where}: {error}") from error


def _story(entry: Mapping[str, Any], kinds: Mapping[str, Mapping[str, Any]]) -> AirframeStory:
    entry = dict(entry)
    where = str(entry.get("id"))
    story_keys = ("flights", "style", "firmware", "plan")
    story = {key: entry.pop(key) for key in story_keys if key in entry}
    works = tuple(_work(work, where) for work in entry.pop("work", []))
    mishaps = tuple(_mishap(mishap, where) for mishap in entry.pop("mishap", []))
    begins = _faults(entry.pop("begins", []), where)
    expect = _expectations(entry.pop("expect", []), where)
    kind = kinds.get(str(entry.get("model")))
    if kind is None:
        raise ScenarioError(f"{where}: there is no kind {entry.get('model')}")
    identity = {**measures_of(str(entry["model"])), **kind, **entry}
    identity["outputs"] = tuple(_build(ServoOutput, output, where) for output in identity["outputs"])
    story |= {"works": works, "mishaps": mishaps, "begins": begins, "expect": expect}
    story["identity"] = _build(Identity, identity, where)
    built: AirframeStory = _build(AirframeStory, story, where)
    return built


def measures_of(model: str) -> dict[str, float | int]:
    """What the identity card takes from the flight model: sizes, stall, and limits as set by default."""
    airframe = AIRFRAMES[model]
    settings = defaults_for(airframe)
    return {
        "span_m": airframe.span_m,
        "mass_kg": airframe.mass_kg,
        "motors": airframe.motors,
        "cells": airframe.cells,
        "stall_speed_mps": round(airframe.stall_mps, 1),
        "pitch_rate_max_dps": settings.pitch_rate_max,
        "roll_rate_max_dps": settings.roll_rate_max,
    }


def _faults(entries: list[Mapping[str, Any]], where: str) -> tuple[PlantedFault, ...]:
    return tuple(_build(PlantedFault, entry, where) for entry in entries)


def _expectations(entries: list[Mapping[str, Any]], where: str) -> tuple[Expectation, ...]:
    return tuple(_build(Expectation, entry, where) for entry in entries)


def _work(entry: Mapping[str, Any], where: str) -> Work:
    values = dict(entry)
    values["journal"] = tuple(_build(Entry, line, where) for line in values.get("journal", []))
    values["begins"] = _faults(values.get("begins", []), where)
    values["expect"] = _expectations(values.get("expect", []), where)
    work: Work = _build(Work, values, where)
    return work


def _mishap(entry: Mapping[str, Any], where: str) -> Mishap:
    values = dict(entry)
    values["begins"] = _faults(values.get("begins", []), where)
    values["expect"] = _expectations(values.get("expect", []), where)
    mishap: Mishap = _build(Mishap, values, where)
    return mishap


def _check(scenario: Scenario) -> None:
    for story in scenario.airframes:
        where = story.identity.id
        styles = {story.style, *(mishap.style for mishap in story.mishaps if mishap.style)}
        if not styles <= set(LOG_STYLES):
            raise ScenarioError(f"{where}: no log style {sorted(styles - set(LOG_STYLES))}")
        numbers = [work.before_flight for work in story.works]
        numbers += [mishap.flight for mishap in story.mishaps]
        if any(not 1 <= number <= story.flights for number in numbers):
            raise ScenarioError(f"{where}: a flight number outside 1..{story.flights}")
        planted = [
            *story.begins,
            *(fault for work in story.works for fault in work.begins),
            *(fault for mishap in story.mishaps for fault in mishap.begins),
        ]
        unknown = {fault.kind for fault in planted} - set(FAULT_KINDS)
        if unknown:
            raise ScenarioError(f"{where}: no fault {sorted(unknown)}")
    ids = [story.identity.id for story in scenario.airframes]
    if len(set(ids)) != len(ids):
        raise ScenarioError("two airframes have one id")
