"""Killed while files are removed as the retention settings say: the record and the disk agree afterwards."""

from __future__ import annotations

import shutil
import signal
from pathlib import Path

import pytest

from tests.crash.later_child import STEPS, act
from tests.crash.later_test import run_child
from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.load import load_fleet
from trimkeep.service.integrity import check_store
from trimkeep.service.store.audit import verify_chain
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.removals import load_removals, load_removed_recordings

DUE = [f"heron-01/{day}.csv" for day in (1, 2, 3)]


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven flights: three are due, four are held."""
    folder = tmp_path_factory.mktemp("flown")
    fleet = fleet_in(folder, "[retention]\nrecordings_days = 30\n")
    for day in range(1, 8):
        text = log_text([(0, 60, 1.0)], start=f"2026-03-{day:02d}T10:00:00+00:00")
        put(fleet, f"heron-01/{day}.csv", text)
    ingest(fleet)
    return fleet.folder


# Each costs a process; these are the ones with something half done.
QUICK = ("one of three removed", "all removed, not recorded as done")


@pytest.mark.parametrize(
    "step",
    [step if step in QUICK else pytest.param(step, marks=pytest.mark.slow) for step in STEPS["clear"]],
)
def test_killed_while_files_are_removed(flown: Path, tmp_path: Path, step: str) -> None:
    shutil.copytree(flown, tmp_path / "fleet")
    fleet = load_fleet(tmp_path / "fleet", environment={})
    store = open_store(fleet.state)
    assert run_child(fleet, "clear", step) == -signal.SIGKILL, "it did not come to that step"
    # As the crash left it, nothing contradicts anything: what is gone is named in the record.
    assert check_store(store, read_all=True) == ()
    assert verify_chain(store) == ()
    gone = {one.file.log_path for one in load_removed_recordings(store).values()}
    there = {path.stem for path in store.recordings.glob("*.parquet")}
    named = {one.file.log_sha256 for one in load_removals(store)}
    assert len(there | named) == 7, "a recording went that the record does not name"
    act(fleet, "clear")
    assert {one.file.log_path for one in load_removed_recordings(store).values()} == set(DUE) >= gone
    assert len(list(store.recordings.glob("*.parquet"))) == 4
    removals = load_removals(store)
    assert all(one.ended_as is not None for one in removals)
    done = [one.file.log_path for one in removals if one.ended_as == "removal_done"]
    assert sorted(done) == DUE, "each went once"
    assert check_store(store, read_all=True) == ()
    assert verify_chain(store) == ()
    # The logs are free again, and known.
    assert ingest(fleet).unchanged == 7
    act(fleet, "clear")
    assert len(load_removals(store)) == len(removals)
