"""The store's file: shared between processes, brought up to date, refused when it is too new."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from trimkeep.config.errors import StoreBusy, StoreDamaged, StoreError, StoreTooNew
from trimkeep.service.store.checks import row_counts
from trimkeep.service.store.connection import Store, kept_open, open_store, unit_of_work
from trimkeep.service.store.migrate import Migration, migrate, shipped
from trimkeep.service.store.values import first_row

HOLD = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.readline()"


def hold(store: Store) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(store.database)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_waits_for_another_process_up_to_a_limit(tmp_path: Path) -> None:
    store = open_store(tmp_path, patience_s=0.2)
    process = hold(store)
    try:
        with pytest.raises(StoreBusy, match="another process"), unit_of_work(store):
            pass
        assert process.stdin is not None
        threading.Timer(0.3, process.stdin.close).start()
        with unit_of_work(Store(tmp_path, patience_s=20.0)) as connection:
            assert first_row(connection, "SELECT 1") == (1,)
    finally:
        process.kill()
        process.wait()


def test_a_unit_of_work_is_whole_or_not_at_all(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    with pytest.raises(ZeroDivisionError), unit_of_work(store) as connection:
        connection.execute("INSERT INTO fleet_model VALUES ('a', 1, now()::TIMESTAMP, '', '')")
        raise ZeroDivisionError
    assert row_counts(store)["fleet_model"] == 0


def test_threads_take_turns(tmp_path: Path) -> None:
    store = open_store(tmp_path)

    def add(number: int) -> None:
        for _ in range(3):
            with unit_of_work(store) as connection:
                connection.execute(
                    "INSERT INTO fleet_model VALUES ('a', ?, now()::TIMESTAMP, '', '')", [number]
                )

    threads = [threading.Thread(target=add, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert row_counts(store)["fleet_model"] == 12


def test_a_connection_that_is_kept_open_serves_several_units_of_work(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    added = "INSERT INTO fleet_model VALUES ('a', ?, now()::TIMESTAMP, '', '')"
    outcomes: list[int] = []

    def other() -> None:
        with unit_of_work(store) as connection:
            outcomes.append(len(connection.execute("SELECT * FROM fleet_model").fetchall()))

    with kept_open(store), kept_open(store):
        with unit_of_work(store) as first:
            first.execute(added, [1])
        with pytest.raises(ZeroDivisionError), unit_of_work(store) as second:
            assert second is first
            second.execute(added, [2])
            raise ZeroDivisionError
        thread = threading.Thread(target=other)
        thread.start()
        with unit_of_work(store) as third:
            third.execute(added, [3])
    thread.join()
    assert outcomes == [2], "another thread waited until the end, and saw what was committed"
    process = hold(store)  # the file was given free
    process.kill()
    process.wait()


def test_the_file_is_free_and_complete_after_a_unit_of_work_that_failed_too(tmp_path: Path) -> None:
    """A quote in the folder's name, since the name goes into a statement."""
    store = open_store(tmp_path / "R. Vale's")
    for wrong in (duckdb.ParserException, ZeroDivisionError):
        with unit_of_work(store) as connection:
            connection.execute("INSERT INTO fleet_model VALUES ('a', 1, now()::TIMESTAMP, '', '')")
        with pytest.raises(wrong), unit_of_work(store) as connection:
            raise wrong("by this test")
        assert [path.name for path in store.state.glob("*.duckdb*")] == ["trimkeep.duckdb"], "no log is left"
        process = hold(store)
        process.kill()
        process.wait()
    assert row_counts(store)["fleet_model"] == 2


def test_two_stores_at_once_are_two(tmp_path: Path) -> None:
    one, other = open_store(tmp_path / "one"), open_store(tmp_path / "other")
    added = "INSERT INTO fleet_model VALUES ('a', 1, now()::TIMESTAMP, '', '')"
    with unit_of_work(one) as outer, unit_of_work(other) as inner:
        inner.execute(added)
        inner.execute(added.replace("1", "2"))
        outer.execute(added)
        assert first_row(outer, "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'finding'") == (1,)
    assert [row_counts(store)["fleet_model"] for store in (one, other)] == [1, 2]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
