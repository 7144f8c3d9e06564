"""Scenes of the journal, the schema, backups, and of files that are removed when they are due."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb

from tests.crash.later_child import NOW
from tests.crash.later_child import act as act_later
from tests.crash.scene import OF_CHAIN, Scene, Setting, assert_sound, fleet_of, rows
from tests.crash.scenes_of_judging import make_flown
from tests.crash.scenes_of_logs import LOGS, make_backlog, make_outdated
from tests.crash.undisturbed import CONTENT as OF_LOGS
from tests.service.small_logs import ingest
from tests.service.synthetic_store import airframe_name
from trimkeep.service.backup import find_backup, list_backups, make_backup, restore_backup
from trimkeep.service.removing import clear_due
from trimkeep.service.store.connection import DATABASE_NAME, Store, open_store, unit_of_work
from trimkeep.service.store.migrate import migrate, shipped
from trimkeep.service.store.removals import load_removals

JOURNAL_BEFORE = (
    "done_at,kind,part,before,after,done_by,note\n"
    "2025-01-05,servo,elevator servo,S1,S2,A,\n"
    "2025-01-06,propeller,,11x7,12x6,B,bent\n"
    "2025-01-07,battery,,,new,B,\n"
)
JOURNAL_AFTER = (
    "done_at,kind,part,before,after,done_by,note\n"
    "2025-01-05,servo,elevator servo,S1,S3,A,serial mended\n"
    "2025-01-09,sensor,airspeed tube,,,B,cleaned\n"
    + "".join(f"2025-02-{day:02d},trim,,,,A,\n" for day in range(1, 9))
)


def _make_journal(folder: Path) -> None:
    make_flown(folder)
    path = fleet_of(folder).folder / airframe_name(0) / "journal.csv"
    path.write_text(JOURNAL_BEFORE)
    act_later(fleet_of(folder), "journal")
    path.write_text(JOURNAL_AFTER)


def _import(folder: Path, setting: Setting) -> None:
    act_later(fleet_of(folder), "journal")


def _imported(folder: Path) -> dict[str, Any]:
    state = fleet_of(folder).state
    assert_sound(state, read_all=False)
    return rows(state, OF_CHAIN, {"journal_file": "airframe, path, sha256"})


def _make_old(folder: Path) -> None:
    """A store of schema 2 with what a judge said in it."""
    fleet = folder / "fleet"
    fleet.mkdir()
    state = fleet_of(folder).state
    state.mkdir(parents=True)
    connection = duckdb.connect(str(state / DATABASE_NAME))
    migrate(connection, state, tuple(one for one in shipped() if one.number <= 2))
    added = (
        "INSERT INTO finding VALUES (?, 'airframe', 'm', 'c', 'drift', 'worse', 'watch', 'open', ?, ?, ?, ?)"
    )
    at = datetime(2026, 3, 14, 10)
    for number in range(200):
        body = json.dumps({"airframes": [f"heron-{number % 7}"]})
        connection.execute(added, [f"f{number}", at, at + timedelta(hours=number), number % 2 == 0, body])
    connection.close()


def _open(folder: Path, setting: Setting) -> None:
    open_store(fleet_of(folder).state)


def _opened(folder: Path) -> dict[str, Any]:
    state = fleet_of(folder).state
    tables = "SELECT table_name, column_name, data_type FROM information_schema.columns"
    with unit_of_work(Store(state)) as connection:
        columns = sorted(connection.execute(tables).fetchall())
    found = rows(state, {"schema_migration": "number, name, sha256", "finding": "*"})
    return {**found, "columns": columns}


def _make_new(folder: Path) -> None:
    (folder / "fleet").mkdir()


def _back_up(folder: Path, setting: Setting) -> None:
    store = open_store(fleet_of(folder).state)
    make_backup(store, folder / "disk", NOW + timedelta(minutes=setting.attempt))


def _backed_up(folder: Path) -> dict[str, Any]:
    """The store as it was, and every backup that is listed brings back the same one."""
    fleet = fleet_of(folder)
    assert_sound(fleet.state, read_all=True)
    backups = list_backups(folder / "disk")
    assert backups
    found = rows(fleet.state, OF_LOGS, OF_CHAIN)
    for number, backup in enumerate(backups):
        other = folder / f"restored-{number}"
        restore_backup(other, backup, NOW)
        assert_sound(other, read_all=True)
        assert rows(other, OF_LOGS, OF_CHAIN) == found
    return found


def _make_backed_up(folder: Path) -> None:
    """A backup of another state than the store's: one log came later, and is to be gone after the restore."""
    make_backlog(folder)
    fleet = fleet_of(folder)
    late = fleet.folder / "heron-0" / "0.tlog"
    late.rename(folder / "late.tlog")
    ingest(fleet)
    make_backup(open_store(fleet.state), folder / "disk", NOW)
    (folder / "late.tlog").rename(late)
    ingest(fleet)


def _restore(folder: Path, setting: Setting) -> None:
    state = fleet_of(folder).state
    restore_backup(state, find_backup(folder / "disk"), NOW + timedelta(minutes=setting.attempt))


def _restored(folder: Path) -> dict[str, Any]:
    """What the backup held; the log that came later is still in the folder and is read again."""
    fleet = fleet_of(folder)
    found = rows(fleet.state, OF_LOGS, OF_CHAIN)
    assert len(found["log_file"]) == LOGS - 1
    ingest(fleet)
    assert_sound(fleet.state, read_all=True)
    return {**found, "then": rows(fleet.state, OF_LOGS)}


def _make_due(folder: Path) -> None:
    make_backlog(folder)
    toml = folder / "fleet" / "fleet.toml"
    toml.write_text(toml.read_text() + "[retention]\nrecordings_days = 30\n")
    ingest(fleet_of(folder))


def _clear(folder: Path, setting: Setting) -> None:
    fleet = fleet_of(folder)
    clear_due(open_store(fleet.state), fleet, datetime.now(UTC) + timedelta(days=400), "Ann")


def _cleared(folder: Path) -> dict[str, Any]:
    """What was meant and then meant again may differ; what went, went once, and the record names it."""
    fleet = fleet_of(folder)
    store = Store(fleet.state)
    assert_sound(fleet.state, read_all=True)
    removals = load_removals(store)
    assert all(one.ended_as is not None for one in removals)
    assert ingest(fleet).unchanged == LOGS
    return {
        **rows(fleet.state, OF_LOGS),
        "went": sorted(one.file.name for one in removals if one.ended_as == "removal_done"),
        "stayed": sorted(path.name for path in store.recordings.glob("*.parquet")),
    }


SCENES = (
    Scene("removing what is due", _make_due, _clear, _cleared, share=3),
    Scene("the journal's import", _make_journal, _import, _imported, share=4),
    Scene("making the schema", _make_new, _open, _opened, share=2),
    Scene("bringing the schema up to date", _make_old, _open, _opened, share=2),
    Scene("backup", make_outdated, _back_up, _backed_up, share=3),
    Scene("restore", _make_backed_up, _restore, _restored, share=3),
)
