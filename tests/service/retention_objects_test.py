"""Retention where the logs lie in object storage: looked for, and read again, there."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

pytest.importorskip("s3fs", reason="the drivers of object storage are not installed")
pytest.importorskip("moto", reason="no S3-compatible server to test with")

from tests.service.ingest.object_credentials import CREDENTIALS
from tests.service.ingest.object_server import BUCKET, ObjectServer, object_server
from tests.service.small_logs import TOOLS, fleet_in, ingest, log_text
from trimkeep.config.errors import RecordingRemoved
from trimkeep.service.ingest import object_driver
from trimkeep.service.ingest.objects import FETCHED_NAME
from trimkeep.service.integrity import check_store
from trimkeep.service.made_again import bring_back, find_removed
from trimkeep.service.removing import clear_due
from trimkeep.service.retention import Why, plan_retention
from trimkeep.service.store.connection import open_store

LATER = datetime.now(UTC) + timedelta(days=400)


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[ObjectServer]:
    for name in list(os.environ):
        if name.startswith("AWS_") or name.lower().endswith("_proxy"):
            monkeypatch.delenv(name)
    for name, value in CREDENTIALS.items():
        monkeypatch.setenv(name, value)
    object_driver._driver.cache_clear()
    with object_server() as made:
        yield made


def test_logs_in_object_storage_are_looked_for_and_read_again_there(
    server: ObjectServer, tmp_path: Path
) -> None:
    texts = {}
    for day in range(1, 8):
        name = f"heron-01/{day}.csv"
        texts[name] = log_text([(0, 60, 1.0)], start=f"2026-03-{day:02d}T10:00:00+00:00").encode()
        server.put(f"kept/{name}", texts[name])
    where = f'[logs]\naddress = "s3://{BUCKET}/kept"\nendpoint = "{server.endpoint}"\ntries = 1\n'
    fleet = fleet_in(tmp_path, f"{where}[retention]\nrecordings_days = 365\n")
    (fleet.folder / "heron-01").mkdir()
    ingest(fleet)
    store = open_store(fleet.state)
    # The same size, other content: only a look at all of it shows that.
    server.put("kept/heron-01/3.csv", texts["heron-01/3.csv"].replace(b"60", b"61"))
    told = {one.log_path: one.why for one in plan_retention(store, fleet, LATER).files}
    assert [told[f"heron-01/{day}.csv"] for day in (1, 2, 3, 4)] == [Why.DUE] * 3 + [Why.NEWEST]
    done = clear_due(store, fleet, LATER, "Ann")
    assert [one.log_path for one in done.removed] == ["heron-01/1.csv", "heron-01/2.csv"]
    assert [one.log_path for one in done.kept_after_all] == ["heron-01/3.csv"]
    bring_back(store, fleet, find_removed(store, "heron-01/1.csv"), TOOLS)
    assert check_store(store, read_all=True) == ()
    server.put("kept/heron-01/2.csv", b"something else")
    with pytest.raises(RecordingRemoved, match="has other content by now"):
        bring_back(store, fleet, find_removed(store, "heron-01/2.csv"), TOOLS)
    assert not list((fleet.state / FETCHED_NAME).glob("*"))
