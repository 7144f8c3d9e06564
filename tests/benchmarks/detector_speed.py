"""Seconds per flight hour of all detectors together at 50 Hz, each one's share, on one core.

`python -m tests.benchmarks.detector_speed` from the top folder. Medians of repeated runs on an hour made
by arithmetic, every channel at 50 Hz; the machine is named because the figures are absolute.
"""

from __future__ import annotations

import os
import platform
import time
from statistics import median

# One core means one thread for matrix products too; read when numpy is first imported.
os.environ["OPENBLAS_NUM_THREADS"] = "1"

from tests.builders import CARD, Flying, Leg, flown
from trimkeep.detectors.flights import split
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_one

CIRCUIT = (
    Leg(95, "mission"),
    Leg(25, "mission", bank_deg=25.0),
    Leg(95, "altitude_hold"),
    Leg(25, "rate", bank_deg=-25.0),
)
RUNS = 5


def _seconds(work: object, *arguments: object) -> float:
    taken = []
    for _ in range(RUNS):
        begin = time.process_time()
        work(*arguments)  # type: ignore[operator]
        taken.append(time.process_time() - begin)
    return median(taken)


def main() -> None:
    """Print the table."""
    log = flown(CIRCUIT * 15, Flying(rate_hz=50.0, wind_north_mps=4.0, noise=0.4))
    (flight,) = split(log, CARD)
    hours = flight.seconds / 3600.0
    figures = {"(flights and segments)": _seconds(split, log, CARD) / hours}
    for detector in DETECTORS:
        figures[detector.spec.id] = _seconds(run_one, flight, detector) / hours
    total = sum(figures.values())
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}")
    print("| step | s per flight hour at 50 Hz | share |\n|---|---:|---:|")
    for name, seconds in sorted(figures.items(), key=lambda item: -item[1]):
        print(f"| {name} | {seconds:.4f} | {seconds / total:.0%} |")
    print(f"| all | {total:.4f} | |")


if __name__ == "__main__":
    main()
