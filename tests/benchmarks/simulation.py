"""How many times faster than real time the sample fleet flies, truth included, log writing not.

`python -m tests.benchmarks.simulation` flies survey and club plans with all three models at 50 Hz, one core,
and prints the median. The bar is 300 times real time.
"""

from __future__ import annotations

import time

import numpy as np

from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.faults import Fault
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import club_plan, survey_plan
from trimkeep.sample_fleet.world import Weather

FLIGHTS = 12


def times_real_time(number: int, clock: str) -> float:
    """Seconds flown per second of this process, for one flight."""
    rng = np.random.default_rng(number)
    model = list(AIRFRAMES.values())[number % len(AIRFRAMES)]
    plan = (survey_plan if number % 2 else club_plan)(rng, 240.0)
    faults = (Fault("elevator_play", 0.03),) if number % 4 else ()
    read = time.perf_counter if clock == "wall" else time.process_time
    begin = read()
    flown = fly(model, defaults_for(model), plan, Weather(gust_mps=0.4), faults, rng)
    return float(flown.t_s[-1]) / (read() - begin)


def main() -> None:
    """Print the medians."""
    times_real_time(0, "wall")  # imports and first loading
    for clock in ("wall", "cpu"):
        rates = [times_real_time(number, clock) for number in range(FLIGHTS)]
        middle, least = np.median(rates), min(rates)
        print(f"{clock}: median {middle:.0f} times real time (least {least:.0f}), {FLIGHTS} flights")


if __name__ == "__main__":
    main()
