"""Build a fleet folder: fly every order, write its log, journal, cards, and the truth beside it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.cards import airframe_toml, channels_toml, fleet_toml
from trimkeep.sample_fleet.faults import Fault
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.identity import Circumstances
from trimkeep.sample_fleet.journal import journal_csv
from trimkeep.sample_fleet.plans import club_plan, survey_plan
from trimkeep.sample_fleet.scenario import PlantedFault, Scenario
from trimkeep.sample_fleet.season import FlightOrder, flight_orders
from trimkeep.sample_fleet.truth import TRUTH_FILE, FlightTruth, truth_of_fleet, write_truth
from trimkeep.sample_fleet.world import Weather
from trimkeep.sample_fleet.writers import write_log

FLEET_FOLDER = "fleet"
IN_THE_AIR = 2
# a log that starts in the air does so well after the launch, and ends before the approach is over
AFTER_TAKE_OFF_S, BEFORE_TOUCH_DOWN_S = 15.0, 10.0
AWAKE_S = (15.0, 60.0)
PLANS = {"survey": survey_plan, "club": club_plan}
PARAMETER_NAMES = {"pitch_rate_max_dps": "PITCH_RATE_MAX", "roll_rate_max_dps": "ROLL_RATE_MAX"}

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class BuiltFleet:
    """Where a fleet was put, and what is true of it."""

    folder: Path
    fleet: Path
    truth: Path
    flights: tuple[FlightTruth, ...]


def build_fleet(
    folder: Path,
    scenario: Scenario,
    *,
    seed: int,
    workers: int | None = None,
    progress: Progress | None = None,
) -> BuiltFleet:
    """Fly a scenario and put it on disk.

    Parameters
    ----------
    folder : Path
        Gets `fleet/` and `truth.json`; made when missing.
    scenario : Scenario
    seed : int
        Everything random comes from it; the same seed gives the same bytes with any number of workers.
    workers : int or None
        Processes; None: one per core. With 1 everything runs in this process.
    progress : callable, optional
        Called with flights done and flights in all.
    """
    fleet = folder / FLEET_FOLDER
    orders = flight_orders(scenario, seed)
    _prepare(fleet, scenario, orders)
    done: dict[tuple[str, int], FlightTruth] = {}
    for count, truth in enumerate(_fly_all(fleet, orders, workers or os.cpu_count() or 1), start=1):
        done[truth.order.identity.id, truth.order.number] = truth
        if progress is not None:
            progress(count, len(orders))
    flights = tuple(done[order.identity.id, order.number] for order in orders)
    truth_path = folder / TRUTH_FILE
    write_truth(truth_path, truth_of_fleet(scenario, seed, flights))
    return BuiltFleet(folder, fleet, truth_path, flights)


def _prepare(fleet: Path, scenario: Scenario, orders: Sequence[FlightOrder]) -> None:
    fleet.mkdir(parents=True, exist_ok=True)
    _write(fleet / "fleet.toml", fleet_toml(scenario.name, scenario.time_zone))
    for story in scenario.airframes:
        home = fleet / story.identity.id
        home.mkdir(exist_ok=True)
        mine = [order for order in orders if order.identity.id == story.identity.id]
        _write(home / "airframe.toml", airframe_toml(story.identity, PARAMETER_NAMES))
        _write(home / "journal.csv", journal_csv(scenario, story.works, mine))
        if story.style == "table_foreign":
            _write(home / "channels.toml", channels_toml())


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def _fly_all(fleet: Path, orders: Sequence[FlightOrder], workers: int) -> Iterator[FlightTruth]:
    if workers == 1:
        for order in orders:
            yield fly_order(fleet, order)
        return
    with ProcessPoolExecutor(workers) as pool:
        waiting = [pool.submit(fly_order, fleet, order) for order in orders]
        for future in as_completed(waiting):
            yield future.result()


def fly_order(fleet: Path, order: FlightOrder) -> FlightTruth:
    """Fly one order and write its log; the whole work of one worker."""
    flown = flown_order(order, _generator(order, 0))
    rng = _generator(order, 1)
    airborne = _airborne(flown)
    kept = _kept(flown, order, airborne)
    circumstances = Circumstances(
        switched_on_at=order.at,
        firmware=_version(order.firmware),
        awake_s=order.log.get("awake_s", float(rng.uniform(*AWAKE_S))),
        clock_error_s=order.log.get("clock_error_s", 0.0),
        keep=kept,
        garbage_spots=int(order.log.get("garbage_spots", 0)),
        cut_bytes=int(order.log.get("cut_bytes", 0)),
    )
    path = fleet / order.identity.id / order.file
    write_log(path, flown, order.identity, circumstances, order.style, rng)
    return FlightTruth(order, float(flown.t_s[-1]), airborne, kept, dict(flown.truth))


def flown_order(order: FlightOrder, rng: np.random.Generator) -> Flown:
    """The flight itself, without any log of it."""
    model = AIRFRAMES[order.identity.model]
    plan = PLANS[order.plan](rng, order.seconds)
    weather = Weather(
        wind_mps=order.air.wind_mps,
        wind_from_deg=order.air.wind_from_deg,
        gust_mps=order.air.gust_mps,
        temperature_c=order.air.temperature_c,
        pressure_hpa=order.air.pressure_hpa,
    )
    faults = tuple(_as_fault(fault) for fault in order.faults)
    return fly(model, defaults_for(model), plan, weather, faults, rng, order.rate_hz)


def _generator(order: FlightOrder, which: int) -> np.random.Generator:
    # `SeedSequence.spawn` counts its calls; a key of its own makes every repetition the same
    key = (*order.seed.spawn_key, which)
    return np.random.default_rng(np.random.SeedSequence(order.seed.entropy, spawn_key=key))


def _as_fault(fault: PlantedFault) -> Fault:
    return Fault(fault.kind, fault.size, loop=fault.loop, hidden=fault.hidden, bump=fault.bump)


def _airborne(flown: Flown) -> tuple[float, float]:
    aloft = flown.t_s[np.rint(flown.signals["landed"]) == IN_THE_AIR]
    return (float(aloft[0]), float(aloft[-1])) if aloft.size else (np.nan, np.nan)


def _kept(flown: Flown, order: FlightOrder, airborne: tuple[float, float]) -> tuple[float, float]:
    first, last = float(flown.t_s[0]), float(flown.t_s[-1])
    if order.log.get("starts_in_air"):
        first = airborne[0] + AFTER_TAKE_OFF_S
    if order.log.get("ends_in_air"):
        last = airborne[1] - BEFORE_TOUCH_DOWN_S
    # what the sender lets wait behind the last sample belongs to it
    return first, last + 1.0 / flown.rate_hz


def _version(text: str) -> tuple[int, int, int]:
    major, minor, patch = (int(part) for part in text.split("."))
    return major, minor, patch