@pytest.mark.filterwarnings("ignore:This process .* is multi-threaded:DeprecationWarning")
def test_a_forked_child_opens_the_store_with_an_engine_of_its_own(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    child = os.fork()
    if child == 0:
        signal.alarm(60)
        # What failed closes its engine, which would wait for threads that are the parent's.
        with suppress(ZeroDivisionError), unit_of_work(store):
            raise ZeroDivisionError
        with unit_of_work(store) as connection:
            connection.execute("INSERT INTO fleet_model VALUES ('a', 1, now()::TIMESTAMP, '', '')")
        os._exit(0)
    assert os.waitpid(child, 0)[1] == 0
    assert row_counts(store)["fleet_model"] == 1


def test_opening_again_changes_nothing(tmp_path: Path) -> None:
    before = row_counts(open_store(tmp_path))
    assert row_counts(open_store(tmp_path)) == before
    assert before["schema_migration"] == len(shipped())


def test_a_store_from_the_future_is_refused(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    with unit_of_work(store) as connection:
        connection.execute("INSERT INTO schema_migration VALUES (9999, '9999_x.sql', '', now()::TIMESTAMP)")
    with pytest.raises(StoreTooNew, match="newer version"):
        open_store(tmp_path)


def test_a_migration_that_reads_differently_is_refused(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    with unit_of_work(store) as connection:
        connection.execute("UPDATE schema_migration SET sha256 = 'other' WHERE number = 1")
    with pytest.raises(StoreDamaged, match="another text"):
        open_store(tmp_path)


def test_a_migration_that_fails_leaves_the_store_as_it_was(tmp_path: Path) -> None:
    connection = duckdb.connect(str(tmp_path / "a.duckdb"))
    good = Migration(1, "0001_a.sql", "CREATE TABLE a (x INTEGER);")
    bad = Migration(2, "0002_b.sql", "CREATE TABLE b (x INTEGER); CREATE TABLE a (x INTEGER);")
    with pytest.raises(duckdb.CatalogException):
        migrate(connection, tmp_path, (good, bad))
    names = connection.execute("SELECT table_name FROM duckdb_tables() ORDER BY 1").fetchall()
    assert names == [("a",), ("schema_migration",)]
    migrate(connection, tmp_path, (good, Migration(2, "0002_b.sql", "CREATE TABLE b (x INTEGER);")))
    assert first_row(connection, "SELECT max(number) FROM schema_migration") == (2,)


def test_findings_of_the_schema_before_know_their_airframe(tmp_path: Path) -> None:
    """A store of schema 2 with findings of both scopes, brought up to today's; nothing else is touched."""
    connection = duckdb.connect(str(tmp_path / "trimkeep.duckdb"))
    before = tuple(one for one in shipped() if one.number <= 2)
    migrate(connection, tmp_path, before)
    added = "INSERT INTO finding VALUES (?, ?, 'm', 'c', 'drift', 'worse', 'watch', 'open', ?, ?, ?, ?)"
    at = datetime(2026, 3, 14, 10)
    for name, scope, airframes, current in (
        ("a", "airframe", ["heron-01"], True),
        ("b", "airframe", ["it's \u00e9"], False),
        ("c", "fleet", ["heron-01", "heron-02"], True),
    ):
        connection.execute(added, [name, scope, at, at, current, json.dumps({"airframes": airframes})])
    connection.execute("INSERT INTO fleet_model VALUES ('fleet', 1, now()::TIMESTAMP, 'x', '{}')")
    kept = connection.execute("SELECT * FROM finding ORDER BY id").fetchall()
    connection.close()
    store = open_store(tmp_path)
    with unit_of_work(store) as opened:
        rows = opened.execute("SELECT * FROM finding ORDER BY id").fetchall()
        judgings = opened.execute("SELECT count(*) FROM judging").fetchall()
    assert [row[:-1] for row in rows] == kept
    assert [row[-1] for row in rows] == ["heron-01", "it's \u00e9", ""]
    assert judgings == [(0,)], "nothing is noted as judged, so the next judging is of the whole fleet"
    assert row_counts(store)["fleet_model"] == 1


def test_rubbish_in_place_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "trimkeep.duckdb").write_bytes(b"this is no database" * 1000)
    with pytest.raises(StoreDamaged, match="backup"):
        open_store(tmp_path)


def test_a_state_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("a file")
    with pytest.raises(StoreError, match="--state"):
        open_store(tmp_path / "state")


def test_every_table_and_column_says_what_it_is(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    with unit_of_work(store) as connection:
        tables = connection.execute("SELECT table_name FROM duckdb_tables() WHERE comment IS NULL").fetchall()
        columns = connection.execute(
            "SELECT c.table_name, column_name FROM duckdb_columns() c JOIN duckdb_tables() t "
            "USING (table_name) WHERE c.comment IS NULL"
        ).fetchall()
    assert (tables, columns) == ([], [])
