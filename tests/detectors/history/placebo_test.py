"""Placebos: what was never changed must be left alone at the promised rate."""

from __future__ import annotations

import numpy as np

from tests.detectors.history.builders import change, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.fleet_model import fit_fleet_model
from trimkeep.detectors.history.model import Series
from trimkeep.detectors.history.placebo import PlaceboScore, score_placebos

SETTINGS = JudgeSettings()


def fleet(drift: float = 0.0) -> list[Series]:
    rng = np.random.default_rng(4)
    return [
        history(3.0 + rng.normal(0.0, 0.2, 60) + drift * np.arange(60), airframe=f"heron-{k:02d}")
        for k in range(40)
    ]


def test_unchanged_flights_are_left_alone_at_the_promised_rate() -> None:
    series = fleet()
    score = score_placebos(series, [], fit_fleet_model(series, []), SETTINGS, np.random.default_rng(1))
    assert score.planted == 40
    assert score.kept and score.low <= 0.05 <= score.high


def test_flights_that_are_not_what_the_judge_takes_them_for_show() -> None:
    series = fleet(drift=0.03)
    score = score_placebos(series, [], fit_fleet_model(fleet(), []), SETTINGS, np.random.default_rng(1))
    assert not score.kept and score.spoke > 20


def test_placebos_stay_clear_of_real_changes_and_are_chosen_by_the_generator() -> None:
    series = [
        history(
            [*(3.0 + np.random.default_rng(k).normal(0, 0.2, 30)), *[9.0] * 12], airframe=f"heron-{k:02d}"
        )
        for k in range(20)
    ]
    changes = [change(30, airframe=s.airframe) for s in series]
    model = fit_fleet_model(series, changes)
    first = score_placebos(series, changes, model, SETTINGS, np.random.default_rng(3), most=10)
    assert first == score_placebos(series, changes, model, SETTINGS, np.random.default_rng(3), most=10)
    assert first.planted == 10 and first.kept


def test_what_is_known_to_have_happened_unexplained_is_no_unchanged_stretch() -> None:
    series = fleet(drift=0.03)
    model = fit_fleet_model(fleet(), [])
    stirred = {(one.airframe, one.metric, one.context) for one in series[:35]}
    score = score_placebos(series, [], model, SETTINGS, np.random.default_rng(1), stirred=stirred)
    assert score.planted == 5


def test_nothing_to_plant_in() -> None:
    score = score_placebos([], [], fit_fleet_model([], []), SETTINGS, np.random.default_rng(0))
    assert score == PlaceboScore(0, 0, 0.05, 0.0, 1.0) and score.kept
