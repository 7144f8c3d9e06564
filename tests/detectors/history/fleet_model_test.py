"""What the fleet teaches, from simulated fleets with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.judging_series import SCENARIOS, make
from tests.detectors.history.builders import change, history
from trimkeep.detectors.history.fleet_model import FleetModel, fit_fleet_model, refit_due
from trimkeep.detectors.history.model import Series
from trimkeep.detectors.history.preparation import CONDITION_NAMES

WIND = CONDITION_NAMES.index("wind_mps")


def fleet(scenario: str, airframes: int = 40, flights: int = 30, seed: int = 5) -> list[Series]:
    batch = make(SCENARIOS[scenario], np.random.default_rng(seed), airframes, flights, 0)
    return [
        history(v, airframe=f"heron-{k:02d}", wind=5.0 + 2.0 * w)
        for k, (v, w) in enumerate(zip(batch.value, batch.wind, strict=True))
    ]


def test_slope_noise_memory_and_gross_errors_are_those_planted() -> None:
    model = fit_fleet_model(fleet("real"), []).metrics[0]
    # per spread of measured wind (sqrt 1.25): slope 0.8 / deviation 1.118 => 0.894; attenuated by noise
    assert model.slope[WIND] == pytest.approx(0.89, abs=0.15)
    assert model.sigma == pytest.approx(1.05, abs=0.15)
    assert 0.1 < model.rho < 0.4
    assert 0.02 < model.outlier_share < 0.09
    assert model.sigma_flights == pytest.approx(8.0, abs=4.0)


def test_correlation_is_learned_with_its_doubt_added() -> None:
    assert fit_fleet_model(fleet("ar4"), []).metrics[0].rho == pytest.approx(0.45, abs=0.08)
    assert fit_fleet_model(fleet("clean"), []).metrics[0].rho < 0.12


def test_nothing_is_learned_from_flights_under_judgement() -> None:
    quiet = fleet("clean")
    changes = [change(20, airframe=s.airframe) for s in quiet]
    spoiled = [
        history(
            [p.value if p.order < 20 else p.value * 9.0 + 40.0 for p in s.points],
            airframe=s.airframe,
            wind=[p.conditions["wind_mps"] if p.order < 20 else 30.0 for p in s.points],
        )
        for s in quiet
    ]
    assert fit_fleet_model(quiet, changes).metrics == fit_fleet_model(spoiled, changes).metrics


def test_changes_between_stretches_do_not_count_as_noise() -> None:
    stepped = [
        history([p.value + 15.0 * (p.order >= 15) for p in s.points] * 3, airframe=s.airframe)
        for s in fleet("clean")
    ]
    changes = [change(order, airframe=s.airframe) for s in stepped for order in (15, 30, 45, 60, 75)]
    assert fit_fleet_model(stepped, changes).metrics[0].sigma < 1.3


def test_order_of_arrival_does_not_matter_and_the_version_says_so() -> None:
    series = fleet("real", 8, 12)
    first, second = fit_fleet_model(series, []), fit_fleet_model(series[::-1], [])
    assert first == second and first.version == second.version
    assert fit_fleet_model(fleet("real", 8, 12, seed=6), []).version != first.version


def test_json_round_trip_and_refusal_of_another_schema() -> None:
    model = fit_fleet_model(fleet("real", 8, 12), [])
    assert FleetModel.from_json(model.to_json()) == model
    with pytest.raises(ValueError, match="schema 99"):
        FleetModel.from_json(model.to_json().replace('"schema": 1', '"schema": 99'))


def test_a_fleet_of_one_has_no_opinion_on_its_own_noise() -> None:
    model = fit_fleet_model(fleet("clean", 1), []).metrics[0]
    assert model.sigma_flights == 0.0


def test_refit_rule() -> None:
    model = fit_fleet_model(fleet("clean", 4, 25), [])
    assert not refit_due(model, 124, 0.25) and refit_due(model, 125, 0.25)
    assert refit_due(FleetModel(), 1, 0.25)


def test_that_most_airframes_have_no_noise_at_all_is_known_too() -> None:
    """Free play is nothing on a sound linkage, flight after flight; one worn linkage is no prior."""
    sound = [history([0.0] * 16, airframe=f"heron-{k:02d}", matters=0.02) for k in range(6)]
    worn = history(list(np.linspace(0.0, 0.06, 16)), airframe="heron-99", matters=0.02)
    model = fit_fleet_model([*sound, worn], []).of("altitude_error_rms_m", "held_level")
    assert model.sigma >= 0.02 * 0.02 and model.sigma_flights >= 2.0
