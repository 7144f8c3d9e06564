"""From flown logs to a digest: what was planted is told, what was not is not; twice is once."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.reports.browser import BROWSER, PHONE_WIDTH, look_at
from trimkeep.sample_fleet.make import build_fleet
from trimkeep.sample_fleet.random_scenarios import random_fault, random_scenario
from trimkeep.service.cli.main import run

SEED = 411


SOUND, SPOILT = "plane-001", "plane-002"


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two planes, four flights before and after: one gets out of trim, the other gets nothing."""
    folder = tmp_path_factory.mktemp("flown")
    drawn = random_scenario(
        np.random.default_rng(SEED),
        airframes=2,
        flights=8,
        kinds=(None,),
        models=("small_single",),
        flight_seconds=(80.0, 100.0),
        rate_hz=25.0,
    )
    sound, spoilt = drawn.airframes
    fault = random_fault("elevator_trim", np.random.default_rng(SEED), 1.5)
    work = replace(spoilt.works[0], begins=(fault,))
    scenario = replace(drawn, airframes=(sound, replace(spoilt, works=(work,))))
    built = build_fleet(folder, scenario, seed=SEED, workers=2)
    (built.fleet / "fleet.toml").write_text('name = "Two planes"\n[watch]\nstill_s = 0.1\n')
    assert run(["ingest", str(built.fleet), "--workers", "2", "--quiet"]) == 0
    return built.fleet


@pytest.fixture(scope="module")
def digests(flown: Path) -> Path:
    """The folder with its digest and pages, made once."""
    assert run(["digest", str(flown)]) == 0
    return flown / "digests"


def test_every_log_is_in_and_read_once(flown: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["flights", str(flown)]) == 0
    first = capsys.readouterr().out
    assert len(first.splitlines()) == 2 + 16
    assert run(["ingest", str(flown)]) == 0
    assert "16 unchanged. New flights: 0." in capsys.readouterr().out
    assert run(["flights", str(flown)]) == 0
    assert capsys.readouterr().out == first


def test_the_digest_is_one_file_that_fetches_nothing(digests: Path) -> None:
    page = (digests / "latest.html").read_text(encoding="utf-8")
    assert "Two planes" in page
    assert "<script" not in page
    assert "http://" not in page.replace("http://www.w3.org/", "")
    assert "https://" not in page


@pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
def test_a_browser_opens_every_page_of_the_flown_fleet(digests: Path, tmp_path: Path) -> None:
    files = [digests / "latest.html", *sorted((digests / "pages").glob("*.html"))]
    kinds = {path.name.split("-")[0].removesuffix(".html") for path in files}
    assert {"latest", "board", "airframe", "finding", "flight"} <= kinds
    look = look_at({path.name: path.read_text(encoding="utf-8") for path in files}, tmp_path)
    assert look.console == ()
    for name, page in look.pages.items():
        assert (name, page["width"], page["fetched"], page["plots"]) == (name, PHONE_WIDTH, 0, 0)


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


def test_what_was_planted_is_called_and_the_other_plane_is_left_alone(
    flown: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["findings", str(flown), "--format", "json"]) == 0
    found = json.loads(capsys.readouterr().out)
    called = [one for one in found if one["tier"] == "called" and one["verdict"] in ("worse", "attention")]
    blamed = {name for one in called for name in one.get("airframes", [one.get("airframe")])}
    assert blamed == {SPOILT}
    trim = next(one for one in called if one["metric"] == "elevator_trim")
    assert trim["likely_causes"][0]["cause"] == "out_of_trim"


def test_the_record_is_unbroken(flown: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", str(flown), "--all"]) == 0
    assert run(["audit", "verify", str(flown)]) == 0
    assert "unbroken" in capsys.readouterr().out
