"""What is searched as one, across known changes."""

from __future__ import annotations

import numpy as np

from tests.detectors.history.builders import change, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.fleet_model import fit_fleet_model
from trimkeep.detectors.history.judge import judge_airframe
from trimkeep.detectors.history.model import Finding, Verdict
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.spans import KnownPlace, spans_of
from trimkeep.detectors.history.steps_unknown import SHORTEST, WINDOW
from trimkeep.detectors.history.windows import blocks_of

SETTINGS = JudgeSettings()


def quiet(n: int, seed: int, sigma: float = 0.2) -> np.ndarray:
    return 3.0 + np.random.default_rng(seed).normal(0.0, sigma, n)


def judged(values: np.ndarray, *at: int) -> tuple[Finding, ...]:
    others = [history(quiet(30, seed), airframe=f"other-{seed}") for seed in range(100, 108)]
    changes = [change(order) for order in at]
    return judge_airframe([history(values)], changes, fit_fleet_model(others, []), SETTINGS)


def test_windows_overlap_by_half_and_know_the_changes_in_them() -> None:
    series = history([3.0] * 130)
    spans = spans_of([series], {"heron-01": blocks_of([change(60), change(100)], 3)}, Preparer())
    assert [(s.points[0], s.points[-1]) for s in spans] == [(0, 79), (40, 119), (50, 129)]
    assert spans[1].known == (KnownPlace("heron-01:60", 20), KnownPlace("heron-01:100", 60))
    assert len(spans[0].points) == WINDOW


def test_flights_inside_a_block_belong_to_no_level_and_few_flights_to_no_search() -> None:
    series = history([3.0] * 20)
    inside = spans_of([series], {"heron-01": blocks_of([change(8), change(10)], 3)}, Preparer())
    assert not {8, 9} & set(inside[0].points)
    assert spans_of([history([3.0] * (SHORTEST - 1))], {}, Preparer()) == ()


def test_series_of_the_same_flights_share_their_windows_and_others_do_not() -> None:
    full, also = history([3.0] * 40), history([4.0] * 40, metric="other_m")
    fewer = history([3.0] * 39, metric="short_m")
    elsewhere = history([3.0] * 40, airframe="heron-02")
    blocks = {"heron-01": blocks_of([change(20)], 3)}
    first, second, third, fourth = spans_of([full, also, fewer, elsewhere], blocks, Preparer())
    assert first.points is second.points and first.known == second.known
    assert len(third.points) == 39 and fourth.known == ()


def test_a_change_is_not_credited_with_what_happened_some_flights_after_it() -> None:
    values = quiet(24, 3)
    values[13:] += 1.6
    findings = judged(values, 8)
    known = next(f for f in findings if f.kind == "known_change")
    assert known.verdict not in (Verdict.WORSE, Verdict.BETTER)
    steps = [f for f in findings if f.kind == "unexplained_step"]
    assert [f.verdict for f in steps] == [Verdict.WORSE]
    assert steps[0].change is not None and abs(steps[0].change.first_order - 13) <= 1


def test_a_change_that_did_it_keeps_the_blame() -> None:
    values = quiet(24, 3)
    values[8:] += 1.6
    findings = judged(values, 8, 15)
    verdicts = {f.change.first_order: f.verdict for f in findings if f.change is not None}
    assert verdicts[8] is Verdict.WORSE and verdicts[15] is not Verdict.WORSE
    assert not [f for f in findings if f.kind in ("unexplained_step", "drift")]


def test_wear_across_a_change_that_did_nothing_is_drift() -> None:
    values = quiet(60, 4) + 0.04 * np.arange(60)
    findings = judged(values, 30)
    assert [f.kind for f in findings if f.kind != "known_change"] == ["drift"]
    known = next(f for f in findings if f.kind == "known_change")
    assert known.verdict not in (Verdict.WORSE, Verdict.BETTER)


def test_two_steps_in_a_row_are_both_found() -> None:
    values = quiet(60, 5)
    values[20:] += 1.5
    values[40:] += 1.5
    steps = [f for f in judged(values) if f.kind == "unexplained_step"]
    places = sorted(f.change.first_order for f in steps if f.change is not None)
    assert len(places) == 2 and abs(places[0] - 20) <= 1 and abs(places[1] - 40) <= 1
