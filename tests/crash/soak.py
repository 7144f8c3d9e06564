"""A soak: `python -m tests.crash.soak [--minutes 20] [--logs 600] [--fault-every 20]`.

The real watcher on simulated logs that arrive in pieces, with a fault at random every few seconds: the
watcher killed or stopped, a worker killed, the store held by another process, rubbish among the logs, a
folder renamed and back. At the end the store must hold, row by row, what an undisturbed run of the same
folder leaves; every digest must have been made once; memory must be flat.
"""

from __future__ import annotations

import argparse
import itertools
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import duckdb
import numpy as np

from tests.crash.undisturbed import content
from trimkeep.config.load import load_fleet
from trimkeep.sample_fleet.make import build_fleet
from trimkeep.sample_fleet.random_scenarios import random_scenario
from trimkeep.service.integrity import check_store
from trimkeep.service.store.connection import Store
from trimkeep.service.store.digests import load_digests

SETTINGS = """name = "Soak"
[watch]
still_s = 1.0
rescan_s = 10.0
[digest]
schedule = ["*/2 * * * *"]
"""
SLOT = timedelta(minutes=2)
AIRFRAMES = 6
TRIMKEEP = [sys.executable, "-c", "from trimkeep.service.cli.main import main; main()"]
MEMORY_EVERY_S = 5.0
FLAT = 1.25
"""Median of the last third against that of the middle third."""


def _children(pid: int) -> list[int]:
    with suppress(OSError):
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    return []


@dataclass
class Watcher:
    """The watcher's process, started anew whenever it is gone."""

    fleet: Path
    log: Path
    process: subprocess.Popen[bytes] | None = None
    starts: int = 0

    def start(self) -> None:
        """Start it; its words go to the log."""
        self.process = subprocess.Popen(
            [*TRIMKEEP, "watch", str(self.fleet), "--workers", "1"],
            stdout=self.log.open("ab"),
            stderr=subprocess.STDOUT,
        )
        self.starts += 1

    def end(self, signal_number: int) -> None:
        """Send a signal, wait for the end, start again."""
        assert self.process is not None
        self.process.send_signal(signal_number)
        self.process.wait(timeout=120)
        self.start()

    def workers(self) -> list[int]:
        """Its worker processes: they are children of the server that forks them."""
        assert self.process is not None
        return [worker for child in _children(self.process.pid) for worker in _children(child)]

    def resident_bytes(self) -> int:
        """Memory of the watcher itself; 0 while it is gone."""
        assert self.process is not None
        try:
            status = Path(f"/proc/{self.process.pid}/status").read_text()
        except OSError:
            return 0
        line = next((one for one in status.splitlines() if one.startswith("VmRSS")), "")
        return 1024 * int(line.split()[1]) if line else 0


@dataclass
class Soak:
    """One run: the logs still to come, the faults done, the memory seen."""

    watcher: Watcher
    fleet: Path
    rng: random.Random
    faults: dict[str, int] = field(default_factory=dict)
    memory: list[tuple[float, int]] = field(default_factory=list)

    def fault(self) -> None:
        """One fault drawn at random."""
        chosen: Callable[[], None] = self.rng.choice(
            [self.kill, self.stop, self.kill_worker, self.hold_store, self.rubbish, self.rename]
        )
        chosen()
        self.faults[chosen.__name__] = self.faults.get(chosen.__name__, 0) + 1

    def kill(self) -> None:
        """The power fails."""
        self.watcher.end(signal.SIGKILL)

    def stop(self) -> None:
        """The service manager restarts it."""
        self.watcher.end(signal.SIGTERM)

    def kill_worker(self) -> None:
        """The system takes a worker's memory back."""
        for pid in self.watcher.workers()[:1]:
            subprocess.run(["kill", "-KILL", str(pid)], check=False)

    def hold_store(self) -> None:
        """Another process has the database open for some seconds."""
        database = load_fleet(self.fleet).state / "trimkeep.duckdb"
        give_up = time.monotonic() + 10.0
        while time.monotonic() < give_up:  # the watcher itself may have it just now
            try:
                held = duckdb.connect(str(database))
            except duckdb.Error:
                time.sleep(0.1)
                continue
            time.sleep(self.rng.uniform(1.0, 6.0))
            held.close()
            return

    def rubbish(self) -> None:
        """A file that is no log."""
        folder = self.rng.choice([path for path in self.fleet.iterdir() if path.name.startswith("plane")])
        (folder / f"rubbish-{self.rng.randrange(10**9)}.tlog").write_bytes(self.rng.randbytes(5000))

    def rename(self) -> None:
        """A folder goes under another name for a while."""
        folder = self.rng.choice([path for path in self.fleet.iterdir() if path.name.startswith("plane")])
        away = self.fleet / f".{folder.name}-away"
        folder.rename(away)
        time.sleep(self.rng.uniform(0.5, 3.0))
        away.rename(folder)


