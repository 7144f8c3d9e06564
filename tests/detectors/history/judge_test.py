"""Verdicts as cases: what is said of which history."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from tests.detectors.history.builders import change, flown_at, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.fleet_model import FleetModel, fit_fleet_model
from trimkeep.detectors.history.judge import judge_airframe, judge_fleet
from trimkeep.detectors.history.model import Finding, Series, Tier, Verdict

SETTINGS = JudgeSettings()


def noisy(before: int, after: int, step: float, seed: int = 0, sigma: float = 0.2) -> list[float]:
    rng = np.random.default_rng(seed)
    level = np.r_[np.zeros(before), np.full(after, step)]
    return [float(v) for v in 3.0 + level + rng.normal(0.0, sigma, before + after)]


def fleet_model() -> FleetModel:
    """Learned from eight other airframes of the same noise."""
    return fit_fleet_model(
        [history(noisy(30, 0, 0.0, seed), airframe=f"other-{seed}") for seed in range(100, 108)], []
    )


def judge(series: Series, at: int, **options: object) -> Finding:
    findings = judge_airframe([series], [change(at)], fleet_model(), replace(SETTINGS, **options))
    return next(f for f in findings if f.kind == "known_change")


def test_a_clear_worsening_is_called_with_its_size() -> None:
    finding = judge(history(noisy(20, 10, 1.0)), 20)
    assert (finding.verdict, finding.tier) == (Verdict.WORSE, Tier.CALLED)
    assert finding.effect is not None
    assert finding.effect.low < 1.0 < finding.effect.high and finding.effect.low > 0.0
    assert (finding.flights_before, finding.flights_after, finding.flights_needed) == (20, 10, 0)
    assert finding.opened_at == flown_at(22) and finding.updated_at == flown_at(29)


def test_direction_comes_from_the_metric() -> None:
    values = noisy(20, 10, 1.0)
    assert judge(history(values, better="higher"), 20).verdict is Verdict.BETTER
    assert judge(history([v - 3.0 for v in values], better="nearer_zero"), 20).verdict is Verdict.WORSE
    assert judge(history([v - 4.0 for v in values], better="nearer_zero"), 20).verdict is Verdict.BETTER


def test_no_change_is_a_positive_statement_and_needs_flights() -> None:
    assert judge(history(noisy(30, 30, 0.0)), 30).verdict is Verdict.NO_MATERIAL_CHANGE
    early = judge(history(noisy(30, 3, 0.0), matters=0.2), 30)
    assert early.verdict is Verdict.TOO_EARLY and early.tier is Tier.WATCH


def test_a_change_smaller_than_what_matters_is_immaterial_however_sure() -> None:
    assert judge(history(noisy(40, 40, 0.2), matters=0.6), 40).verdict is Verdict.NO_MATERIAL_CHANGE


def test_forecast_shrinks_as_flights_come_and_gives_up_where_it_must() -> None:
    few = judge(history(noisy(20, 4, 0.25, seed=5), matters=0.05), 20)
    assert few.verdict is Verdict.TOO_EARLY and few.flights_needed is not None and few.flights_needed > 0
    hopeless = judge(history(noisy(6, 40, 0.02, seed=4, sigma=0.4), matters=0.01), 6)
    assert hopeless.verdict is Verdict.TOO_EARLY and hopeless.flights_needed is None


def test_flights_that_a_later_change_has_ended_will_not_become_more() -> None:
    values = [*noisy(20, 4, 0.25, seed=5), *(value + 3.0 for value in noisy(12, 0, 0.0, seed=6))]
    alone, followed = ([change(20)], [change(20), change(24)])
    still_open, ended = (
        next(
            f
            for f in judge_airframe([history(flown, matters=0.05)], changes, fleet_model(), SETTINGS)
            if f.kind == "known_change" and f.change is not None and f.change.first_order == 20
        )
        for flown, changes in ((values[:24], alone), (values, followed))
    )
    assert still_open.verdict is ended.verdict is Verdict.TOO_EARLY
    assert (ended.flights_after, ended.flights_needed) == (4, None)
    assert still_open.flights_needed is not None


def test_nothing_is_said_before_three_flights_after_or_with_under_three_before() -> None:
    two_after = judge(history(noisy(20, 2, 5.0)), 20)
    assert two_after.verdict is Verdict.TOO_EARLY and two_after.effect is None
    assert two_after.flights_needed == 1
    two_before = judge(history(noisy(2, 20, 5.0)), 2)
    assert two_before.verdict is Verdict.TOO_EARLY and two_before.flights_needed is None


def test_one_gross_error_is_no_change_but_is_listed() -> None:
    values = noisy(20, 6, 0.0)
    values[22] += 8.0
    finding = judge(history(values, matters=0.2), 20)
    assert finding.verdict is not Verdict.WORSE
    assert finding.down_weighted == ("heron-01-22",)


def test_a_windy_spell_after_the_change_is_no_worsening() -> None:
    rng = np.random.default_rng(8)
    others = []
    for k in range(8):
        wind = rng.normal(5.0, 2.0, 30)
        others.append(history(3.0 + 0.3 * wind + rng.normal(0, 0.2, 30), airframe=f"o{k}", wind=wind))
    model = fit_fleet_model(others, [])
    wind = np.r_[rng.normal(3.0, 1.0, 20), rng.normal(8.0, 1.0, 12)]
    values = 3.0 + 0.3 * wind + rng.normal(0.0, 0.2, 32)
    same = history(values, wind=wind)
    blind = history(values)
    aware = judge_airframe([same], [change(20)], model, SETTINGS)[0]
    assert aware.verdict is not Verdict.WORSE
    assert judge_airframe([blind], [change(20)], model, SETTINGS)[0].verdict is Verdict.WORSE
    # and a real worsening is found though the air became calmer
    calmer = np.r_[rng.normal(8.0, 1.0, 20), rng.normal(3.0, 1.0, 12)]
    worse = 3.0 + 0.3 * calmer + rng.normal(0.0, 0.2, 32) + 0.8 * (np.arange(32) >= 20)
    assert judge_airframe([history(worse, wind=calmer)], [change(20)], model, SETTINGS)[0].verdict is (
        Verdict.WORSE
    )


def test_changes_close_together_are_one_block_with_all_candidates() -> None:
    series = history(noisy(20, 12, 1.0))
    findings = judge_airframe(
        [series], [change(20, "firmware"), change(22, "servo")], fleet_model(), SETTINGS
    )
    assert len(findings) == 1
    assert findings[0].change is not None and findings[0].change.kinds == ("firmware", "servo")
    assert (findings[0].flights_before, findings[0].flights_after) == (20, 10)


def test_a_change_shown_not_to_matter_does_not_cut_the_baseline() -> None:
    series = history(noisy(30, 30, 0.0) + noisy(0, 10, 1.0, seed=9))
    first, second = judge_airframe([series], [change(30), change(60)], fleet_model(), SETTINGS)
    assert first.verdict is Verdict.NO_MATERIAL_CHANGE
    assert second.verdict is Verdict.WORSE and second.flights_before == 60


def test_order_of_arrival_does_not_matter() -> None:
    series = [history(noisy(20, 10, 0.4, seed=k), metric=f"metric_{k}_m") for k in range(4)]
    changes = [change(10), change(20)]
    model = fleet_model()
    forwards = judge_fleet(series, changes, model, SETTINGS)
    backwards = judge_fleet(series[::-1], changes[::-1], model, SETTINGS)
    key = lambda f: f.id  # noqa: E731
    for one, other in zip(sorted(forwards, key=key), sorted(backwards, key=key), strict=True):
        assert (one.id, one.verdict, one.tier, one.flights_needed) == (
            other.id,
            other.verdict,
            other.tier,
            other.flights_needed,
        )


def test_an_airframe_alone_is_judged_without_any_fleet() -> None:
    finding = judge_airframe([history(noisy(20, 10, 1.2))], [change(20)], FleetModel(), SETTINGS)[0]
    assert finding.verdict is Verdict.WORSE


@given(seed=st.integers(0, 10_000), step=st.floats(-1.5, 1.5))
@hypothesis_settings(max_examples=25, deadline=None)
def test_mirroring_the_metric_mirrors_the_verdict(seed: int, step: float) -> None:
    values = noisy(12, 8, step, seed)
    straight = judge(history(values), 12)
    mirrored = judge(history([-v for v in values]), 12)
    opposite = {Verdict.WORSE: Verdict.BETTER, Verdict.BETTER: Verdict.WORSE}
    assert mirrored.verdict is opposite.get(straight.verdict, straight.verdict)


@given(seed=st.integers(0, 10_000), factor=st.sampled_from([0.001, 0.3048, 100.0]))
@hypothesis_settings(max_examples=20, deadline=None)
def test_the_unit_leaves_the_verdict(seed: int, factor: float) -> None:
    values = noisy(15, 8, 0.5, seed)
    ours = judge_airframe([history(values, scale="log")], [change(15)], FleetModel(), SETTINGS)[0]
    scaled = history([v * factor for v in values], scale="log", matters=0.5 * factor)
    theirs = judge_airframe([scaled], [change(15)], FleetModel(), SETTINGS)[0]
    assert ours.verdict is theirs.verdict
    assert ours.effect is not None and theirs.effect is not None
    assert theirs.effect.difference == pytest.approx(ours.effect.difference * factor, rel=1e-6)


def test_attention_needs_no_history() -> None:
    def attention(values: list[float], errors: list[float] | None = None) -> list[Finding]:
        series = history(values, attention=5.0, errors=errors, better="lower")
        return list(judge_airframe([series], [], FleetModel(), SETTINGS))

    assert attention([9.0])[0].verdict is Verdict.ATTENTION
    assert attention([9.0])[0].tier is Tier.CALLED
    assert attention([5.1], errors=[0.5])[0].tier is Tier.WATCH
    assert attention([9.0, 1.0, 1.0]) == []
    standing = attention([1.0, 9.0, 9.0, 9.0, 1.0])[0]
    assert standing.opened_at == flown_at(1) and standing.evidence_flights == ("heron-01-3", "heron-01-2")


def test_ids_are_stable_and_distinct() -> None:
    series = [history(noisy(10, 5, 0.0), metric=m) for m in ("a_m", "b_m")]
    first = judge_airframe(series, [change(10)], FleetModel(), SETTINGS)
    longer = [history(noisy(10, 9, 0.0), metric=m) for m in ("a_m", "b_m")]
    second = judge_airframe(longer, [change(10)], FleetModel(), SETTINGS)
    assert [f.id for f in first] == [f.id for f in second]
    assert len({f.id for f in first}) == 2


def test_so_few_flights_that_no_step_could_be_told_have_no_interval() -> None:
    """Five before and three after, no fleet: the interval had no end and came out infinite."""
    rng = np.random.default_rng(1)
    finding = judge_airframe([history(rng.normal(3.0, 0.3, 8))], [change(5)], FleetModel(), SETTINGS)[0]
    assert finding.verdict is Verdict.TOO_EARLY
    if finding.effect is not None:
        assert np.isfinite([finding.effect.low, finding.effect.high]).all()


def test_three_flights_before_are_a_level_where_the_fleet_knows_the_noise_and_five_where_not() -> None:
    series = history(noisy(3, 10, 2.5))
    known = judge_airframe([series], [change(3)], fleet_model(), SETTINGS)[0]
    assert known.verdict is Verdict.WORSE and known.flights_before == 3
    for before, said in ((3, False), (4, False), (5, True)):
        alone = judge_airframe([history(noisy(before, 10, 2.5))], [change(before)], FleetModel(), SETTINGS)[0]
        assert (alone.effect is not None) is said
