"""Killed at any step and at any moment: every log ends in exactly once, as in an undisturbed run."""

from __future__ import annotations

import random
import signal
import time
from pathlib import Path

import pytest

from tests.crash.child import STEPS, WORKER_STEPS
from tests.crash.nursery import Child, nursery
from tests.crash.undisturbed import assert_as_undisturbed, backlog
from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.logs import load_log_outcomes

DEADLINE_S = 120.0


def start(fleet: FleetSettings, *arguments: str) -> Child:
    return nursery().start("tests.crash.child", str(fleet.folder), *arguments)


@pytest.mark.parametrize("step", [*STEPS, *WORKER_STEPS])
def test_killed_at_a_step(tmp_path: Path, step: str) -> None:
    logs = 4
    fleet = backlog(tmp_path, logs)
    child = start(fleet, step, "2")
    assert child.wait() == -signal.SIGKILL, "it did not come to that step"
    report = ingest(fleet, workers=2)
    assert sum(report.counts.values()) >= 1
    assert_as_undisturbed(fleet, logs)


def finished_logs(fleet: FleetSettings) -> int:
    """Logs with an outcome; none before the store exists."""
    if not Store(fleet.state).database.exists():
        return 0
    return sum(one.outcome is not None for one in load_log_outcomes(open_store(fleet.state)))


def kill_at_random(
    tmp_path: Path, logs: int, kills: int, slow_s: float, seed: int, latest_s: float
) -> tuple[int, int]:
    """Kill an ingest again and again in mid-backlog, then let it end.

    Returns how many kills struck while there was work left, and how many logs were in before the last run.
    """
    fleet = backlog(tmp_path, logs, slow_s)
    choose = random.Random(seed)
    struck, at_most_s = 0, 2.0 * latest_s
    while struck < kills:
        child = start(fleet)
        assert child.stdout.readline() == "ready\n"
        # From before the store is opened, over the start of the workers, to some logs on.
        time.sleep(choose.uniform(0.0, latest_s))
        child.kill()
        if child.wait() != -signal.SIGKILL or finished_logs(fleet) == logs:
            break  # it was quicker than we
        struck += 1
        if struck > 3 and finished_logs(fleet) == 0:
            # On a busy machine the workers take longer to start: let the next kill come later.
            latest_s = min(1.5 * latest_s, at_most_s)
    finished = finished_logs(fleet)
    child = start(fleet)
    assert child.stdout.read() == "ready\ndone\n", child.complaints()
    assert child.wait() == 0
    assert_as_undisturbed(fleet, logs, slow_s)
    return struck, finished


def test_killed_at_random_moments(tmp_path: Path) -> None:
    struck, _ = kill_at_random(tmp_path, logs=20, kills=5, slow_s=0.1, seed=3, latest_s=0.7)
    assert struck >= 1


@pytest.mark.slow
def test_killed_a_hundred_times_in_a_backlog_of_a_hundred(tmp_path: Path) -> None:
    struck, finished = kill_at_random(tmp_path, logs=100, kills=100, slow_s=0.8, seed=2, latest_s=1.2)
    assert struck == 100, "the backlog was done too early; slow the logs down"
    assert 1 <= finished < 100


def test_workers_do_not_outlive_the_service(tmp_path: Path) -> None:
    """The pool's pipes are held open by every worker, so none would see the service's death there."""
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-1/slow.tlog", log_text([(10.0, 60.0, 1.0)], slow_s=60.0))
    child = start(fleet)
    try:
        workers: list[int] = []
        deadline = time.monotonic() + DEADLINE_S
        while not workers and time.monotonic() < deadline:
            time.sleep(0.02)
            # Forked by a server that outlives the service here: it takes none of them with it.
            workers = [pid for helper in _children(nursery().pid) for pid in _children(helper)]
        assert workers, "no worker was started"
    finally:
        child.kill()
        child.wait()
    deadline = time.monotonic() + DEADLINE_S
    while any(_alive(pid) for pid in workers):
        assert time.monotonic() < deadline, "a worker lives on"
        time.sleep(0.02)


def _children(pid: int) -> list[int]:
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    except OSError:
        return []
    return [int(word) for word in text.split()]


def _alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"
