"""The same change on many airframes, and changes made together."""

from __future__ import annotations

import numpy as np
import pytest

from tests.detectors.history.builders import change, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.coinciding import item_key, propose, separate, unresolved
from trimkeep.detectors.history.fleet_model import FleetModel, fit_fleet_model
from trimkeep.detectors.history.judge import judge_fleet
from trimkeep.detectors.history.model import Change, Finding, Series, Verdict
from trimkeep.detectors.history.pooling import crossed_effects

SETTINGS = JudgeSettings()


def airframe(name: str, before: int, after: int, step: float, seed: int) -> Series:
    rng = np.random.default_rng((seed, before))
    late = np.arange(before + after) >= before
    return history(3.0 + 0.3 * seed + step * late + rng.normal(0.0, 0.2, before + after), airframe=name)


def model() -> FleetModel:
    return fit_fleet_model([airframe(f"other-{k}", 30, 0, 0.0, 50 + k) for k in range(8)], [])


def fleet_findings(series: list[Series], changes: list[Change]) -> list[Finding]:
    return [f for f in judge_fleet(series, changes, model(), SETTINGS) if f.scope == "fleet"]


def test_what_three_flights_each_cannot_tell_the_fleet_can() -> None:
    names = [f"heron-{k}" for k in range(8)]
    series = [airframe(name, 4, 3, 0.35, k) for k, name in enumerate(names)]
    changes = [change(4, airframe=name) for name in names]
    findings = judge_fleet(series, changes, model(), SETTINGS)
    alone = [f.verdict for f in findings if f.scope == "airframe"]
    assert len(alone) == 8 and alone.count(Verdict.TOO_EARLY) >= 6
    pooled = [f for f in findings if f.scope == "fleet"]
    assert len(pooled) == 1
    assert pooled[0].verdict is Verdict.WORSE and pooled[0].airframes == tuple(names)
    assert pooled[0].effect is not None and pooled[0].effect.low < 0.35 < pooled[0].effect.high


def test_a_pooled_verdict_that_nothing_changed() -> None:
    names = [f"heron-{k}" for k in range(8)]
    series = [airframe(name, 10, 8, 0.0, k) for k, name in enumerate(names)]
    pooled = fleet_findings(series, [change(10, airframe=name) for name in names])
    assert [f.verdict for f in pooled] == [Verdict.NO_MATERIAL_CHANGE]


def test_the_airframe_that_differs_is_named() -> None:
    names = [f"heron-{k}" for k in range(6)]
    series = [airframe(name, 15, 10, 1.6 if k == 4 else 0.0, k) for k, name in enumerate(names)]
    pooled = fleet_findings(series, [change(15, airframe=name) for name in names])
    assert pooled[0].differing == ("heron-4",)


def test_two_airframes_are_pooled_but_neither_is_the_odd_one() -> None:
    series = [airframe(n, 10, 5, step, k) for k, (n, step) in enumerate((("a", 1.0), ("b", 1.6)))]
    pooled = fleet_findings(series, [change(10, airframe=n) for n in "ab"])
    assert [(f.verdict, f.airframes, f.differing) for f in pooled] == [(Verdict.WORSE, ("a", "b"), ())]


def test_what_it_did_to_one_of_two_is_not_said_of_both() -> None:
    """Far more apart than any prior on the spread allows: the mean of the two says nothing."""
    series = [airframe(n, 10, 7, step, k) for k, (n, step) in enumerate((("a", 0.0), ("b", 8.0)))]
    findings = judge_fleet(series, [change(10, airframe=n) for n in "ab"], model(), SETTINGS)
    said = {(f.scope, f.airframes): f.verdict for f in findings}
    assert said["airframe", ("b",)] is Verdict.WORSE
    assert said["fleet", ("a", "b")] is Verdict.TOO_EARLY


def test_a_change_over_the_fleet_cites_flights_of_two_airframes() -> None:
    names = [f"heron-{k}" for k in range(4)]
    series = [airframe(name, 10, 8, 1.0, k) for k, name in enumerate(names)]
    cited = fleet_findings(series, [change(10, airframe=n) for n in names])[0].evidence_flights
    where = {p.flight_id: (s.airframe, p.order >= 10) for s in series for p in s.points}
    assert [where[name][1] for name in cited] == [True, False, True, False]
    assert len({where[name][0] for name in cited}) == 2


def test_one_airframe_is_no_fleet() -> None:
    assert fleet_findings([airframe("a", 10, 5, 1.0, 0)], [change(10, airframe="a")]) == []


def test_changes_made_together_are_told_apart_by_those_that_had_one() -> None:
    names = [f"heron-{k}" for k in range(8)]
    both = {name: ("firmware", "servo") if k < 4 else ("firmware",) for k, name in enumerate(names)}
    # the servo did it: 0.4 m is two flight-to-flight deviations
    series = [airframe(name, 8, 8, 0.4 * (len(both[name]) > 1), k) for k, name in enumerate(names)]
    found = {
        f.change.kinds: f
        for f in fleet_findings(series, [change(8, *both[name], airframe=name) for name in names])
        if f.change is not None
    }
    assert found["servo",].verdict is Verdict.WORSE
    assert found["firmware",].verdict is not Verdict.WORSE


