"""Faults of the surroundings: a full disk, closed doors, a store in other hands, workers that are killed.

Each is met with a sentence, and once it is mended the store is what an undisturbed run leaves.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest

from tests.crash.privileges import without_privileges
from tests.crash.undisturbed import assert_as_undisturbed, backlog, content
from tests.service.small_logs import TOOLS, fleet_in, ingest, log_text, put
from tests.service.store.connection_test import hold
from trimkeep.config.errors import ReportError, StoreBusy, StoreError, TrimkeepError
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.digest import write_whole
from trimkeep.service.ingest import fleet as fleet_module
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.report import Progress
from trimkeep.service.store.connection import Store, open_store

# Among these one is no log and one has no flight.
LOGS = 8
SLOW_S = 0.0


@pytest.fixture
def doors(tmp_path: Path) -> Iterator[Path]:
    """A folder whose content may be closed; opened again for the test runner, which removes it."""
    yield tmp_path
    for folder, _, _ in os.walk(tmp_path):
        Path(folder).chmod(0o700)


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[None]:
    """A disk of a few megabytes at a folder; skipped where this user may not mount one."""
    folder.mkdir(exist_ok=True)
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, text=True
    )
    if made.returncode != 0:
        pytest.skip(f"no small disk can be mounted here ({made.stderr.strip()})")
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def enlarge(folder: Path, size: str) -> None:
    subprocess.run(["mount", "-o", f"remount,size={size}", str(folder)], check=True)


def assert_one_sentence(error: TrimkeepError) -> None:
    assert "\n" not in str(error) and error.next_step


# --- a full disk ---


@pytest.mark.parametrize("size", ["1600k", "2200k", "2800k", "3400k"])
def test_a_disk_that_fills_up_in_mid_ingest(tmp_path: Path, size: str) -> None:
    """At sizes where it is the making of the store, a recording or the commit that meets the end."""
    fleet = backlog(tmp_path, LOGS, SLOW_S)
    with small_disk(fleet.state, size):
        with pytest.raises(StoreError) as caught:
            for _ in range(50):  # until it is full: each run adds something
                ingest(fleet)
                (fleet.state / "ballast").open("ab").write(bytes(300_000))
        assert_one_sentence(caught.value)
        (fleet.state / "ballast").unlink(missing_ok=True)
        enlarge(fleet.state, "200m")
        ingest(fleet)
        assert_as_undisturbed(fleet, LOGS, SLOW_S)


def test_a_disk_that_is_full_when_a_page_is_written(tmp_path: Path) -> None:
    folder = tmp_path / "pages"
    with small_disk(folder, "1m"):
        write_whole(folder / "digest.html", "old" * 1000)
        with pytest.raises(ReportError) as caught:
            write_whole(folder / "digest.html", "new" * 1_000_000)
        assert_one_sentence(caught.value)
        assert (folder / "digest.html").read_text() == "old" * 1000
        assert [path.name for path in folder.iterdir()] == ["digest.html"]


# --- closed doors ---


def test_a_read_only_fleet_folder_with_its_state_elsewhere(doors: Path) -> None:
    backlog(doors, LOGS, SLOW_S)
    folder = doors / "fleet"
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = {path: path.stat().st_mtime_ns for path in [folder, *folder.rglob("*")]}
    with without_privileges():
        with pytest.raises(StoreError, match="--state"):
            ingest(load_fleet(folder, environment={}))
        fleet = load_fleet(folder, environment={}, state=doors / "state")
        ingest(fleet)
        assert_as_undisturbed(fleet, LOGS, SLOW_S)
    assert {path: path.stat().st_mtime_ns for path in [folder, *folder.rglob("*")]} == before


def test_files_and_folders_that_may_not_be_read_wait_and_the_rest_goes_on(doors: Path) -> None:
    backlog(doors, LOGS, SLOW_S)
    fleet = fleet_in(doors)
    closed_log, closed_folder = fleet.folder / "heron-0" / "0.tlog", fleet.folder / "heron-1"
    closed_log.chmod(0)
    closed_folder.chmod(0)
    journal = fleet.folder / "heron-2" / "journal.csv"
    journal.write_text("done_at,kind\n2026-03-14,servo\n")
    journal.chmod(0)
    with without_privileges():
        report = ingest(fleet)
        said = " ".join(report.problems)
        assert "heron-0/0.tlog: cannot be opened" in said
        assert "heron-2/journal.csv: cannot be read" in said
        assert "heron-1" in said
        assert report.counts
    closed_log.chmod(0o644)
    closed_folder.chmod(0o755)
    journal.unlink()
    with without_privileges():
        ingest(fleet)
        assert_as_undisturbed(fleet, LOGS, SLOW_S)


def test_a_card_that_may_not_be_read_holds_back_its_airframe_only(doors: Path) -> None:
    fleet = backlog(doors, LOGS, SLOW_S)
    card = fleet.folder / "heron-0" / "airframe.toml"
    card.write_text("")
    card.chmod(0)
    with without_privileges():
        report = ingest(fleet)
        assert any("heron-0" in problem and "wait" in problem for problem in report.problems)
        assert report.airframes == ("heron-1", "heron-2")
    card.unlink()
    with without_privileges():
        ingest(fleet)
        assert_as_undisturbed(fleet, LOGS, SLOW_S)


@pytest.mark.parametrize("what", ["database", "recordings", "output"])
def test_our_own_folders_closed_to_us(doors: Path, what: str) -> None:
    fleet = backlog(doors, LOGS, SLOW_S)
    with without_privileges():
        open_store(fleet.state)
        if what == "output":
            fleet.output.mkdir()
    path = {"database": Store(fleet.state).database, "recordings": Store(fleet.state).recordings}.get(
        what, fleet.output
    )
    path.chmod(0o555 if path.is_dir() else 0o444)
    with without_privileges(), pytest.raises(TrimkeepError) as caught:
        ingest(fleet)
        write_whole(fleet.output / "digest.html", "page")
    assert isinstance(caught.value, ReportError if what == "output" else StoreError)
    assert_one_sentence(caught.value)
    path.chmod(0o700 if path.is_dir() else 0o600)
    with without_privileges():
        ingest(fleet)
        assert_as_undisturbed(fleet, LOGS, SLOW_S)


# --- a store in other hands ---


def test_a_store_that_another_process_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Taken away in mid-ingest, so that a claim stands and a result cannot be stored."""
    monkeypatch.setattr(fleet_module, "open_store", partial(open_store, patience_s=0.3))
    fleet = backlog(tmp_path, LOGS, SLOW_S)
    holders: list[subprocess.Popen[str]] = []

    def take_it(progress: Progress) -> None:
        if progress.done == 3 and not holders:
            holders.append(hold(Store(fleet.state)))

    try:
        with pytest.raises(StoreBusy, match="in use by another process") as caught:
            ingest(fleet, progress=take_it)
        assert_one_sentence(caught.value)
    finally:
        for holder in holders:
            holder.kill()
            holder.wait()
    assert holders
    ingest(fleet)
    assert_as_undisturbed(fleet, LOGS, SLOW_S)


