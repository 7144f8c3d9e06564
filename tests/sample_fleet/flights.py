"""Flights for the tests of the sample fleet, each flown once."""

from __future__ import annotations

from functools import cache

import numpy as np

from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.faults import Fault
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import Plan, club_plan, survey_plan
from trimkeep.sample_fleet.world import Weather

LIGHT_AIR = Weather(wind_mps=2.0, gust_mps=0.1)


@cache
def flown(
    model: str = "medium_twin",
    faults: tuple[Fault, ...] = (),
    plan: Plan | str = "survey",
    weather: Weather = LIGHT_AIR,
    seed: int = 5,
    rate_hz: float = 50.0,
) -> Flown:
    """One flight; the same arguments give the same object."""
    rng = np.random.default_rng(seed)
    if isinstance(plan, str):
        plan = survey_plan(rng, 200.0) if plan == "survey" else club_plan(rng, 200.0)
    return fly(AIRFRAMES[model], defaults_for(AIRFRAMES[model]), plan, weather, faults, rng, rate_hz)
