"""The whole path of one log, from its bytes to stored observations, on an hour of flight at 50 Hz.

Run with `python -m tests.benchmarks.whole_path`. The sample fleet's simulator flies the hour once; the logs
are kept in the system's temporary folder. Everything runs in this one process, bound to one core; medians
of repeated runs into new stores.

Two logs: `on_board` has attitude, its targets, outputs and inertial sensors at 50 Hz and the rest at their
usual 1 to 10 Hz; `everything` sends all its messages at 50 Hz.
"""

from __future__ import annotations

import os
import platform
import shutil
import statistics
import tempfile
import time
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pyarrow as pa

from tests.sample_fleet.hand_made import hand_made_identity
from trimkeep.config.cards import load_card
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.registry import all_detectors
from trimkeep.detectors.run import run_one
from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.cards import airframe_toml
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.identity import Circumstances
from trimkeep.sample_fleet.log_styles import ON_BOARD, Cadence, LogStyle
from trimkeep.sample_fleet.make import PARAMETER_NAMES
from trimkeep.sample_fleet.plans import survey_plan
from trimkeep.sample_fleet.tlog_writer import write_tlog
from trimkeep.sample_fleet.world import Weather
from trimkeep.service.ingest import fleet as fleet_module
from trimkeep.service.ingest.extract import Task, extract
from trimkeep.service.ingest.tools import TOOLS
from trimkeep.service.readers import tlog_kernel

RUNS = 5
HOUR_S = 3600.0
CACHE = Path(tempfile.gettempdir()) / "trimkeep_benchmark_whole_path"
EVERYTHING = replace(
    ON_BOARD, name="everything", messages={name: Cadence(50.0) for name in ON_BOARD.messages}
)
STYLES: tuple[LogStyle, ...] = (ON_BOARD, EVERYTHING)
STEPS = ("hash and claim", "read", "split", "detect", "parquet", "store")


def build() -> None:
    """Fly an hour and write it in both styles."""
    rng = np.random.default_rng(11)
    model = AIRFRAMES["medium_twin"]
    weather = Weather(5.0, 240.0, 0.4, 15.0, 985.0)
    flown = fly(model, defaults_for(model), survey_plan(rng, HOUR_S), weather, (), rng, 50.0)
    identity = replace(hand_made_identity(), model="medium_twin", motors=2)
    circumstances = Circumstances(datetime(2026, 4, 3, 8, 30, tzinfo=UTC), (3, 1, 4))
    for style in STYLES:
        home = CACHE / "part" / style.name / "bench-1"
        home.mkdir(parents=True, exist_ok=True)
        (home / "airframe.toml").write_text(airframe_toml(identity, PARAMETER_NAMES), encoding="utf-8")
        write_tlog(home / "hour.tlog", flown, identity, circumstances, style, rng)
    for folder in (CACHE / "part").iterdir():
        folder.rename(CACHE / folder.name)


class Here(Executor):
    """An executor that does the work at once, in this process."""

    def submit(self, function: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(function(*args, **kwargs))
        except BaseException as error:
            future.set_exception(error)
        return future


@dataclass
class Clock:
    """Seconds of each step of one ingest."""

    seconds: dict[str, float] = field(default_factory=dict)

    def timed(self, step: str, function: Any) -> Any:
        """The function, its time added to the step's."""

        def measured(*args: Any, **kwargs: Any) -> Any:
            begin = time.perf_counter()
            answer = function(*args, **kwargs)
            self.seconds[step] = self.seconds.get(step, 0.0) + time.perf_counter() - begin
            return answer

        return measured


def ingest_once(fleet: FleetSettings, clock: Clock) -> float:
    """One ingest into a new store with its steps measured; the seconds of all of it."""

    def work_here(task: Task) -> Any:
        result = extract(task)
        assert result is not None
        clock.seconds.update(result.seconds)
        return result

    originals = {name: getattr(fleet_module, name) for name in ("hash_log", "claim_log", "store_log", "work")}
    fleet_module.hash_log = clock.timed("hash and claim", originals["hash_log"])
    fleet_module.claim_log = clock.timed("hash and claim", originals["claim_log"])
    fleet_module.store_log = clock.timed("store", originals["store_log"])
    fleet_module.work = work_here
    shutil.rmtree(fleet.state, ignore_errors=True)
    try:
        begin = time.perf_counter()
        report = fleet_module.ingest_fleet(fleet, workers=1, pool=lambda _: Here())
        total = time.perf_counter() - begin
    finally:
        for name, original in originals.items():
            setattr(fleet_module, name, original)
    assert len(report.flights) == 1, report
    return total


def measure(style: LogStyle) -> None:
    """Print the figures of one log."""
    home = CACHE / style.name
    fleet = load_fleet(home, environment={})
    path = home / "bench-1" / "hour.tlog"
    runs, totals = [], []
    for _ in range(RUNS):
        clock = Clock()
        totals.append(ingest_once(fleet, clock))
        runs.append(clock.seconds)
    parquet = next((fleet.state / "recordings").iterdir()).stat().st_size
    steps = {step: statistics.median(run.get(step, 0.0) for run in runs) for step in STEPS}
    path_s = statistics.median(sum(run.values()) for run in runs)
    flown_s = TOOLS.read(path, load_card(fleet, path.parent)).duration_s
    print(f"\n{style.name}: {path.stat().st_size / 1e6:.1f} MB, recording {parquet / 1e6:.1f} MB")
    for step, seconds in steps.items():
        print(f"  {step:15s} {seconds * 1e3:8.1f} ms  {100.0 * seconds / path_s:5.1f} %")
    total = statistics.median(totals)
    print(f"  {'one log':15s} {path_s * 1e3:8.1f} ms  {flown_s / path_s:8.0f} times real time per core")
    print(
        f"  {'whole command':15s} {total * 1e3:8.1f} ms  {flown_s / total:8.0f} times (a new store, one log)"
    )
    print_detectors(fleet, path)


def print_detectors(fleet: FleetSettings, path: Path) -> None:
    """Share of each detector."""
    card = load_card(fleet, path.parent)
    flights = TOOLS.split(TOOLS.read(path, card), card)
    for detector in all_detectors():
        times = []
        for _ in range(3):
            begin = time.perf_counter()
            ends = [run_one(flight, detector).outcome for flight in flights]
            times.append(time.perf_counter() - begin)
        said = ", ".join(sorted(set(ends)))
        print(f"    {detector.spec.id:20s} {statistics.median(times) * 1e3:8.1f} ms  {said}")


def main() -> None:
    """Build what is missing, then measure."""
    missing = [style.name for style in STYLES if not (CACHE / style.name).exists()]
    if missing:
        print("flying an hour and writing its logs (once) ...")
        shutil.rmtree(CACHE, ignore_errors=True)
        build()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    pa.set_cpu_count(1)
    model = next(
        (
            line.split(":")[1].strip()
            for line in Path("/proc/cpuinfo").read_text().splitlines()
            if "model name" in line
        ),
        platform.machine(),
    )
    print(
        f"{model}, one core, Python {platform.python_version()}, numpy {np.__version__}, "
        f"arrow {pa.__version__}, loops of the reader {'compiled' if tlog_kernel.compiled() else 'by arrays'}"
    )
    for style in STYLES:
        measure(style)


if __name__ == "__main__":
    main()
