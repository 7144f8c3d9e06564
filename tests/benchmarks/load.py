"""What a large store costs: one more flight's judging, judging the whole, a digest, start-up, memory.

    python -m tests.benchmarks.load [--flights 100 1000 10000] [--all] [--folder DIR]

Stores of 100 flights for each airframe, rows written straight into the tables in the order flown (90
figures a flight, a firmware and a servo change on every airframe); `--all` adds 100,000 flights of 1,000
airframes, which takes half an hour and, for judging all of it at once, several gigabytes. Every
measurement runs in a process of its own, so that its memory is its own; times are wall clock, medians
where repeated. The tables are in service/SCALE.md.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.service.synthetic_store import FIRST_DAY, add_flight, airframe_name, fill
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.alerts import raise_alerts
from trimkeep.service.digest import make_digest
from trimkeep.service.judging import judge, judge_new
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.judgings import load_progress

EACH = 100
USUAL = (100, 1_000, 10_000)
LARGEST = 100_000
REPEATS = 7
NOW = FIRST_DAY.replace(tzinfo=UTC) + timedelta(days=EACH + 1)
CARD = """description = "survey plane"
span_m = 2.2
mass_kg = 3.4

[limits]
pitch_rate_max_dps = 120.0
roll_rate_max_dps = 180.0

[outputs]
aileron = { channel = 1, low_us = 1000, neutral_us = 1500, high_us = 2000, throw_deg = 20.0 }
elevator = { channel = 2, low_us = 1000, neutral_us = 1500, high_us = 2000, throw_deg = 20.0 }
throttle = { channel = 3, low_us = 1000, high_us = 2000 }
"""
# A fleet of this benchmark is large at any size, so that the curve shows one way of judging.
SETTINGS = '[judge]\nwhole_up_to = 0\n[alerts]\nfile = "alerts.jsonl"\n'
Figures = dict[str, float]


def make_fleet(folder: Path, flights: int) -> FleetSettings:
    """A fleet folder with cards, and a store of so many flights."""
    airframes = max(flights // EACH, 1)
    for number in range(airframes):
        (folder / airframe_name(number)).mkdir(parents=True)
        (folder / airframe_name(number) / "airframe.toml").write_text(CARD)
    (folder / "fleet.toml").write_text(SETTINGS)
    fleet = load_fleet(folder, environment={})
    fill(open_store(fleet.state), airframes, EACH)
    return fleet


def whole(store: Store, fleet: FleetSettings) -> Figures:
    """Judging everything, as before a digest and when the fleet's model is fitted anew."""
    begun, processor = time.perf_counter(), time.process_time()
    judgement = judge(store, fleet, NOW)
    return {
        "whole_s": time.perf_counter() - begun,
        "whole_processor_s": time.process_time() - processor,
        "series": len(judgement.series),
    }


def one_more(store: Store, fleet: FleetSettings) -> Figures:
    """Judging one more flight, again and again, and its alerts; the first is that of a new process."""
    judged_s, processor_s, alerts_s = [], [], []
    for number in range(EACH, EACH + REPEATS):
        add_flight(store, 0, number, EACH)
        begun, processor = time.perf_counter(), time.process_time()
        judgement = judge_new(store, fleet, NOW)
        judged_s.append(time.perf_counter() - begun)
        processor_s.append(time.process_time() - processor)
        begun = time.perf_counter()
        raise_alerts(store, fleet, judgement, NOW)
        alerts_s.append(time.perf_counter() - begun)
        if judgement.whole:
            raise AssertionError("the whole fleet was judged")
    return {
        "first_s": judged_s[0],
        "one_more_s": statistics.median(judged_s[1:]),
        "one_more_processor_s": statistics.median(processor_s[1:]),
        "alerts_s": statistics.median(alerts_s[1:]),
    }


def digest(store: Store, fleet: FleetSettings) -> Figures:
    """A weekly digest with the pages behind it, the first time they are written."""
    begun, processor = time.perf_counter(), time.process_time()
    end = NOW - timedelta(days=1)
    made = make_digest(store, fleet, NOW, period_start=end - timedelta(days=7), period_end=end)
    return {
        "digest_s": time.perf_counter() - begun,
        "digest_processor_s": time.process_time() - processor,
        "digest_kb": made.path.stat().st_size / 1e3,
    }


def ready(store: Store, fleet: FleetSettings) -> Figures:
    """What a service asks of the store when it begins, or comes round."""
    open_store(fleet.state)
    begun = time.perf_counter()
    open_store(fleet.state)
    load_progress(store)
    return {"open_s": time.perf_counter() - begun}


