"""A sceptic recomputes a verdict from what is printed, with nothing of the judge's."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.history.builders import change, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.explain import ExplainedFlight, explain
from trimkeep.detectors.history.fleet_model import fit_fleet_model
from trimkeep.detectors.history.judge import judge_airframe

SETTINGS = JudgeSettings()


def test_the_working_can_be_worked_again() -> None:
    rng = np.random.default_rng(6)
    others = [
        history(np.exp(rng.normal(1.0, 0.2, 30)), airframe=f"o{k}", scale="log", wind=rng.normal(5, 2, 30))
        for k in range(6)
    ]
    model = fit_fleet_model(others, [])
    values = np.exp(rng.normal(1.0, 0.2, 28) + 0.5 * (np.arange(28) >= 20))
    values[5] *= 6.0
    series = history(values, scale="log", wind=rng.normal(5.0, 2.0, 28), matters=0.4)
    finding = judge_airframe([series], [change(20)], model, SETTINGS)[0]
    told = explain(finding, [series], [change(20)], model, SETTINGS)
    assert told is not None and finding.effect is not None
    number = {step.code: step.result for step in told.steps}
    for flight, value in zip(told.flights, values, strict=True):
        assert flight.transformed == pytest.approx(math.log(value))
        assert flight.adjusted == pytest.approx(flight.transformed - flight.conditions_part)
        by_hand = sum(x * slope for x, (_, slope) in zip(flight.conditions, told.slopes, strict=True))
        assert flight.conditions_part == pytest.approx(by_hand)
    assert [name for name, _ in told.slopes] == ["wind_mps", "wind_mps over many flights"]
    assert told.flights[5].agreement < 0.05

    def level(after: bool) -> float:
        rows = [(f.error_weight * f.agreement, f.adjusted) for f in told.flights if f.after is after]
        return sum(w * x for w, x in rows) / sum(w for w, _ in rows)

    assert number["level_before"] == pytest.approx(level(False))
    assert number["level_after"] == pytest.approx(level(True))
    assert number["sigma"] == pytest.approx(sigma_by_hand(told.flights, number))
    assert number["standard_error"] == pytest.approx(error_by_hand(told.flights, number))
    moved = sum(f.pull * f.transformed for f in told.flights)
    slope_part = number["step"] - moved  # what the fleet's slopes put in beside the flights
    assert abs(slope_part) < 3.0 * math.sqrt(number["slope_doubt"]) * number["sigma"]
    t = number["step"] / number["standard_error"]
    r = 1.0 / (1.0 + (number["sigma"] / number["standard_error"]) ** 2)
    f = number["freedom"]
    log_e = 0.5 * math.log(r) - 0.5 * (f + 1) * (math.log(1 + r * t * t / f) - math.log(1 + t * t / f))
    assert number["log_e"] == pytest.approx(log_e) == pytest.approx(math.log(finding.e_value or 0.0))
    low = math.exp(number["level_before"] + number["low_step"]) - math.exp(number["level_before"])
    assert number["low"] == pytest.approx(low) == pytest.approx(finding.effect.low)
    assert told.limits_version and told.model_version == model.version


def sigma_by_hand(flights: Sequence[ExplainedFlight], number: Mapping[str, float]) -> float:
    level = {False: number["level_before"], True: number["level_after"]}
    u = [1.0 - math.sqrt(f.agreement) for f in flights]
    square = sum(f.error_weight * (f.agreement * (f.adjusted - level[f.after])) ** 2 for f in flights)
    flat = sum((1.0 - x) * (1.0 - 5.0 * x) for x in u) / len(flights)
    own = math.sqrt(square / (len(flights) - 2)) / max(0.2, flat)
    assert number["own_sigma"] == pytest.approx(own)
    freedom = number["fleet_flights"] + len(flights) - 2
    assert number["freedom"] == pytest.approx(freedom)
    worth = number["fleet_flights"] * number["fleet_sigma"] ** 2 + (len(flights) - 2) * own**2
    return math.sqrt(worth / freedom)


def error_by_hand(flights: Sequence[ExplainedFlight], number: Mapping[str, float]) -> float:
    c = [f.pull / math.sqrt(f.error_weight) for f in flights]
    powers = [number["rho"] ** lag for lag in range(len(c))]
    powers = [power if power >= 0.005 else 0.0 for power in powers]
    pairs = sum(x * y * powers[abs(i - j)] for i, x in enumerate(c) for j, y in enumerate(c))
    return number["sigma"] * math.sqrt(pairs + number["slope_doubt"])


def test_what_has_no_working_has_no_explanation() -> None:
    series = history([3.0] * 25)
    finding = judge_airframe([series], [change(20)], fit_fleet_model([], []), SETTINGS)[0]
    assert (
        explain(replace(finding, kind="drift"), [series], [change(20)], fit_fleet_model([], []), SETTINGS)
        is None
    )
    assert explain(finding, [], [change(20)], fit_fleet_model([], []), SETTINGS) is None
