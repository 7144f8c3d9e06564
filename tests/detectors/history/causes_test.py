"""Each cause has one pattern that shows it and one look-alike that must not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.detectors.history.builders import change, flown_at
from trimkeep.detectors.history.causes import (
    Observed,
    cause_table_from_toml,
    rank_causes,
    shipped_causes,
    with_causes,
)
from trimkeep.detectors.history.model import Finding, Tier, Verdict

WORSE, SAME, EARLY = Verdict.WORSE, Verdict.NO_MATERIAL_CHANGE, Verdict.TOO_EARLY
METRICS = {
    "altitude": ("altitude_hold", "altitude_error_rms_m"),
    "swing": ("oscillation", "pitch_oscillation_amplitude_deg"),
    "limit_cycle": ("oscillation", "pitch_limit_cycle_likelihood"),
    "held": ("oscillation", "pitch_assisted_excess_deg"),
    "play": ("linkage", "elevator_play_share"),
    "response": ("loop_response", "pitch_delay_s"),
    "trim": ("trim", "elevator_trim"),
    "reach": ("rate_limits", "pitch_limit_over_reach"),
    "stops": ("authority", "elevator_at_stop_share"),
    "lean": ("attitude_estimate", "bank_error_after_turn_deg"),
    "shake": ("vibration", "vibration_rms_mps2"),
    "power": ("energy", "cruise_power_corrected_w"),
    "battery": ("energy", "battery_resistance_mohm"),
    "gains": ("settings", "largest_gain_rise"),
    "armed": ("ground_handling", "armed_after_landing_s"),
}


def seen(worse: str, same: str = "") -> list[Observed]:
    return [Observed(*METRICS[m], "held_level", WORSE) for m in worse.split()] + [
        Observed(*METRICS[m], "held_level", SAME) for m in same.split()
    ]


CASES = [
    # cause, worse, same, kinds; then the look-alike: worse, same, kinds
    ("linkage_play", "altitude swing limit_cycle play", "trim", (), "altitude swing", "play limit_cycle", ()),
    (
        "loop_gain",
        "altitude swing",
        "play trim",
        ("firmware",),
        "altitude swing play",
        "response",
        ("servo",),
    ),
    ("rate_limit_too_high", "reach", "play gains", (), "stops trim", "reach", ()),
    ("tune_runaway", "gains reach swing", "play", ("parameters",), "swing altitude", "gains", ("firmware",)),
    ("out_of_trim", "trim altitude", "play swing", (), "altitude swing", "trim", ()),
    ("low_authority", "stops altitude", "trim play", (), "trim altitude", "stops", ()),
    ("estimator_turn_error", "lean altitude", "play trim", (), "altitude", "lean", ()),
    ("propeller_imbalance", "shake", "power", ("propeller",), "power", "shake", ("propeller",)),
    ("propulsion_loss", "power", "shake", (), "shake", "power", ()),
    ("wear", "play shake", "", ("drift",), "play swing limit_cycle", "shake", ("servo",)),
    (
        "conditions",
        "altitude swing",
        "limit_cycle play response held",
        (),
        "altitude swing limit_cycle",
        "",
        (),
    ),
]


@pytest.mark.parametrize(
    ("cause", "worse", "same", "kinds", "other", "other_same", "other_kinds"),
    CASES,
    ids=[c[0] for c in CASES],
)
def test_only_the_right_pattern_brings_the_cause_first(
    cause: str,
    worse: str,
    same: str,
    kinds: tuple[str, ...],
    other: str,
    other_same: str,
    other_kinds: tuple[str, ...],
) -> None:
    assert rank_causes(seen(worse, same), kinds)[0].cause == cause
    assert rank_causes(seen(other, other_same), other_kinds)[0].cause != cause


def test_armed_on_the_ground_is_its_own_matter() -> None:
    pattern = seen("armed altitude swing play")
    assert rank_causes(pattern, (), family="ground_handling")[0].cause == "armed_on_ground"
    assert "armed_on_ground" not in {c.cause for c in rank_causes(pattern, (), family="oscillation")}


def test_a_cause_that_cannot_bring_it_about_is_not_named() -> None:
    """A rate limit above reach stands in the same flights; it does not age a battery."""
    pattern = seen("battery reach")
    assert "rate_limit_too_high" not in {c.cause for c in rank_causes(pattern, ("drift",), family="energy")}
    assert "wear" not in {c.cause for c in rank_causes(pattern, ("drift",), family="rate_limits")}


def test_the_check_is_for_what_wears() -> None:
    for sign, family, check in (
        ("battery", "energy", "measure_battery"),
        ("power", "energy", "inspect_propulsion"),
        ("play", "linkage", "inspect_moving_parts"),
    ):
        wear = next(c for c in rank_causes(seen(sign), ("drift",), family=family) if c.cause == "wear")
        assert wear.next_check == check


def test_what_did_not_get_worse_speaks_too() -> None:
    ranked = rank_causes(seen("altitude swing", "play limit_cycle"), ())
    play = next((c for c in ranked if c.cause == "linkage_play"), None)
    alone = next(c for c in rank_causes(seen("altitude swing"), ()) if c.cause == "linkage_play")
    assert play is None or play.probability < 0.5 * alone.probability
    assert "play_unchanged" not in alone.evidence_against


def test_too_early_counts_for_nothing() -> None:
    early = [*seen("altitude swing"), Observed(*METRICS["play"], "held_level", EARLY)]
    assert rank_causes(early, ()) == rank_causes(seen("altitude swing"), ())


def test_a_change_that_made_no_difference_is_less_suspected() -> None:
    pattern = seen("altitude swing")
    fresh = {c.cause: c for c in rank_causes(pattern, ())}
    cleared = {c.cause: c for c in rank_causes(pattern, (), innocent=("parameters",))}
    assert cleared["loop_gain"].probability < fresh["loop_gain"].probability
    assert "earlier_change_made_no_difference" in cleared["loop_gain"].evidence_against


def test_nothing_wrong_has_no_cause_and_probabilities_add_up() -> None:
    assert rank_causes(seen("", "altitude swing play"), ("firmware",)) == ()
    total = sum(c.probability for c in rank_causes(seen("altitude swing"), ("firmware",)))
    assert 0.5 < total <= 1.0 + 1e-9


def test_the_causes_are_those_of_the_contract() -> None:
    assert {c.name for c in shipped_causes().causes} == {
        "linkage_play", "loop_gain", "rate_limit_too_high", "out_of_trim", "low_authority",
        "estimator_turn_error", "propeller_imbalance", "propulsion_loss", "wear", "tune_runaway",
        "armed_on_ground", "conditions", "unknown",
    }  # fmt: skip


def test_a_table_with_a_slip_is_refused() -> None:
    good = """
