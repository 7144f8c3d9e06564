"""What is told of changes: settings in few digits, updates folded, pooled parts without serial numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.reports.examples import METRICS, busy_week, change, finding, series
from tests.reports.page_examples import board, setting
from trimkeep.detectors.history.model import Change, ChangeItem, Verdict
from trimkeep.reports.compose import compose_digest
from trimkeep.reports.compose_pages import MAX_BOARD_LINES, compose_board, teller_for
from trimkeep.reports.trends import DRIFT_END, trend_view

WEEK = busy_week()


def seen(before: str, after: str, *, documented: bool = False) -> ChangeItem:
    return ChangeItem("parameters", "PITCH_FF", before, after, documented)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("0.78487337", "1.5697467", "0.7849 → 1.57"),
        ("7", "90", "7 → 90"),
        # Four digits would tell them alike.
        ("0.78487337", "0.78487401", "0.78487337 → 0.78487401"),
        ("65535.5", "131071", "65535.5 → 131071"),
        ("off", "0.12345678", "off → 0.12345678"),
    ],
)
def test_a_setting_from_a_log_is_told_in_four_digits(before: str, after: str, told: str) -> None:
    assert teller_for(setting()).item(seen(before, after)).endswith(told)


def test_what_a_person_wrote_stands_as_written() -> None:
    item = seen("0.78487337", "1.5697467", documented=True)
    assert teller_for(setting()).item(item).endswith("0.78487337 → 1.5697467")


def _servo(airframe: str, before: str, after: str) -> Change:
    return change(airframe, 5, 10, ChangeItem("servo", "elevator servo", before, after, True))


def test_a_pooled_part_is_told_without_the_serial_number_of_one_airframe() -> None:
    changes = (_servo("heron-01", "S-1", "S-2"), _servo("heron-02", "S-7", "S-8"))
    pooled = replace(
        finding(
            "heron-01", "altitude_error_rms_m", Verdict.WORSE, about=changes[0], effect=(1.0, 2.0, 0.5, 1.5)
        ),
        scope="fleet",
        airframes=("heron-01", "heron-02"),
    )
    said = teller_for(setting(), WEEK.series, changes).since(pooled)
    assert "S-" not in said
    assert said.startswith("Since a change of elevator servo, first on ")
    alone = replace(pooled, scope="airframe", airframes=("heron-01",))
    assert "S-1 → S-2" in teller_for(setting(), WEEK.series, changes).since(alone)


def test_settings_that_were_changed_together_are_one_thing_to_hold_back() -> None:
    about = change("heron-01", 5, 10, *(seen("1", "2") for _ in range(3)))
    worse = finding(
        "heron-01", "altitude_error_rms_m", Verdict.WORSE, about=about, effect=(1.0, 2.0, 0.5, 1.5)
    )
    given = replace(WEEK, findings=(worse,), changes=(about,))
    stop = [line for line in compose_digest(given).glance if "Hold back" in line.label]
    assert len(stop) == 1
    assert len(stop[0].items) == 1
    assert "2 more" in stop[0].items[0].text
    assert stop[0].items[0].href is not None


def test_the_board_names_the_gravest_and_counts_the_others() -> None:
    name = WEEK.airframes[0].id
    many = tuple(
        finding(name, metric, Verdict.WORSE, context="cruise", effect=(1.0, 2.0, 0.5, 1.5))
        for metric in METRICS
    )
    assert len(many) > MAX_BOARD_LINES + 1
    row = next(one for one in compose_board(replace(board(), findings=many)).rows if one.who.text == name)
    assert len(row.findings) == MAX_BOARD_LINES + 1
    assert row.findings[-1].text == f"and {len(many) - MAX_BOARD_LINES} more"


def test_a_drift_is_drawn_level_only_where_it_has_got_to() -> None:
    history = series("heron-01", "altitude_error_rms_m", [(16, 2.0)], scatter=0.1, seed=3, context="cruise")
    drift = replace(
        finding(
            "heron-01", "altitude_error_rms_m", Verdict.WORSE, context="cruise", effect=(1.0, 2.0, 0.5, 1.5)
        ),
        kind="drift",
        change=None,
        flights_before=1,
        flights_after=15,
    )
    view = trend_view(history, drift, teller_for(setting(), (history,)))
    before, after = view.levels
    assert (before.first, before.last) == (0, 0)
    assert after.last - after.first == DRIFT_END - 1
    assert after.last == history.points[-1].order
