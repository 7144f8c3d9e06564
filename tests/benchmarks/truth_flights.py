"""Flights with one planted fault for scoring: airframe sizes and log rates that nothing was tuned on.

The sizes lie between those of the sample fleet (each figure at the same share of the way in its
logarithm); the logs are 25 Hz as on board and 5 Hz as by a radio link, with jitter. Nothing is written or
read: readers have their own tests.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from tests.builders import recording_of
from trimkeep.config.airframe import AirframeCard
from trimkeep.config.channels import CONTROL_MODES
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Detector, Flight, Observation, Recording
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_all
from trimkeep.sample_fleet.airframes import AIRFRAMES, AirframeModel
from trimkeep.sample_fleet.autopilot import MODES, defaults_for
from trimkeep.sample_fleet.faults import Fault
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import survey_plan
from trimkeep.sample_fleet.table_columns import COLUMNS
from trimkeep.sample_fleet.world import Weather

RATES_HZ = (25.0, 5.0)
FLOWN_HZ = 50.0
USUAL_MINUTES = 4.0
JITTER = 0.1
"""Of a step, standard deviation."""
PARAMETERS = {"pitch_rate_max_dps": "PITCH_RATE_MAX", "roll_rate_max_dps": "ROLL_RATE_MAX"}
Figures = Mapping[tuple[str, str], Observation]


def between(share: float) -> AirframeModel:
    """A single-engined size at that share of the way from the small to the large one."""
    small, large = AIRFRAMES["small_single"], AIRFRAMES["large_single"]
    values: dict[str, float] = {}
    for one in fields(AirframeModel):
        low, high = getattr(small, one.name), getattr(large, one.name)
        if isinstance(low, float | int) and low != high:
            value = float(low) ** (1.0 - share) * float(high) ** share
            values[one.name] = round(value) if isinstance(low, int) else value
    return replace(small, id=f"between_{share:g}", description="between two sizes", **values)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Scored:
    """What was planted into one flight and what was said of it at one log rate."""

    model: str
    rate_hz: float
    kind: str
    truth: Mapping[str, float | str]
    figures: Figures


def fly_one(
    model: AirframeModel, faults: tuple[Fault, ...], rng: np.random.Generator, minutes: float
) -> Flown:
    """One survey flight of about so many minutes in the weather of an ordinary season."""
    weather = Weather(
        wind_mps=float(rng.uniform(0.5, 6.5)),
        wind_from_deg=float(rng.uniform(0.0, 360.0)),
        gust_mps=float(rng.uniform(0.05, 0.6)),
    )
    plan = survey_plan(rng, 60.0 * minutes + float(rng.uniform(-5.0, 15.0)))
    return fly(model, defaults_for(model), plan, weather, faults, rng, FLOWN_HZ)


def logged(flown: Flown, rate_hz: float, rng: np.random.Generator) -> Recording:
    """The flight's log: every channel at the rate, or at its own slower one, rounded to single floats."""
    channels = {}
    for name, column in COLUMNS.items():
        own_hz = min(rate_hz, column.rate_hz or rate_hz)
        rows = np.arange(
            int(rng.integers(0, round(FLOWN_HZ / own_hz))), flown.t_s.size, round(FLOWN_HZ / own_hz)
        )
        value = flown.signals[column.signal][rows]
        if np.isfinite(value).any():
            time_s = flown.t_s[rows] + JITTER / own_hz * rng.standard_normal(rows.size)
            channels[name] = (np.maximum.accumulate(np.maximum(time_s, 0.0)), value.astype(np.float32))
    words = {number: CONTROL_MODES.index(word) for word, number in MODES.items()}
    time_s, number = channels["mode_number"]
    channels["control_mode"] = (time_s, np.array([words[int(one)] for one in number], dtype=np.float64))
    settings = [(0.0, name, value) for name, value in flown.parameters.items()]
    return recording_of(channels, settings)  # type: ignore[arg-type]


def card_of(model: AirframeModel) -> AirframeCard:
    """The card its owner would have written."""
    return AirframeCard(
        id=model.id,
        span_m=model.span_m,
        mass_kg=model.mass_kg,
        limits={"stall_speed_mps": model.stall_mps},
        parameter_names=PARAMETERS,
        has_card=True,
    )


def flight_of(flown: Flown, model: AirframeModel, rate_hz: float, rng: np.random.Generator) -> Flight:
    """The flight as a detector sees it."""
    flight, *_ = split(logged(flown, rate_hz, rng), card_of(model))
    return flight


def scored(
    flown: Flown,
    model: AirframeModel,
    kind: str,
    rng: np.random.Generator,
    rates_hz: Sequence[float] = RATES_HZ,
    detectors: Sequence[Detector] = DETECTORS,
) -> list[Scored]:
    """The detectors on the flight at every log rate."""
    found = []
    for rate_hz in rates_hz:
        runs = run_all(flight_of(flown, model, rate_hz, rng), detectors)
        figures = {(one.metric, one.context): one for run in runs for one in run.observations}
        found.append(Scored(model.id, rate_hz, kind, flown.truth, figures))
    return found
