"""`check_store` finds what contradicts itself and nothing else."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.service.integrity import check_store
from trimkeep.service.store.connection import Store, unit_of_work


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    fleet = fleet_in(tmp_path_factory.mktemp("sound"))
    put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 1.0)]))
    put(fleet, "heron-01/b.tlog", "rubbish")
    ingest(fleet)
    return fleet.state


@pytest.fixture
def store(sound: Path, tmp_path: Path) -> Store:
    return Store(shutil.copytree(sound, tmp_path / "state"))


def codes(store: Store) -> list[str]:
    return [one.code for one in check_store(store, read_all=True)]


def test_a_sound_store(store: Store) -> None:
    assert codes(store) == []


def test_a_recording_that_is_missing_or_cut_off(store: Store) -> None:
    (path,) = store.recordings.iterdir()
    whole = path.read_bytes()
    path.write_bytes(whole[:-8])
    assert codes(store) == ["recording_damaged"]
    path.unlink()
    assert codes(store) == ["recording_missing"]
    path.write_bytes(whole)
    (store.recordings / "ffff.parquet").write_bytes(whole)
    assert codes(store) == ["recording_unknown"]


@pytest.mark.parametrize(
    "harm",
    [
        "DELETE FROM log_file WHERE outcome = 'ingested'",
        "DELETE FROM detector_run",
        "UPDATE log_file SET outcome = 'rejected'",
    ],
)
def test_rows_that_point_nowhere(store: Store, harm: str) -> None:
    with unit_of_work(store) as connection:
        connection.execute(harm)
    assert "orphan_rows" in codes(store)


def test_a_changed_record(store: Store) -> None:
    with unit_of_work(store) as connection:
        connection.execute("UPDATE audit_record SET kind = 'journal_added' WHERE seq = 1")
    assert codes(store) == ["row_changed", "log_not_in_record"]