def test_what_nobody_had_alone_stays_together() -> None:
    names = [f"heron-{k}" for k in range(4)]
    series = [airframe(name, 10, 8, 1.0, k) for k, name in enumerate(names)]
    found = fleet_findings(series, [change(10, "firmware", "servo", airframe=n) for n in names])
    assert len(found) == 1 and found[0].change is not None
    assert found[0].change.kinds == ("firmware", "servo")


def test_separation_is_computed_from_who_had_what() -> None:
    a, b, c = ("firmware", "", "2"), ("servo", "", ""), ("motor", "", "")
    assert separate([frozenset({a, b})]).groups == ((a, b),)
    chain = separate([frozenset({a, b}), frozenset({b, c}), frozenset({a, c})])
    assert chain.estimable == (True, True, True)
    short = separate([frozenset({a, b}), frozenset({b, c})])
    assert not all(short.estimable)


def test_software_is_known_by_its_version_a_part_by_its_name() -> None:
    first = change(1, "firmware", after="2.1").items[0]
    second = change(1, "firmware", after="2.2").items[0]
    assert item_key(first) != item_key(second)
    assert item_key(change(1, "servo", after="s/n 1").items[0]) == item_key(
        change(1, "servo", after="s/n 9").items[0]
    )


def test_the_proposal_undoes_what_is_easily_undone_where_most_was_flown() -> None:
    pieces = unresolved(change(1, "servo", "firmware").items)
    offer = propose(pieces, ["a", "b"], [5, 20], 0.2, 0.301)
    assert offer is not None and (offer.airframe, offer.undo[0].kind) == ("b", "firmware")
    # three errors of 0.1; with flights that scatter by 0.2 that takes 1 / (1/4 - 1/20) = 5
    assert offer.flights == 5
    assert propose(pieces[:1], ["a"], [5], 0.2, 0.3) is None
    small = propose(pieces, ["a"], [20], 0.2, 0.05)
    assert small is not None and small.flights is None


def test_settings_that_were_chosen_together_are_taken_back_together_and_glue_is_not() -> None:
    tuned = (*change(1, "parameters", part="GAIN_A").items, *change(1, "parameters", part="GAIN_B").items)
    assert unresolved(tuned) == ()
    pieces = unresolved((*tuned, *change(1, "structure").items, *change(1, "inspection").items))
    assert [len(piece) for piece in pieces] == [2, 1]
    offer = propose(pieces, ["a"], [9], 0.1, 1.0)
    assert offer is not None and offer.undo == tuned
    assert propose([pieces[1], pieces[1]], ["a"], [9], 0.1, 1.0) is None


def test_what_the_fleet_told_apart_is_not_proposed_again() -> None:
    done = change(1, "firmware", "servo", "propeller").items
    assert len(unresolved(done, [done[:1]])) == 2
    assert unresolved(done, [done[:1], done[1:2]]) == ()


def test_a_finding_of_two_things_done_together_carries_the_flights_that_would_tell() -> None:
    rng = np.random.default_rng(5)
    quiet = [history(rng.normal(3.0, 0.2, 30), airframe=f"other-{n}") for n in range(8)]

    def worse(name: str, step: float) -> Series:
        values = rng.normal(3.0, 0.2, 30) + step * (np.arange(30) >= 20)
        return history(values, airframe=name)

    both = [change(20, "firmware", "servo", airframe=name) for name in "ab"]
    only = change(20, "firmware", airframe="c")
    known = fit_fleet_model(quiet, [])
    series = [worse("a", 1.0), worse("b", 1.0)]
    untold = [f for f in judge_fleet(series, both, known, SETTINGS) if f.kind == "known_change"]
    assert {f.scope for f in untold} == {"airframe", "fleet"} and all(f.separating for f in untold)
    assert untold[0].separating is not None and untold[0].separating.airframe == untold[0].airframes[0]
    told = judge_fleet([*series, worse("c", 0.0)], [*both, only], known, SETTINGS)
    assert [f.separating for f in told if f.scope == "airframe"] == [None] * 3


def test_a_design_that_separates_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="separate"):
        crossed_effects(np.ones(3), np.ones(3), np.ones((3, 2)), 0.3)


def test_where_two_airframes_differ_far_beyond_their_noise_nothing_is_said_of_the_fleet() -> None:
    quiet = [history([3.0 + 0.001 * (k % 2) for k in range(30)], airframe=f"other-{n}") for n in range(8)]
    series = [
        history([3.0 + 0.001 * (k % 2) + step * (k >= 5) for k in range(10)], airframe=name)
        for name, step in (("a", 2.0), ("b", 3.0))
    ]
    changes = [change(5, airframe=name) for name in "ab"]
    findings = judge_fleet(series, changes, fit_fleet_model(quiet, []), SETTINGS)
    assert {f.verdict for f in findings if f.scope == "airframe"} == {Verdict.WORSE}
    assert [(f.verdict, f.effect) for f in findings if f.scope == "fleet"] == [(Verdict.TOO_EARLY, None)]
