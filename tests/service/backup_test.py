"""Backup and restore, also under a service that goes on working."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import stat
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from multiprocessing.synchronize import Event as ProcessEvent
from pathlib import Path

import pytest

from tests.service.small_logs import TOOLS, fleet_in, ingest, log_text, put
from trimkeep.config.errors import StoreDamaged, StoreError, StoreTooNew, UsageError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.backup import find_backup, list_backups, make_backup, restore_backup
from trimkeep.service.cli.main import run
from trimkeep.service.ingest.watch import watch
from trimkeep.service.integrity import check_store
from trimkeep.service.store.audit import chain_head, load_records, verify_chain
from trimkeep.service.store.checks import row_counts
from trimkeep.service.store.connection import Store, held_database, open_store, unit_of_work
from trimkeep.service.store.flights import load_flights
from trimkeep.service.store.journal import add_entry
from trimkeep.service.web.accounts import Role, add_account, load_accounts, remove_account

NOW = datetime(2026, 3, 14, 10, tzinfo=UTC)
DEADLINE_S = 20.0


def fly(fleet: FleetSettings, *days: int) -> None:
    for day in days:
        text = log_text([(0, 60, 1.0)], start=f"2026-03-{day:02d}T10:00:00+00:00")
        put(fleet, f"heron-01/{day}.csv", text)


@pytest.fixture(scope="module")
def two_flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("two_flown")
    made = fleet_in(folder)
    fly(made, 1, 2)
    ingest(made)
    return folder


@pytest.fixture
def fleet(two_flown: Path, tmp_path: Path) -> FleetSettings:
    shutil.copytree(two_flown, tmp_path, dirs_exist_ok=True)
    return fleet_in(tmp_path)


def flown(fleet: FleetSettings) -> list[int]:
    return [flight.at.day for flight in load_flights(open_store(fleet.state))]


def test_a_backup_restored_is_the_store_as_it_was(fleet: FleetSettings, tmp_path: Path) -> None:
    store = open_store(fleet.state)
    records, counts = load_records(store), row_counts(store)
    made = make_backup(store, tmp_path / "disk", NOW)
    assert (made.copied, made.recordings, made.backup.name) == (2, 2, "2026-03-14T100000Z")
    shutil.rmtree(fleet.state)
    assert restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW).aside is None
    again = open_store(fleet.state)
    assert (load_records(again), row_counts(again)) == (records, counts)
    assert check_store(again, read_all=True) == ()
    # Nothing is read again, since nothing was lost.
    assert ingest(fleet).unchanged == 2


def test_what_came_after_the_backup_is_read_again(fleet: FleetSettings, tmp_path: Path) -> None:
    make_backup(open_store(fleet.state), tmp_path / "disk", NOW)
    fly(fleet, 3)
    ingest(fleet)
    head = chain_head(open_store(fleet.state))
    aside = restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW + timedelta(hours=1)).aside
    assert flown(fleet) == [1, 2]
    assert aside is not None
    # The former store is whole, under its new name.
    other = tmp_path / "other"
    other.mkdir()
    shutil.copy(aside, other / "trimkeep.duckdb")
    assert chain_head(Store(other)) == head
    ingest(fleet)
    assert flown(fleet) == [1, 2, 3]
    assert check_store(open_store(fleet.state)) == ()


def test_earlier_backups_stay_and_recordings_are_copied_once(fleet: FleetSettings, tmp_path: Path) -> None:
    store, disk = open_store(fleet.state), tmp_path / "disk"
    make_backup(store, disk, NOW)
    fly(fleet, 3)
    ingest(fleet)
    assert make_backup(store, disk, NOW + timedelta(days=1)).copied == 1
    assert [one.name for one in list_backups(disk)] == ["2026-03-14T100000Z", "2026-03-15T100000Z"]
    restore_backup(fleet.state, find_backup(disk, "2026-03-14T100000Z"), NOW)
    assert flown(fleet) == [1, 2]
    with pytest.raises(UsageError, match="There are: 2026-03-14T100000Z"):
        find_backup(disk, "2026-03-16T100000Z")


def test_a_store_that_cannot_be_opened_is_moved_aside(fleet: FleetSettings, tmp_path: Path) -> None:
    make_backup(open_store(fleet.state), tmp_path / "disk", NOW)
    database = fleet.state / "trimkeep.duckdb"
    database.write_bytes(b"\x00bad sector" * 1000)
    aside = restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW).aside
    assert aside is not None
    assert aside.read_bytes().startswith(b"\x00bad sector")
    assert flown(fleet) == [1, 2]


def test_a_spoiled_backup_leaves_the_store_alone(fleet: FleetSettings, tmp_path: Path) -> None:
    made = make_backup(open_store(fleet.state), tmp_path / "disk", NOW)
    path = made.backup.folder / "trimkeep.duckdb"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    before = sorted(one.name for one in fleet.state.iterdir())
    with pytest.raises(StoreDamaged, match=r"is not the file that backup\.json was written for"):
        restore_backup(fleet.state, made.backup, NOW)
    assert sorted(one.name for one in fleet.state.iterdir()) == before
    assert flown(fleet) == [1, 2]


def test_a_backup_of_a_newer_version_leaves_the_store_alone(fleet: FleetSettings, tmp_path: Path) -> None:
    store = open_store(fleet.state)
    with unit_of_work(store) as connection:
        connection.execute("INSERT INTO schema_migration VALUES (99, 'x', 'x', now()::TIMESTAMP)")
    backup = make_backup(store, tmp_path / "disk", NOW).backup
    with unit_of_work(store) as connection:
        connection.execute("DELETE FROM schema_migration WHERE number = 99")
    with pytest.raises(StoreTooNew):
        restore_backup(fleet.state, backup, NOW)
    assert flown(fleet) == [1, 2]


def test_a_folder_without_backups_and_one_inside_the_state(fleet: FleetSettings, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="holds no backup"):
        find_backup(tmp_path)
    with pytest.raises(UsageError, match="lies in the state folder"):
        make_backup(open_store(fleet.state), fleet.state / "backup", NOW)
    (tmp_path / "stray").mkdir()
    (tmp_path / "stray" / "backup.json").write_text("{}")
    assert list_backups(tmp_path) == ()


def test_a_target_that_cannot_be_written_is_said(fleet: FleetSettings, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be written"):
        make_backup(open_store(fleet.state), tmp_path / "file", NOW)


def _write_on(state: Path, stop: ProcessEvent, written: list[int]) -> None:
    """Another process that records work as fast as it can."""
    store = Store(state)
    while not stop.is_set():
        with unit_of_work(store) as connection:
            written.append(add_entry(connection, "heron-01", {"done_at": "2026-03-14"}, source="command"))


def test_backups_under_a_writer_hold_and_lose_nothing(fleet: FleetSettings, tmp_path: Path) -> None:
    """Every backup is a whole chain that continues into the final store, whatever the moment it was taken."""
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    with context.Manager() as manager:
        written = manager.list()
        writer = context.Process(target=_write_on, args=(fleet.state, stop, written))
        writer.start()
        try:
            store, heads = Store(fleet.state), []
            for number in range(4):
                backup = make_backup(store, tmp_path / "disk", NOW + timedelta(minutes=number)).backup
                copy = tmp_path / f"copy{number}"
                restore_backup(copy, backup, NOW)
                assert verify_chain(Store(copy)) == ()
                heads.append(chain_head(Store(copy)))
        finally:
            stop.set()
            writer.join(DEADLINE_S)
        assert writer.exitcode == 0
        records = load_records(store)
        assert verify_chain(store, tuple(heads)) == ()
        assert {record.seq for record in records} >= set(written)


def test_nobody_gets_in_while_the_file_is_held(fleet: FleetSettings) -> None:
    """Closing a second handle of the file must not give the engine's lock away."""
    store = open_store(fleet.state)
    with held_database(store) as stream:
        assert stream.read(1) != b""
        context = multiprocessing.get_context("spawn")
        other = context.Process(target=_try_to_write, args=(fleet.state,))
        other.start()
        other.join(DEADLINE_S)
        assert other.exitcode == 3
    other = context.Process(target=_try_to_write, args=(fleet.state,))
    other.start()
    other.join(DEADLINE_S)
    assert other.exitcode == 0