chance = 0.1
shown_from = 0.05
most_shown = 4
[[sign]]
name = "altitude"
families = ["altitude_hold"]
for = "a"
against = "b"
[[cause]]
name = "loop_gain"
prior = 0.2
next_check = "c"
p = { altitude = 0.5 }
"""
    assert cause_table_from_toml(good).causes[0].name == "loop_gain"
    with pytest.raises(ValueError, match="height"):
        cause_table_from_toml(good.replace("{ altitude", "{ height"))
    with pytest.raises(ValueError, match="height"):
        cause_table_from_toml(good.replace('next_check = "c"', 'checks = { height = "c" }'))
    with pytest.raises(ValueError, match="between 0 and 1"):
        cause_table_from_toml(good.replace("prior = 0.2", "prior = 2.0"))


def finding(metric: str, verdict: Verdict, order: int = 20, kind: str = "firmware") -> Finding:
    family, name = METRICS[metric]
    return Finding(
        id=f"{name}{order}", scope="airframe", airframes=("heron-01",), metric=name, family=family,
        context="held_level", kind="known_change", verdict=verdict, tier=Tier.CALLED,
        change=change(order, kind), effect=None, flights_before=20, flights_after=10, flights_needed=0,
        e_value=100.0, opened_at=flown_at(22), updated_at=flown_at(29),
    )  # fmt: skip


def test_findings_of_one_change_explain_each_other() -> None:
    told = with_causes(
        [
            finding("altitude", WORSE),
            finding("swing", WORSE),
            finding("play", SAME),
            finding("altitude", SAME, order=5, kind="servo"),
        ]
    )
    assert told[0].likely_causes[0].cause == "loop_gain"
    first, second = (one.likely_causes[0] for one in told[:2])
    assert (first.cause, first.evidence_for) == (second.cause, second.evidence_for)
    assert told[2].likely_causes == () and told[3].likely_causes == ()
    play = next((c for c in told[0].likely_causes if c.cause == "linkage_play"), None)
    assert play is None or "earlier_change_made_no_difference" in play.evidence_against


def test_of_changes_made_together_the_one_the_fleet_blames_is_blamed() -> None:
    both = replace(finding("altitude", WORSE), change=change(20, "firmware", "servo"))
    alone = with_causes([both])[0]
    assert all("coincides" in c.evidence_against for c in alone.likely_causes)
    fleet = replace(
        finding("altitude", WORSE), scope="fleet", id="f", change=change(20, "servo", airframe="")
    )
    told = with_causes([both, fleet])[0]
    assert not any("coincides" in c.evidence_against for c in told.likely_causes)
    assert told.likely_causes[0].cause == "linkage_play"
    assert alone.likely_causes[0].cause == "loop_gain"
