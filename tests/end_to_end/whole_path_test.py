"""From flown logs to a digest: what was planted is told, what was not is not; twice is once."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from trimkeep.sample_fleet.make import build_fleet
from trimkeep.sample_fleet.random_scenarios import random_scenario
from trimkeep.service.cli.main import run

SEED = 411


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two planes, seven flights before and after: one gets a loop that is too strong, one gets nothing."""
    folder = tmp_path_factory.mktemp("flown")
    scenario = random_scenario(
        np.random.default_rng(SEED),
        airframes=2,
        flights=14,
        kinds=(None, "loop_gain"),
        models=("small_single",),
        flight_seconds=(80.0, 100.0),
        rate_hz=25.0,
    )
    built = build_fleet(folder, scenario, seed=SEED, workers=2)
    (built.fleet / "fleet.toml").write_text('name = "Two planes"\n[watch]\nstill_s = 0.1\n')
    assert run(["ingest", str(built.fleet), "--workers", "2", "--quiet"]) == 0
    return built.fleet


def test_every_log_is_in_and_read_once(flown: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["flights", str(flown)]) == 0
    first = capsys.readouterr().out
    assert len(first.splitlines()) == 2 + 28
    assert run(["ingest", str(flown)]) == 0
    assert "28 unchanged. New flights: 0." in capsys.readouterr().out
    assert run(["flights", str(flown)]) == 0
    assert capsys.readouterr().out == first


def test_the_digest_is_one_file_that_fetches_nothing(flown: Path) -> None:
    assert run(["digest", str(flown)]) == 0
    page = (flown / "digests" / "latest.html").read_text(encoding="utf-8")
    assert "Two planes" in page
    assert "<script" not in page
    assert "http://" not in page.replace("http://www.w3.org/", "")
    assert "https://" not in page


def test_findings_are_json_as_the_design_says(flown: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["findings", str(flown), "--format", "json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found
    keys = {
        "schema", "id", "scope", "metric", "family", "context", "kind", "change", "verdict", "tier", "effect",
        "flights_before", "flights_after", "flights_needed", "likely_causes", "opened_at", "updated_at",
        "status",
    }  # fmt: skip
    for one in found:
        assert keys <= set(one)
        assert ("airframe" in one) or ("airframes" in one)


def test_the_record_is_unbroken(flown: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", str(flown), "--all"]) == 0
    assert run(["audit", "verify", str(flown)]) == 0
    assert "unbroken" in capsys.readouterr().out
