"""A repair that worked takes what it repaired off the list of what got worse."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.reports.examples import busy_week, change, finding
from tests.reports.page_examples import airframe, board
from trimkeep.detectors.history.model import ChangeItem, Finding, Tier, Verdict
from trimkeep.reports.compose import compose_digest
from trimkeep.reports.compose_pages import compose_airframe, compose_board
from trimkeep.reports.put_right import put_right, still_worse, wholly_put_right

NAME, METRIC = "heron-01", "altitude_error_rms_m"
BROKE = change(NAME, 5, 30, ChangeItem("servo", "elevator servo", "S-1", "S-2", True))
MENDED = change(NAME, 15, 30, ChangeItem("linkage", "push rod", "old", "new", True))
WORSE = finding(NAME, METRIC, Verdict.WORSE, about=BROKE, effect=(1.0, 5.0, 3.0, 5.0))
BETTER = finding(NAME, METRIC, Verdict.BETTER, about=MENDED, effect=(5.0, 1.1, -5.0, -3.0))
WEEK = replace(busy_week(), changes=(BROKE, MENDED))


def test_a_later_change_that_brings_the_level_back_puts_it_right() -> None:
    mended = put_right((WORSE, BETTER))
    assert mended == {(WORSE.id, NAME): BETTER}
    assert wholly_put_right(WORSE, mended)
    assert not still_worse(WORSE, NAME, mended)


@pytest.mark.parametrize(
    "better",
    [
        replace(BETTER, tier=Tier.WATCH),
        replace(BETTER, verdict=Verdict.NO_MATERIAL_CHANGE),
        replace(BETTER, context="elsewhere"),
        replace(BETTER, airframes=("heron-02",)),
        replace(BETTER, status="muted"),
        # A third of it came back.
        finding(NAME, METRIC, Verdict.BETTER, about=MENDED, effect=(5.0, 3.7, -2.0, -0.5)),
        # Before it, not after.
        replace(BETTER, change=change(NAME, 2, 30, ChangeItem("linkage", "push rod", "old", "new", True))),
    ],
)
def test_anything_less_leaves_it_on_the_list(better: Finding) -> None:
    assert put_right((WORSE, better)) == {}


def test_a_finding_over_the_fleet_is_put_right_airframe_by_airframe() -> None:
    pooled = replace(WORSE, id="pooled", scope="fleet", airframes=(NAME, "heron-02"))
    mended = put_right((pooled, BETTER))
    assert not still_worse(pooled, NAME, mended)
    assert still_worse(pooled, "heron-02", mended)
    assert not wholly_put_right(pooled, mended)


def test_figures_that_should_be_higher_are_put_right_too() -> None:
    worse = finding(NAME, METRIC, Verdict.WORSE, about=BROKE, effect=(5.0, 1.0, -5.0, -3.0))
    better = finding(NAME, METRIC, Verdict.BETTER, about=MENDED, effect=(1.0, 6.0, 3.0, 6.0))
    assert put_right((worse, better)) == {(worse.id, NAME): better}


def test_the_digest_lists_it_among_what_worked() -> None:
    page = compose_digest(replace(WEEK, findings=(WORSE, BETTER)))
    assert page.worse.entries == ()
    assert [entry.verdict for entry in page.better.entries] == ["better"]
    assert [line.text.endswith("put right since") for line in page.better.settled] == [True]
    assert [(line.label, [item.text for item in line.items]) for line in page.glance] == [("Worked", [NAME])]
    alone = compose_digest(replace(WEEK, findings=(WORSE,)))
    assert [entry.verdict for entry in alone.worse.entries] == ["worse"]


def test_board_and_airframe_page_do_not_call_it_open() -> None:
    row = next(
        one for one in compose_board(replace(board(), findings=(WORSE, BETTER))).rows if one.who.text == NAME
    )
    assert (row.verdict, row.findings) == ("", ())
    assert compose_airframe(replace(airframe(NAME), findings=(WORSE, BETTER))).entries == ()
    assert compose_airframe(replace(airframe(NAME), findings=(WORSE,))).entries != ()


def test_an_airframe_s_page_begins_with_what_needs_a_hand() -> None:
    hazard = finding(NAME, "armed_after_landing_s", Verdict.ATTENTION, kind="condition_of_flight")
    for told in ((WORSE, hazard), (hazard, WORSE)):
        entries = compose_airframe(replace(airframe(NAME), findings=told)).entries
        assert [entry.verdict for entry in entries] == ["attention", "worse"]
