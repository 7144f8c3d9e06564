"""What every test of the service is given."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from uuid import uuid4

import pytest

from trimkeep.service.ingest import watch
from trimkeep.service.store import connection


@pytest.fixture(scope="session", autouse=True)
def _watchers_end_soon() -> Iterator[None]:
    """A watcher looks at its stop signal twenty times a second."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(watch, "ROUND_S", 0.05)
        yield


@pytest.fixture(scope="session", autouse=True)
def _schema_made_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A new store begins as a copy of an empty one: making the schema takes longer than most tests.

    The empty one is made here, by the same function, which also looks at what every copy holds.
    """
    empty = tmp_path_factory.mktemp("empty") / "state"
    data = connection.open_store(empty).database.read_bytes()
    lay_out = connection._lay_out

    def lay_out_with_schema(store: connection.Store) -> None:
        lay_out(store)
        if not store.database.exists():
            _put(data, store.database)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(connection, "_lay_out", lay_out_with_schema)
        yield


def _put(data: bytes, path: Path) -> None:
    """Whole or not at all, and never over what another thread or process has made meanwhile."""
    part = path.with_name(uuid4().hex)
    try:
        part.write_bytes(data)
        with suppress(FileExistsError):
            os.link(part, path)
    finally:
        part.unlink(missing_ok=True)
