"""Seconds per flight hour of all detectors together at 50 Hz, each one's share, on one core.

`python -m tests.benchmarks.detector_speed` from the top folder. Medians of repeated runs on an hour made
by arithmetic, every channel at 50 Hz; the machine is named because the figures are absolute. Detectors share
what they need of a flight, so each run begins with a recording of which nothing has been worked out yet, and
what is shared counts with the first detector that asks for it.
"""

from __future__ import annotations

import os
import platform
import time
from dataclasses import replace
from statistics import median

# One core means one thread for matrix products too; read when numpy is first imported.
os.environ["OPENBLAS_NUM_THREADS"] = "1"

from tests.builders import CARD, Flying, Leg, flown
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Channel, Recording
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_one

CIRCUIT = (
    Leg(95, "mission"),
    Leg(25, "mission", bank_deg=25.0),
    Leg(95, "altitude_hold"),
    Leg(25, "rate", bank_deg=-25.0),
)
RUNS = 9


def _untouched(log: Recording) -> Recording:
    """The same samples, with nothing kept of them."""
    return replace(log, channels={name: Channel(one.time_s, one.value) for name, one in log.channels.items()})


def _once(log: Recording) -> dict[str, float]:
    """Seconds per flight hour of each step."""
    log = _untouched(log)
    begin = time.process_time()
    (flight,) = split(log, CARD)
    taken = {"(flights and segments)": time.process_time() - begin}
    for detector in DETECTORS:
        begin = time.process_time()
        run_one(flight, detector)
        taken[detector.spec.id] = time.process_time() - begin
    return {name: seconds * 3600.0 / flight.seconds for name, seconds in taken.items()}


def main() -> None:
    """Print the table."""
    log = flown(CIRCUIT * 15, Flying(rate_hz=50.0, wind_north_mps=4.0, noise=0.4))
    _once(log)  # imports and tables that are made once
    runs = [_once(log) for _ in range(RUNS)]
    figures = {name: median(run[name] for run in runs) for name in runs[0]}
    total = median(sum(run.values()) for run in runs)
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}")
    print("| step | s per flight hour at 50 Hz | share |\n|---|---:|---:|")
    for name, seconds in sorted(figures.items(), key=lambda item: -item[1]):
        print(f"| {name} | {seconds:.4f} | {seconds / total:.0%} |")
    print(f"| all | {total:.4f} | |")


if __name__ == "__main__":
    main()
