"""A block whose writing was cut off costs nothing; other damage is told as damage."""

from __future__ import annotations

import logging
import os
import shutil
import struct
from collections.abc import Iterator
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path

import duckdb
import pytest

from trimkeep.config.errors import StoreDamaged
from trimkeep.service.store.checks import row_counts
from trimkeep.service.store.connection import open_store, unit_of_work
from trimkeep.service.store.torn_block import checksum, mend_torn_block

PAGE = 4096
BLOCK = 262144
FIRST_BLOCK = 3 * PAGE
AT = datetime(2026, 3, 1)


def commit_and_die(state: Path, name: str) -> None:
    """A row in the log of commits that no checkpoint has taken over yet."""
    with unit_of_work(open_store(state)) as connection:
        connection.execute("INSERT INTO fleet_model VALUES (?, 1, ?, '', '')", [name, AT])
        connection.execute("COMMIT")
        os._exit(0)


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A state folder with two rows in the file and a third in the log beside it."""
    state = tmp_path_factory.mktemp("before")
    for name in ("first", "second"):
        with unit_of_work(open_store(state)) as connection:
            connection.execute("INSERT INTO fleet_model VALUES (?, 1, ?, '', '')", [name, AT])
    child = get_context("fork").Process(target=commit_and_die, args=(state, "third"))
    child.start()
    child.join()
    assert (state / "trimkeep.duckdb.wal").stat().st_size
    return state


@pytest.fixture(scope="module")
def rewritten(before: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[int, bytes, bytes]:
    """Where a checkpoint writes a block in place, that block before, and after."""
    after = tmp_path_factory.mktemp("after") / "state"
    shutil.copytree(before, after)
    connection = duckdb.connect(after / "trimkeep.duckdb")
    connection.execute("CHECKPOINT")
    connection.close()
    old, new = ((folder / "trimkeep.duckdb").read_bytes() for folder in (before, after))
    found = [
        (at, old[at : at + BLOCK], new[at : at + BLOCK])
        for at in range(FIRST_BLOCK, len(old), BLOCK)
        if old[at : at + BLOCK] != new[at : at + BLOCK]
    ]
    return found[0]


def torn_states(
    folder: Path, before: Path, rewritten: tuple[int, bytes, bytes]
) -> Iterator[tuple[int, Path]]:
    """The state as a kill leaves it after so many pages of the block, for every page that changes it."""
    at, old, new = rewritten
    seen = {old, new}
    for pages in range(1, BLOCK // PAGE):
        block = new[: pages * PAGE] + old[pages * PAGE :]
        if block in seen:
            continue
        seen.add(block)
        state = folder / str(pages)
        shutil.copytree(before, state)
        with (state / "trimkeep.duckdb").open("r+b") as stream:
            stream.seek(at)
            stream.write(block)
        yield pages, state


def first_names(state: Path) -> list[str]:
    with unit_of_work(open_store(state)) as connection:
        found = connection.execute("SELECT COLUMNS(*)::TEXT FROM fleet_model ORDER BY 1").fetchall()
    return [row[0] for row in found]


def test_wherever_the_write_was_cut_off_nothing_is_lost(
    tmp_path: Path, before: Path, rewritten: tuple[int, bytes, bytes], caplog: pytest.LogCaptureFixture
) -> None:
    count = 0
    for pages, state in torn_states(tmp_path, before, rewritten):
        with caplog.at_level(logging.WARNING):
            assert first_names(state) == ["first", "second", "third"], f"cut off after {pages} pages"
        [kept] = state.glob("*.torn-*")
        assert kept.name in caplog.text and len(kept.read_bytes()) == BLOCK
        assert row_counts(open_store(state))["fleet_model"] == 3
        count += 1
    assert count >= 2


def test_damage_without_a_checkpoint_under_way_is_damage(
    tmp_path: Path, before: Path, rewritten: tuple[int, bytes, bytes]
) -> None:
    state = tmp_path / "state"
    shutil.copytree(before, state)
    first_names(state)  # takes the log of commits over
    damaged = state / "trimkeep.duckdb"
    with damaged.open("r+b") as stream:
        stream.seek(rewritten[0] + 100)
        stream.write(b"\xff" * 8)
    content = damaged.read_bytes()
    with pytest.raises(StoreDamaged, match="backup"):
        open_store(state, patience_s=5.0)
    assert damaged.read_bytes() == content
    assert not list(state.glob("*.torn-*"))


def test_a_header_that_is_not_sound_is_left_alone(
    tmp_path: Path, before: Path, rewritten: tuple[int, bytes, bytes]
) -> None:
    _, state = next(torn_states(tmp_path, before, rewritten))
    database = state / "trimkeep.duckdb"
    with database.open("r+b") as stream:
        stream.seek(PAGE + 100)
        stream.write(b"\x01")
    complaint = f"does not match stored checksum 1 in block at location {rewritten[0]}"
    assert not mend_torn_block(database, complaint)


def test_another_complaint_is_none_of_its_business(before: Path) -> None:
    assert not mend_torn_block(before / "trimkeep.duckdb", "Could not set lock on file")


def test_of_two_that_meet_the_same_block_both_go_on(
    tmp_path: Path, before: Path, rewritten: tuple[int, bytes, bytes]
) -> None:
    _, state = next(torn_states(tmp_path, before, rewritten))
    database = state / "trimkeep.duckdb"
    complaint = f"does not match stored checksum 1 in block at location {rewritten[0]}"
    assert mend_torn_block(database, complaint)
    content = database.read_bytes()
    assert mend_torn_block(database, complaint), "the second finds it done"
    assert database.read_bytes() == content and len(list(state.glob("*.torn-*"))) == 1


def test_sums_are_those_of_the_engine(before: Path) -> None:
    content = (before / "trimkeep.duckdb").read_bytes()
    parts = [content[at : at + PAGE] for at in range(0, FIRST_BLOCK, PAGE)]
    parts += [content[at : at + BLOCK] for at in range(FIRST_BLOCK, len(content), BLOCK)]
    assert all(struct.unpack_from("<Q", part)[0] == checksum(part[8:]) for part in parts)