# --- workers that are killed ---


def _workers_of(pid: int) -> list[int]:
    found, waiting = [], [pid]
    while waiting:
        try:
            text = Path(f"/proc/{waiting.pop()}/task").iterdir()
            children = [int(w) for task in text for w in (task / "children").read_text().split()]
        except OSError:
            continue
        found += children
        waiting += children
    return found


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="no list of child processes here")
def test_workers_killed_at_random_as_when_memory_runs_out(tmp_path: Path) -> None:
    logs = 12
    fleet = backlog(tmp_path, logs, slow_s=0.1)
    choose, stop = random.Random(5), threading.Event()
    killed: list[int] = []

    def kill_some() -> None:
        while not stop.wait(choose.uniform(0.2, 0.6)):
            workers = [pid for pid in _workers_of(os.getpid()) if _is_worker(pid)]
            if workers and len(killed) < 3:
                victim = choose.choice(workers)
                os.kill(victim, signal.SIGKILL)
                killed.append(victim)

    killer = threading.Thread(target=kill_some)
    killer.start()
    try:
        # Three kills at most, and a log is only given up after more deaths of its own than that.
        ingest_fleet(fleet_with_attempts(fleet), workers=2, tools=TOOLS)
    finally:
        stop.set()
        killer.join()
    assert killed
    assert_as_undisturbed(fleet, logs, slow_s=0.1)


def fleet_with_attempts(fleet: FleetSettings) -> FleetSettings:
    text = (fleet.folder / "fleet.toml").read_text()
    (fleet.folder / "fleet.toml").write_text(text + "[ingest]\nattempts = 10\n")
    return load_fleet(fleet.folder, environment={})


def _is_worker(pid: int) -> bool:
    """The pool's own: a child of the server that forks them, not that server or the tracker."""
    try:
        return Path(f"/proc/{pid}/oom_score_adj").read_text().strip() == "800"
    except OSError:
        return False


# --- clocks of the machine ---


@pytest.mark.parametrize("years", [-30, 30])
def test_a_machine_whose_clock_is_years_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, years: int
) -> None:
    """Files then come from the future or from long ago; they are read as ever, and nothing is swept away."""
    fleet = backlog(tmp_path, LOGS, SLOW_S)
    put(fleet, "heron-0/late.tlog", log_text([(1.0, 50.0, 2.0)], start="2026-05-01T08:00:00+00:00"))
    true_time = time.time
    with monkeypatch.context() as patch:
        patch.setattr(time, "time", lambda: true_time() + years * 365.25 * 86400.0)
        ingest(fleet)
    first = content(fleet)
    again = ingest(fleet)
    assert (again.unchanged, again.changed) == (LOGS + 1, False)
    assert content(fleet) == first
    assert sum(len(rows) for name, rows in first.items() if name == "log_file") == LOGS + 1


def test_the_program_tells_a_person_in_one_sentence(tmp_path: Path) -> None:
    """The same through the command line: exit code and sentence, no traceback."""
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-0/a.tlog", log_text([(1.0, 50.0, 2.0)]))
    state = tmp_path / "state"
    state.write_text("a file where the folder should be")
    program = "from trimkeep.service.cli.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program, "ingest", str(fleet.folder), "--state", str(state)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == StoreError.exit_code
    assert done.stderr.count("\n") == 1 and "Traceback" not in done.stderr