def _try_to_write(state: Path) -> None:
    try:
        with unit_of_work(Store(state, patience_s=0.2)):
            pass
    except StoreError:
        os._exit(3)


def test_a_running_watcher_reads_again_what_a_restore_lost(fleet: FleetSettings, tmp_path: Path) -> None:
    make_backup(open_store(fleet.state), tmp_path / "disk", NOW)
    stop, seen = threading.Event(), threading.Event()

    def look() -> None:
        if flown(fleet) == [1, 2, 3]:
            seen.set()

    watcher = threading.Thread(
        target=watch,
        args=(fleet,),
        kwargs={
            "polling": True,
            "stop": stop,
            "on_ingested": lambda report: None,
            "on_round": look,
            "workers": 1,
            "tools": TOOLS,
            "pool": ThreadPoolExecutor,
        },
    )
    watcher.start()
    try:
        fly(fleet, 3)
        assert seen.wait(DEADLINE_S)
        restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW)
        seen.clear()
        assert seen.wait(DEADLINE_S)
    finally:
        stop.set()
        watcher.join(DEADLINE_S)


def test_the_commands(fleet: FleetSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    disk = str(tmp_path / "disk")
    assert run(["backup", str(fleet.folder), disk]) == 0
    assert "2 of 2 recordings were new" in capsys.readouterr().out
    head = chain_head(open_store(fleet.state))
    assert run(["restore", str(fleet.folder), disk]) == 0
    shown = capsys.readouterr().out
    assert "is kept as" in shown
    assert head in shown
    assert run(["restore", str(fleet.folder), disk, "--at", "never"]) == 2


# --- accounts of `serve` ---


def with_account(fleet: FleetSettings, name: str = "Ann") -> Path:
    add_account(open_store(fleet.state), name, Role.ENGINEER, "scrypt$2$8$1$aa$bb", by="root", now=NOW)
    return fleet.state / "accounts.json"


def test_a_restored_service_lets_people_log_in(fleet: FleetSettings, tmp_path: Path) -> None:
    path = with_account(fleet)
    data = path.read_bytes()
    made = make_backup(open_store(fleet.state), tmp_path / "disk", NOW)
    copy = made.backup.folder / "accounts.json"
    assert copy.read_bytes() == data
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    shutil.rmtree(fleet.state)
    assert restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW).accounts == "restored"
    assert path.read_bytes() == data
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [one.name for one in load_accounts(fleet.state)] == ["Ann"]


