"""The watcher's sign of life: whole or not there, rarely written, and no reason to stop."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from trimkeep.service.health import HEALTH_NAME, WRITE_EVERY, HealthKeeper, read_health

NOW = datetime(2026, 3, 14, 10, tzinfo=UTC)
LATER = NOW + WRITE_EVERY


def test_what_is_written_is_read(tmp_path: Path) -> None:
    keeper = HealthKeeper(tmp_path, "0.1.0", NOW)
    keeper.problem("heron-01/a.tlog: no format is recognised.", LATER)
    assert read_health(tmp_path) == keeper.health
    assert keeper.health.problem_at == LATER
    keeper.stopped(LATER)
    found = read_health(tmp_path)
    assert found is not None
    assert (found.doing, found.alive_at, found.problem_at) == ("stopped", LATER, LATER)


def test_rounds_in_quick_succession_are_not_written(tmp_path: Path) -> None:
    keeper = HealthKeeper(tmp_path, "0.1.0", NOW)
    (tmp_path / HEALTH_NAME).unlink()
    keeper.alive(NOW + timedelta(seconds=1))
    assert read_health(tmp_path) is None
    keeper.alive(LATER)
    assert read_health(tmp_path) is not None


def test_a_clock_set_back_does_not_silence_it(tmp_path: Path) -> None:
    keeper = HealthKeeper(tmp_path, "0.1.0", NOW)
    keeper.alive(NOW - timedelta(days=1))
    found = read_health(tmp_path)
    assert found is not None
    assert found.alive_at == NOW - timedelta(days=1)


def test_a_folder_that_cannot_be_written_only_warns(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    HealthKeeper(tmp_path / "gone", "0.1.0", NOW).alive(LATER)
    assert "cannot be written" in caplog.text


@pytest.mark.parametrize("text", ["", "{", "[]", '{"doing": "watching"}', '{"began_at": "x"}'])
def test_a_file_that_is_none_of_ours_is_as_good_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / HEALTH_NAME).write_text(text)
    assert read_health(tmp_path) is None