PARTS: dict[str, Callable[[Store, FleetSettings], Figures]] = {
    "whole": whole,
    "one_more": one_more,
    "digest": digest,
    "ready": ready,
}


def run_part(name: str, folder: Path) -> None:
    """Child process: one measurement, its figures as JSON on standard output."""
    # Nobody recorded these flights, so that no page has a picture of one.
    logging.disable(logging.WARNING)
    fleet = load_fleet(folder, environment={})
    figures = PARTS[name](Store(fleet.state), fleet)
    figures[f"{name}_mb"] = peak_mb()
    print(json.dumps(figures))


def peak_mb() -> float:
    """Largest memory of this process; `getrusage` would count what its parent had before."""
    status = Path("/proc/self/status").read_text()
    return float(status.split("VmHWM:")[1].split()[0]) / 1e3


def measured_apart(name: str, folder: Path) -> Figures:
    """A measurement in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.load", "--part", name, "--folder", str(folder)]
    done = subprocess.run(command, stdout=subprocess.PIPE, check=True, text=True)
    figures: Figures = json.loads(done.stdout.splitlines()[-1])
    return figures


def command_s(*arguments: str) -> float:
    """Processor time of a command, median of three after one that warms the disk's cache."""
    code = "import sys; from trimkeep.service.cli.main import main; main(sys.argv[1:])"
    times = []
    for _ in range(4):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-c", code, *arguments], stdout=subprocess.DEVNULL, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(times[1:])


def measure(flights: int, parent: Path) -> Figures:
    """Every figure for one size of store."""
    folder = parent / f"fleet-{flights}"
    begun = time.perf_counter()
    fleet = make_fleet(folder, flights)
    figures: Figures = {"fill_s": time.perf_counter() - begun}
    for name in ("whole", "ready", "one_more", "digest"):
        figures |= measured_apart(name, folder)
        print(f"{flights} {name}: {figures}", file=sys.stderr, flush=True)
    figures["store_mb"] = Store(fleet.state).database.stat().st_size / 1e6
    figures["status_s"] = command_s("status", str(folder))
    figures["flights_s"] = command_s("flights", str(folder), "--airframe", airframe_name(0))
    return figures


ROWS = (
    ("one more flight judged, s", "one_more_s", 2),
    ("… of it processor time, s", "one_more_processor_s", 2),
    ("… first of a process, s", "first_s", 2),
    ("… memory at its peak, MB", "one_more_mb", 0),
    ("its alerts put into the outbox, s", "alerts_s", 2),
    ("opening the store, s", "open_s", 2),
    ("`trimkeep status`, processor time, s", "status_s", 1),
    ("`trimkeep flights --airframe`, processor time, s", "flights_s", 1),
    ("the whole fleet judged, s", "whole_s", 0),
    ("… of it processor time, s", "whole_processor_s", 0),
    ("… memory at its peak, MB", "whole_mb", 0),
    ("weekly digest with its pages, s", "digest_s", 0),
    ("… of it processor time, s", "digest_processor_s", 0),
    ("… memory at its peak, MB", "digest_mb", 0),
    ("digest's page, kB", "digest_kb", 0),
    ("database, MB", "store_mb", 0),
)


def table(found: dict[int, Figures]) -> str:
    """The figures as a table in Markdown."""
    lines = [
        "| flights (airframes) | " + " | ".join(f"{n:,} ({max(n // EACH, 1):,})" for n in found) + " |",
        "|---|" + "---:|" * len(found),
    ]
    for label, key, digits in ROWS:
        lines.append(f"| {label} | " + " | ".join(f"{one[key]:,.{digits}f}" for one in found.values()) + " |")
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flights", type=int, nargs="+", default=list(USUAL))
    parser.add_argument("--all", action="store_true", help=f"also {LARGEST:,} flights")
    parser.add_argument("--folder", type=Path, help="keep the stores here")
    parser.add_argument("--part", choices=list(PARTS), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.part:
        run_part(asked.part, asked.folder)
        return
    parent = asked.folder or Path(tempfile.mkdtemp(prefix="trimkeep-load-"))
    sizes = [*asked.flights, LARGEST] if asked.all else asked.flights
    try:
        found = {flights: measure(flights, parent) for flights in sizes}
    finally:
        if asked.folder is None:
            shutil.rmtree(parent, ignore_errors=True)
    print(f"{datetime.now(UTC):%Y-%m-%d}, Python {platform.python_version()}, {os.cpu_count()} processors")
    print(table(found))


if __name__ == "__main__":
    main()
