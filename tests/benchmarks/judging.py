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

import numpy as np

from tests.benchmarks.judging_fleet import digest, first_season, pooled, together
from tests.benchmarks.judging_known import false_alarms, intervals_and_forecasts, power, weather
from tests.benchmarks.judging_paths import SEED, SETTINGS
from tests.benchmarks.judging_unknown import unknown_steps
from tests.detectors.history.builders import change, history
from trimkeep.detectors.history.fleet_model import fit_fleet_model
from trimkeep.detectors.history.judge import judge_airframe

PARTS = "false,power,verdicts,weather,unknown,digest,pooled,together,season,speed"


def speed() -> None:
    """All series of one airframe after a new flight, 500 flights of history."""
    rng = np.random.default_rng(SEED)
    series = [
        history(rng.normal(3.0, 0.3, 500), metric=f"metric_{k}_m", wind=rng.normal(5.0, 2.0, 500))
        for k in range(30)
    ]
    changes = [change(order) for order in range(50, 500, 45)]
    model = fit_fleet_model(series, changes)
    seconds = []
    for _ in range(21):
        started = time.process_time()
        judge_airframe(series, changes, model, SETTINGS, touched_from=499)
        seconds.append(time.process_time() - started)
    print(f"\n30 series of 500 flights and {len(changes)} changes after one new flight:"
          f" {1e3 * float(np.median(seconds)):.0f} ms of processor time"
          f" (median of {len(seconds)}).")  # fmt: skip


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
