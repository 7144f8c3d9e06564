"""`trimkeep status`: what waits, what was last read, what went wrong."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.main import run
from trimkeep.service.health import HealthKeeper

Capture = pytest.CaptureFixture[str]


def status(fleet: FleetSettings, capsys: Capture) -> dict[str, Any]:
    capsys.readouterr()
    assert run(["status", str(fleet.folder), "--format", "json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_an_empty_fleet(tmp_path: Path, capsys: Capture) -> None:
    found = status(fleet_in(tmp_path), capsys)
    assert (found["waiting"], found["being_read"], found["last_log"], found["watcher"]) == (0, 0, None, None)
    assert found["free_bytes"] > 0


def test_files_wait_until_they_are_read(tmp_path: Path, capsys: Capture) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.csv", log_text([(0, 60, 1.0)]))
    put(fleet, "heron-01/b.csv", log_text([(0, 60, 1.0)], fault=True))
    assert status(fleet, capsys)["waiting"] == 2
    ingest(fleet)
    found = status(fleet, capsys)
    assert (found["waiting"], found["logs"]) == (0, {"ingested": 1, "rejected": 1})
    assert found["last_error"]["what"].startswith("b.csv: ")
    assert found["last_log"] is not None
    assert found["store_bytes"] > (fleet.state / "trimkeep.duckdb").stat().st_size
    put(fleet, "heron-01/a.csv", log_text([(0, 60, 1.0), (80, 120, 1.0)]))
    assert status(fleet, capsys)["waiting"] == 1


def test_the_watchers_sign_of_life(tmp_path: Path, capsys: Capture) -> None:
    fleet = fleet_in(tmp_path)
    asked = ["status", str(fleet.folder), "--alive-within", "60"]
    assert run(asked) == 10  # none ever ran
    now = datetime.now(UTC)
    keeper = HealthKeeper(fleet.state, "0.1.0", now)
    keeper.problem("heron-01/airframe.toml line 2: there is no key spam.", now)
    assert run(asked) == 0
    found = status(fleet, capsys)
    assert found["last_error"]["what"].endswith("there is no key spam.")
    assert found["watcher"]["doing"] == "watching"
    keeper.alive(now - timedelta(hours=1))
    assert run(asked) == 10
    keeper.stopped(now)
    assert run(asked) == 10
    assert "stopped at" in capsys.readouterr().out
