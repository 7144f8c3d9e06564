"""How well the judge keeps its promise and how quick it is: `python -m tests.benchmarks.judging`.

Simulated series with the troubles of real ones (`judging_series`), looked at after every flight from
the third after the change to the sixtieth. The judge learns conditions, noise and memory from sixty
other airframes of thirty flights (eight such fleets to a cell) and takes its limits from the shipped
table; nothing is tuned on the scenario under test. Other methods stand beside it in the same run
(`judging_others`).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tests.benchmarks.judging_fleet import called, digest, first_season, pooled, together
from tests.benchmarks.judging_known import false_alarms, intervals_and_forecasts, power, weather
from tests.benchmarks.judging_paths import SEED, SETTINGS
from tests.benchmarks.judging_unknown import unknown_steps
from tests.detectors.history.builders import change, history
from trimkeep.detectors.history.comparisons import Memory
from trimkeep.detectors.history.fleet_model import fit_fleet_model
from trimkeep.detectors.history.judge import judge_part
from trimkeep.detectors.history.model import Series

PARTS = "false,power,verdicts,weather,unknown,digest,pooled,together,season,speed"


def speed() -> None:
    """All series of one airframe after a new flight, 500 flights of history: as a watcher judges it, which
    remembers what it worked out after the flight before, and as a command that has just been started."""
    print("\n| 30 series of 500 flights, ten changes | remembering, ms | from nothing, ms |\n|---|---|---|")
    for words, measured in (("wind and gusts, all measured", False), ("standard errors, gaps", True)):
        series = _long_history(measured)
        changes = [change(order) for order in range(50, 500, 45)]
        model = fit_fleet_model(_first(series, 480), changes)
        memory = Memory()
        seconds: dict[bool, list[float]] = {True: [], False: []}
        for flights in range(499, 521):
            seen = _first(series, flights)
            for remembers in (True, False):
                started = time.process_time()
                judge_part(
                    seen, changes, model, SETTINGS,
                    elsewhere={}, over_fleet=(), memory=memory if remembers else None,
                )  # fmt: skip
                seconds[remembers].append(time.process_time() - started)
        shown = [1e3 * float(np.median(seconds[remembers][1:])) for remembers in (True, False)]
        print(f"| {words} | {shown[0]:.0f} | {shown[1]:.0f} |", flush=True)


def _first(series: Sequence[Series], flights: int) -> list[Series]:
    return [replace(one, points=one.points[:flights]) for one in series]


def _long_history(gaps: bool) -> list[Series]:
    """As the store gives it: the conditions of a flight are one mapping for all metrics."""
    rng = np.random.default_rng(SEED)
    flown = 520
    wind, gusts = rng.normal(5.0, 2.0, flown), np.abs(rng.normal(0.2, 0.1, flown))
    missing = rng.random(flown) < (0.1 if gaps else 0.0)
    conditions = [
        {} if missing[k] else {"wind_mps": float(wind[k]), "gust_edr": float(gusts[k])} for k in range(flown)
    ]
    result = []
    for k in range(30):
        errors = rng.uniform(0.05, 0.2, flown) if gaps else None
        one = history(rng.normal(3.0, 0.3, flown), metric=f"metric_{k}_m", errors=errors)
        points = (replace(p, conditions=c) for p, c in zip(one.points, conditions, strict=True))
        result.append(replace(one, points=tuple(points)))
    return result


def main() -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=500, help="simulated series per cell")
    parser.add_argument("--others", type=int, default=0, help="series for the slow methods beside it")
    parser.add_argument("--parts", default=PARTS)
    options = parser.parse_args()
    count = options.series
    parts = {
        "false": lambda: false_alarms(count),
        "power": lambda: power(count, options.others),
        "verdicts": lambda: intervals_and_forecasts(count),
        "weather": lambda: weather(count),
        "unknown": lambda: unknown_steps(count),
        "digest": lambda: digest(max(count // 100, 3)),
        "called": lambda: called(max(count // 10, 3)),
        "pooled": lambda: pooled(max(count // 4, 50)),
        "together": lambda: together(max(count // 8, 50)),
        "season": lambda: first_season(max(count // 40, 10)),
        "speed": speed,
    }
    for name in options.parts.split(","):
        started = time.perf_counter()
        parts[name]()
        print(f"\n({name}: {time.perf_counter() - started:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
