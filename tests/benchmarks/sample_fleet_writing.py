"""How many times faster than real time flights are flown and written, truth and log included.

`python -m tests.benchmarks.sample_fleet_writing` flies the same orders of the shipped scenario in every
log style on one core, each pair of flying alone and flying with writing measured side by side, and prints
medians. The bar is 150 times real time, log included.
"""

from __future__ import annotations

import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from trimkeep.sample_fleet.make import flown_order, fly_order
from trimkeep.sample_fleet.scenario import load_scenario
from trimkeep.sample_fleet.season import FlightOrder, flight_orders
from trimkeep.sample_fleet.writers import LOG_STYLES, suffix_of

FLIGHTS = 5


def pair(folder: Path, order: FlightOrder) -> tuple[float, float]:
    """Times real time of flying alone, and of flying and writing; processor time of this process."""
    begun = time.process_time()
    flown = flown_order(order, np.random.default_rng(1))
    alone = float(flown.t_s[-1]) / (time.process_time() - begun)
    begun = time.process_time()
    truth = fly_order(folder, order)
    return alone, truth.seconds / (time.process_time() - begun)


def main() -> None:
    """Print the medians."""
    orders = [order for order in flight_orders(load_scenario(), seed=3) if order.number <= FLIGHTS]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / orders[0].identity.id).mkdir()
        pair(folder, orders[0])  # imports and first loading
        for style in LOG_STYLES:
            mine = [
                replace(order, style=style, file=f"{order.number}{suffix_of(style)}")
                for order in orders[:FLIGHTS]
            ]
            rates = np.median([pair(folder, order) for order in mine], axis=0)
            print(f"{style:20s} flying {rates[0]:5.0f}, with log {rates[1]:5.0f} times real time")


if __name__ == "__main__":
    main()