def test_an_account_removed_since_the_backup_does_not_come_back(fleet: FleetSettings, tmp_path: Path) -> None:
    path = with_account(fleet)
    store = open_store(fleet.state)
    make_backup(store, tmp_path / "disk", NOW)
    remove_account(store, "Ann", by="root")
    assert restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW).accounts == "kept"
    assert load_accounts(fleet.state) == ()
    done = restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW, replace_accounts=True)
    assert done.accounts == "restored"
    assert [one.name for one in load_accounts(fleet.state)] == ["Ann"]
    former = path.with_name("accounts.json.before-2026-03-14T100000Z")
    assert stat.S_IMODE(former.stat().st_mode) == 0o600


def test_accounts_are_left_out_when_asked_and_when_there_are_none(
    fleet: FleetSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = open_store(fleet.state)
    assert make_backup(store, tmp_path / "none", NOW).backup.accounts_sha256 is None
    with_account(fleet)
    assert run(["backup", str(fleet.folder), str(tmp_path / "disk"), "--without-accounts"]) == 0
    assert "no accounts in it" in capsys.readouterr().out
    assert list((tmp_path / "disk").glob("*/accounts.json")) == []
    shutil.rmtree(fleet.state)
    assert run(["restore", str(fleet.folder), str(tmp_path / "disk")]) == 0
    assert "There are no accounts, neither here nor in the backup." in capsys.readouterr().out


def test_accounts_that_were_spoiled_in_the_backup_leave_the_store_alone(
    fleet: FleetSettings, tmp_path: Path
) -> None:
    with_account(fleet)
    made = make_backup(open_store(fleet.state), tmp_path / "disk", NOW)
    (made.backup.folder / "accounts.json").write_text("{}")
    head = chain_head(open_store(fleet.state))
    fly(fleet, 3)
    ingest(fleet)
    with pytest.raises(StoreDamaged, match="is not the file that"):
        restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW)
    assert chain_head(open_store(fleet.state)) != head
    assert flown(fleet) == [1, 2, 3]


def test_a_backup_of_an_earlier_version_has_no_accounts_and_is_restored(
    fleet: FleetSettings, tmp_path: Path
) -> None:
    made = make_backup(open_store(fleet.state), tmp_path / "disk", NOW)
    with_account(fleet)
    assert "accounts_sha256" not in (made.backup.folder / "backup.json").read_text()
    assert restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW).accounts == "kept"
    assert [one.name for one in load_accounts(fleet.state)] == ["Ann"]
