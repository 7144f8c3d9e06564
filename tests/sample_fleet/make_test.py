"""Building a fleet on disk: the same bytes whoever flies it, everything in its place, truth beside it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from trimkeep.sample_fleet.make import BuiltFleet, build_fleet
from trimkeep.sample_fleet.random_scenarios import random_scenario
from trimkeep.sample_fleet.scenario import Scenario

SEED = 11


def small_scenario() -> Scenario:
    return random_scenario(
        np.random.default_rng(2),
        airframes=2,
        flights=2,
        kinds=("elevator_trim",),
        size=2.0,
        models=("small_single",),
        styles=("field", "table_foreign"),
        flight_seconds=(150.0, 155.0),
    )


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> BuiltFleet:
    return build_fleet(tmp_path_factory.mktemp("one"), small_scenario(), seed=SEED, workers=1)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_any_number_of_workers_gives_the_same_bytes(built: BuiltFleet, tmp_path: Path) -> None:
    steps: list[tuple[int, int]] = []
    again = build_fleet(
        tmp_path,
        small_scenario(),
        seed=SEED,
        workers=2,
        progress=lambda done, total: steps.append((done, total)),
    )
    assert contents(again.folder) == contents(built.folder)
    assert steps == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_truth_lies_beside_the_fleet_and_names_every_log(built: BuiltFleet) -> None:
    assert built.truth.parent == built.fleet.parent
    truth = json.loads(built.truth.read_text())
    for airframe in truth["airframes"]:
        home = built.fleet / airframe["id"]
        assert {path.name for path in home.iterdir()} - {
            flight["file"] for flight in airframe["flights"]
        } <= {
            *("airframe.toml", "journal.csv", "channels.toml"),
        }
        assert all((home / flight["file"]).stat().st_size > 10_000 for flight in airframe["flights"])
        (change,) = airframe["changes"]
        assert change["before_flight"] == 2
        assert change["first_file"] == airframe["flights"][1]["file"]
        assert change["begins"][0]["kind"] == "elevator_trim"
        assert "elevator_trim" not in airframe["flights"][0]["planted"]["faults"]
        assert airframe["flights"][1]["planted"]["planted_elevator_trim"] == change["begins"][0]["size"]
        take_off, touch_down = airframe["flights"][1]["airborne_s"]
        assert 90.0 < touch_down - take_off < airframe["flights"][1]["seconds"]
        assert airframe["flights"][0]["planted"]["level_elevator_mean"] == pytest.approx(0.0, abs=0.05)
    assert truth["seed"] == SEED


def test_truth_is_plain_json(built: BuiltFleet) -> None:
    # `NaN` is no JSON; a strict reader elsewhere would refuse the file
    json.loads(built.truth.read_text(), parse_constant=pytest.fail)
