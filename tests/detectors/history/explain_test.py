"""A sceptic recomputes a verdict from what is printed, with nothing of the judge's."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.history.builders import change, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.explain import explain
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
    assert told.flights[5].weight < 0.05

    def level(after: bool) -> float:
        rows = [f for f in told.flights if f.after is after]
        return sum(f.weight * f.adjusted for f in rows) / sum(f.weight for f in rows)

    # the weights shown are those of the last step but one: they hold to a hundredth of a deviation
    assert number["level_before"] == pytest.approx(level(False), abs=0.002)
    assert number["level_after"] == pytest.approx(level(True), abs=0.002)
    t = number["step"] / number["standard_error"]
    r = 1.0 / (1.0 + (number["sigma"] / number["standard_error"]) ** 2)
    f = number["freedom"]
    log_e = 0.5 * math.log(r) - 0.5 * (f + 1) * (math.log(1 + r * t * t / f) - math.log(1 + t * t / f))
    assert number["log_e"] == pytest.approx(log_e) == pytest.approx(math.log(finding.e_value or 0.0))
    low = math.exp(number["level_before"] + number["low_step"]) - math.exp(number["level_before"])
    assert number["low"] == pytest.approx(low) == pytest.approx(finding.effect.low)
    assert told.limits_version and told.model_version == model.version


def test_what_has_no_working_has_no_explanation() -> None:
    series = history([3.0] * 25)
    finding = judge_airframe([series], [change(20)], fit_fleet_model([], []), SETTINGS)[0]
    assert (
        explain(replace(finding, kind="drift"), [series], [change(20)], fit_fleet_model([], []), SETTINGS)
        is None
    )
    assert explain(finding, [], [change(20)], fit_fleet_model([], []), SETTINGS) is None
