"""Which changes are called when many are judged at once."""

from __future__ import annotations

import numpy as np
import pytest

from tests.detectors.history.builders import change, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.judge import judge_fleet
from trimkeep.detectors.history.model import Tier
from trimkeep.detectors.history.multiplicity import (
    LEAST_CERTAIN,
    call_by_chance,
    false_chance,
    real_share,
    tiers,
)

SETTINGS = JudgeSettings()


def test_posterior_odds_are_evidence_times_prior_odds() -> None:
    chance = false_chance(np.array([171.0]), 0.05)
    assert chance[0] == pytest.approx(1.0 / (1.0 + 171.0 / 19.0))


def test_the_mean_chance_of_the_called_keeps_the_promise() -> None:
    chance = np.array([0.115, 0.001, 0.001, 0.12, 0.11, 0.3])
    called = call_by_chance(chance, 0.05)
    assert chance[called].mean() <= 0.05
    assert called.tolist() == [False, True, True, False, True, False]
    assert not call_by_chance(np.array([0.2]), 0.5).any()  # above LEAST_CERTAIN
    assert LEAST_CERTAIN < 0.2


def test_the_share_of_real_changes_is_learnt_but_slowly() -> None:
    assert real_share(np.array([]), SETTINGS) == pytest.approx(0.05)
    assert real_share(np.full(5, 1e9), SETTINGS) == pytest.approx((5 + 2) / 45, abs=0.01)
    assert real_share(np.full(400, 1e-3), SETTINGS) < 0.01
    assert real_share(np.full(400, 1e9), SETTINGS) > 0.9


def test_one_strong_change_among_many_is_called_and_no_weak_one() -> None:
    evidence = {f"c{k}": 0.5 for k in range(100)} | {"strong": 1e6, "weak": 25.0}
    called = tiers(evidence, None, SETTINGS)
    assert called["strong"] and not called["weak"] and sum(called.values()) == 1


def test_nothing_to_call_from_nothing() -> None:
    assert tiers({}, None, SETTINGS) == {}


def test_a_change_is_watched_until_five_flights_after() -> None:
    def tier(after: int) -> Tier:
        rng = np.random.default_rng(2)
        values = 3.0 + 1.5 * (np.arange(20 + after) >= 20) + rng.normal(0.0, 0.1, 20 + after)
        return judge_fleet([history(values)], [change(20)], FleetModel(), SETTINGS)[0].tier

    assert (tier(4), tier(5)) == (Tier.WATCH, Tier.CALLED)


def test_many_metrics_of_one_change_are_one_change() -> None:
    """Two hundred unchanged metrics and one that moved a little: it is not called for being the largest."""
    rng = np.random.default_rng(3)
    quiet = [
        history(3.0 + rng.normal(0.0, 0.2, 32), metric=f"metric_{k}_m", matters=0.05) for k in range(200)
    ]
    findings = judge_fleet(quiet, [change(20)], FleetModel(), SETTINGS)
    known = [f for f in findings if f.kind == "known_change"]
    assert len(known) == 200
    assert not any(f.tier is Tier.CALLED and f.verdict.value in ("worse", "better") for f in known)