def arrive(source: Path, target: Path, rng: random.Random) -> None:
    """A copy over a slow line: two pieces with a pause, or one."""
    target.parent.mkdir(exist_ok=True)
    data = source.read_bytes()
    cut = rng.randrange(len(data)) if rng.random() < 0.3 else len(data)
    with target.open("wb") as file:
        file.write(data[:cut])
        file.flush()
        if cut < len(data):
            time.sleep(0.3)
            file.write(data[cut:])


def prepare(folder: Path, logs: int) -> list[Path]:
    """Fly the logs; their paths, in the order in which they will arrive."""
    scenario = random_scenario(
        np.random.default_rng(7),
        airframes=AIRFRAMES,
        flights=-(-logs // AIRFRAMES),
        flight_seconds=(40.0, 50.0),
        rate_hz=25.0,
    )
    built = build_fleet(folder / "flown", scenario, seed=7, workers=2)
    found = [path for path in sorted(built.fleet.rglob("*")) if path.suffix == ".tlog"]
    return sorted(found, key=lambda path: (path.name, path.parent.name))[:logs]


def run(folder: Path, minutes: float, logs: int, fault_every_s: float, seed: int) -> Soak:
    """The soak itself."""
    coming = prepare(folder, logs)
    fleet = folder / "fleet"
    fleet.mkdir()
    (fleet / "fleet.toml").write_text(SETTINGS)
    for card in {path.parent for path in coming}:
        shutil.copytree(card, fleet / card.name, ignore=shutil.ignore_patterns("*.tlog"))
    watcher = Watcher(fleet, folder / "watch.log")
    soak = Soak(watcher, fleet, random.Random(seed))
    watcher.start()
    began = time.monotonic()
    seconds = 60.0 * minutes
    next_fault, next_memory = fault_every_s, 0.0
    arrived = 0
    while (now := time.monotonic() - began) < seconds:
        while arrived < len(coming) and now > arrived * 0.9 * seconds / len(coming):
            path = coming[arrived]
            arrive(path, fleet / path.parent.name / path.name, soak.rng)
            arrived += 1
        if now > next_fault:
            soak.fault()
            next_fault += fault_every_s
        if now > next_memory:
            soak.memory.append((now, watcher.resident_bytes()))
            next_memory = now + MEMORY_EVERY_S
        time.sleep(0.05)
    assert watcher.process is not None
    watcher.process.send_signal(signal.SIGTERM)
    watcher.process.wait(timeout=120)
    return soak


def judge(folder: Path, soak: Soak) -> list[str]:
    """What does not hold; empty when all does."""
    disturbed = load_fleet(soak.fleet)
    # what the last seconds brought
    subprocess.run([*TRIMKEEP, "ingest", str(soak.fleet), "--quiet"], check=False, capture_output=True)
    calm = load_fleet(soak.fleet, state=folder / "calm")
    subprocess.run(
        [*TRIMKEEP, "ingest", str(soak.fleet), "--state", str(folder / "calm"), "--quiet"],
        check=False,
        capture_output=True,
    )
    wrong = []
    ours, theirs = content(disturbed), content(calm)
    wrong += [f"{name}: other rows than undisturbed" for name in theirs if ours[name] != theirs[name]]
    wrong += [str(one) for one in check_store(Store(disturbed.state), read_all=True)]
    digests = [one for one in load_digests(Store(disturbed.state)) if one.schedule]
    ends = [one.period_end for one in digests]
    if len(set(ends)) != len(ends):
        wrong.append("a digest was made twice")
    for before, after in itertools.pairwise(sorted(ends)):
        if after - before != SLOT:
            wrong.append(f"digests: {before} is followed by {after}")
    sizes = [size for _, size in soak.memory if size]
    third = len(sizes) // 3
    middle, last = np.median(sizes[third : 2 * third]), np.median(sizes[2 * third :])
    if last > FLAT * middle:
        wrong.append(f"memory grew from {middle / 1e6:.0f} to {last / 1e6:.0f} MB")
    print(
        f"logs {len(ours['log_file'])}, flights {len(ours['flight'])}, digests {len(digests)}, "
        f"starts {soak.watcher.starts}, faults {soak.faults}, memory {np.median(sizes[:third]) / 1e6:.0f} / "
        f"{middle / 1e6:.0f} / {last / 1e6:.0f} MB by thirds, most {max(sizes) / 1e6:.0f} MB"
    )
    return wrong


def main() -> None:
    """Run it and say what held."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--logs", type=int, default=600)
    parser.add_argument("--fault-every", type=float, default=20.0, help="seconds")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        soak = run(folder, options.minutes, options.logs, options.fault_every, options.seed)
        wrong = judge(folder, soak)
        if wrong:
            kept = Path(tempfile.mkdtemp(prefix="soak-"))
            shutil.copytree(folder, kept, dirs_exist_ok=True)
            sys.exit("\n".join([*wrong, f"kept in {kept}"]))
    print("all of it held")


if __name__ == "__main__":
    main()
