"""What reading logs costs, and what a second worker of a cluster adds.

    python -m tests.benchmarks.cluster LOGS [--rounds N]

LOGS is a folder with logs of one airframe. Two clusters on this machine, one with one worker process and
one with two, each worker with one thread, read the same logs in turn; the store has no part in it. The
ratio is that of the medians over paired rounds; it means something on a quiet machine only, the processor
times beside it on any. Storing rows and hashing, which the one writer does, are
measured apart in this process. The figures are in service/SCALE.md.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil
from distributed import Client

from trimkeep.config.cards import load_card
from trimkeep.config.load import load_fleet
from trimkeep.service.ingest.cluster import Cluster, connected
from trimkeep.service.ingest.extract import Task
from trimkeep.service.ingest.fingerprint import fingerprint
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.pool import work
from trimkeep.service.ingest.scan import Place, find_logs
from trimkeep.service.ingest.tools import TOOLS
from trimkeep.service.store.rows import LogResult

ROOT = Path(__file__).resolve().parents[2]
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


@dataclass(frozen=True, slots=True)
class Running:
    """A cluster on this machine with its processes, the scheduler first."""

    there: Cluster
    processes: list[subprocess.Popen[bytes]]

    def processor_s(self) -> tuple[float, float]:
        """Processor time so far of the scheduler, and of the workers with their reading processes."""
        own = []
        for process in self.processes:
            root = psutil.Process(process.pid)
            times = [one.cpu_times() for one in (root, *root.children(recursive=True))]
            own.append(sum(one.user + one.system for one in times))
        return own[0], sum(own[1:])


@contextmanager
def cluster_of(workers: int) -> Iterator[Running]:
    """A scheduler and worker processes of one thread each on this machine."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    options = ("--nthreads", "1", "--no-nanny", "--no-dashboard")
    commands = [("scheduler", "--host", "127.0.0.1", "--port", address.rpartition(":")[2], "--no-dashboard")]
    commands += [("worker", address, *options)] * workers
    environment = {
        **os.environ,
        **ONE_THREAD,
        "PYTHONPATH": os.pathsep.join([str(ROOT), *filter(None, sys.path)]),
    }
    processes = [
        subprocess.Popen([sys.executable, "-m", "dask", *one], env=environment, stderr=subprocess.DEVNULL)
        for one in commands
    ]
    try:
        with Client(address, timeout=60.0, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=60.0)
        with connected(address) as there:
            yield Running(there, processes)
    finally:
        for process in processes:
            process.kill()
            process.wait()


def tasks_of(places: tuple[Place, ...], recordings: Path) -> list[Task]:
    """Every log as a task; the hash only names the recording."""
    fleet = load_fleet(places[0].folder.parent, environment={})
    card = load_card(fleet, places[0].folder)
    return [
        Task(
            p.path,
            hashlib.sha256(str(p.path).encode()).hexdigest(),
            p.stat,
            card,
            recordings,
            "UTC",
            TOOLS,
            600.0,
        )
        for p in places
    ]


def one_round(there: Cluster, tasks: list[Task]) -> tuple[float, list[LogResult]]:
    """Seconds until all are read, and what came of them."""
    executor = there.pool(1)
    begun = time.perf_counter()
    futures = [executor.submit(work, task) for task in tasks]
    results = [future.result() for future in futures]
    return time.perf_counter() - begun, [one for one in results if one is not None]


def compare(places: tuple[Place, ...], recordings: Path, rounds: int) -> None:
    """Print what one and two workers read in a second."""
    tasks = tasks_of(places, recordings)
    megabytes = sum(place.stat.size_bytes for place in places) / 1e6
    print(
        f"{len(tasks)} logs, {megabytes:.1f} MB, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}"
    )
    with ExitStack() as stack:
        clusters = {count: stack.enter_context(cluster_of(count)) for count in (1, 2)}
        for running in clusters.values():
            one_round(running.there, tasks[:4] * 2)  # starts the reading processes and loads the libraries
        times: dict[int, list[float]] = {1: [], 2: []}
        shares: dict[int, list[tuple[float, ...]]] = {1: [], 2: []}
        for _ in range(rounds):
            for count, running in clusters.items():
                before = (*running.processor_s(), time.process_time())
                seconds, results = one_round(running.there, tasks)
                after = (*running.processor_s(), time.process_time())
                times[count].append(seconds)
                shares[count].append(tuple(b - a for a, b in zip(before, after, strict=True)))
    for count, own in times.items():
        scheduler, workers, here = (statistics.median(column) for column in zip(*shares[count], strict=True))
        print(
            f"{count} worker(s): {[round(one, 1) for one in own]} s; processor time: "
            f"workers {workers:.2f} s, scheduler {scheduler:.2f} s, client {here:.2f} s"
        )
    ratio = statistics.median(times[1]) / statistics.median(times[2])
    print(f"two workers read {ratio:.2f} times as fast as one")
    steps = {name: sum(one.seconds.get(name, 0.0) for one in results) for name in results[0].seconds}
    print(
        "seconds for all logs by step: " + ", ".join(f"{name} {value:.1f}" for name, value in steps.items())
    )
    written = sum(path.stat().st_size for path in recordings.glob("*.parquet"))
    print(f"decoded recordings: {written / 1e6:.1f} MB, {sum(len(one.flights) for one in results)} flights")


def writer_costs(folder: Path, places: tuple[Place, ...], state: Path) -> None:
    """Print what the one writer does for a log: hash the file, store its rows."""
    begun = time.perf_counter()
    for place in places:
        fingerprint(place.path)
    hashed_s = time.perf_counter() - begun
    fleet = load_fleet(folder, state=state, environment={})
    processor = time.process_time()
    begun = time.perf_counter()
    ingest_fleet(fleet, workers=1)
    whole_s, own_s = time.perf_counter() - begun, time.process_time() - processor
    megabytes = sum(place.stat.size_bytes for place in places) / 1e6
    print(f"hashing: {megabytes / hashed_s:.0f} MB/s")
    print(
        f"ingest with one local worker: {whole_s:.1f} s, of which this process {own_s:.1f} s of a processor,"
    )
    print(f"  {1e3 * own_s / len(places):.0f} ms a log to hash, claim and store")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("logs", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="trimkeep-cluster-") as place:
        folder = Path(place) / "fleet"
        folder.mkdir()
        (folder / "plane").symlink_to(asked.logs.resolve(), target_is_directory=True)
        recordings = Path(place) / "recordings"
        recordings.mkdir()
        fleet = load_fleet(folder, environment={})
        places = find_logs(fleet)
        compare(places, recordings, asked.rounds)
        writer_costs(folder, places, Path(place) / "state")


if __name__ == "__main__":
    main()
