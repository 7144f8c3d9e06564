"""What the logs show and what the journal says, brought together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from trimkeep.detectors.history.model import Change, ChangeItem
from trimkeep.detectors.model import ClockSource
from trimkeep.service.changes import AirframeChanges, changes_of
from trimkeep.service.seen_changes import number_text, seen_changes
from trimkeep.service.store.flights import PlacedFlight, StoredFlight, place_flights
from trimkeep.service.store.journal import JournalRow

DAY_ONE = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
Sets = dict[str, Mapping[str, float]]


def flown(states: Sequence[Mapping[str, Any]]) -> tuple[tuple[PlacedFlight, ...], Sets]:
    """One flight a day, each with what its log states: firmware, board, parameters."""
    sets: Sets = {}
    flights = []
    for day, state in enumerate(states):
        parameters = state.get("parameters")
        name = None
        if parameters is not None:
            name = repr(sorted(parameters.items()))
            sets[name] = parameters
        flights.append(
            StoredFlight(
                f"{day:012x}".ljust(64, "0"),
                1,
                "heron-01",
                state.get("at", DAY_ONE + timedelta(days=day)),
                ClockSource.SATELLITE,
                0.0,
                600.0,
                False,
                False,
                100,
                state.get("firmware"),
                state.get("board"),
                name,
                "a.tlog",
                "heron-01/a.tlog",
            )
        )
    return place_flights(flights), sets


def row(seq: int, done_at: str, kind: str, part: str = "", before: str = "", after: str = "") -> JournalRow:
    return JournalRow(
        seq, "heron-01", DAY_ONE, "file", done_at, kind, part, before, after, "Ann", "", "current"
    )


def judged(states: Sequence[Mapping[str, Any]], *journal: JournalRow, zone: str = "UTC") -> AirframeChanges:
    flights, sets = flown(states)
    return changes_of("heron-01", flights, journal, sets, zone)


def orders(found: AirframeChanges) -> list[tuple[int, tuple[str, ...], bool]]:
    return [(change.first_order, change.kinds, change.documented) for change in found.changes]


def firmware(*versions: str | None) -> list[Mapping[str, Any]]:
    return [{"firmware": version} for version in versions]


def test_nothing_changed() -> None:
    assert judged(firmware("4.1", "4.1", None, "4.1")).changes == ()


def test_firmware_that_nobody_wrote_down() -> None:
    (change,) = judged(firmware("4.1", "4.1", "4.2")).changes
    assert change == Change(
        f"heron-01:{2:012x}-1",
        "heron-01",
        DAY_ONE + timedelta(days=2),
        2,
        (ChangeItem("firmware", "", "4.1", "4.2", False),),
    )


def test_one_boundary_holds_everything_between_two_flights() -> None:
    states = [
        {"firmware": "4.1", "board": "a", "parameters": {"BANK_MAX": 45.0, "LOOP_GAIN": 0.5}},
        {"firmware": "4.2", "board": "b", "parameters": {"BANK_MAX": 50.0, "LOOP_GAIN": 0.5}},
    ]
    found = judged(states, row(1, "2026-03-02", "servo", "elevator", "A", "B"))
    assert orders(found) == [(1, ("firmware", "autopilot_board", "parameters", "servo"), False)]
    assert [item.documented for item in found.changes[0].items] == [False, False, False, True]
    assert found.changes[0].items[2] == ChangeItem("parameters", "BANK_MAX", "45", "50", False)


@pytest.mark.parametrize(
    ("done_at", "after"),
    [
        ("2026-03-03", "4.2"),  # right
        ("2026-03-03", ""),  # right day, no version noted
        ("2026-03-03", "latest"),  # right day, other words
        ("2026-03-01", "v4.2"),  # noted before, loaded later
        ("2026-03-09", "autopilot 4.2"),  # written up on Sunday
    ],
)
def test_an_entry_documents_what_the_log_shows_and_is_not_counted_twice(done_at: str, after: str) -> None:
    found = judged(firmware("4.1", "4.1", "4.2", "4.2"), row(1, done_at, "firmware", "", "4.1", after))
    assert orders(found) == [(2, ("firmware",), True)]
    assert found.unseen == ()
    assert found.changes[0].items[0].done_by == "Ann"


def test_an_entry_about_another_version_documents_nothing_far_off() -> None:
    found = judged(firmware("4.1", "4.1", "4.2", "4.2"), row(1, "2026-03-01", "firmware", "", "", "4.0"))
    assert (2, ("firmware",), False) in orders(found)


def test_firmware_noted_while_the_logs_show_the_old_one() -> None:
    found = judged(firmware("4.1", "4.1", "4.1", "4.1"), row(1, "2026-03-03", "firmware", "", "4.1", "4.2"))
    assert found.changes == ()
    assert [(one.entry.seq, one.flights_checked) for one in found.unseen] == [(1, 2)]


def test_firmware_noted_where_logs_cannot_tell_is_believed() -> None:
    found = judged(firmware(None, None, None), row(1, "2026-03-02", "firmware", "", "4.1", "4.2"))
    assert orders(found) == [(1, ("firmware",), True)]


def test_where_logs_are_silent_the_entry_says_which_gap_it_was() -> None:
    states = firmware("4.1", None, None, "4.2")
    assert orders(judged(states, row(1, "2026-03-02", "firmware", "", "", "4.2"))) == [
        (1, ("firmware",), True)
    ]
    assert orders(judged(states)) == [(3, ("firmware",), False)]


def test_parameters_are_documented_by_name_or_by_an_entry_without_names() -> None:
    states = [
        {"parameters": {"BANK_MAX": 45.0, "loop_gain": 0.5}},
        {"parameters": {"BANK_MAX": 50.0, "loop_gain": 0.6}},
    ]
    by_name = judged(states, row(1, "2026-03-02", "parameters", "loop_gain"))
    assert [(i.part, i.documented) for i in by_name.changes[0].items] == [
        ("BANK_MAX", False),
        ("loop_gain", True),
    ]
    in_words = judged(states, row(1, "2026-03-02", "parameters", "tuned after the windy day"))
    assert in_words.changes[0].documented
    assert not judged(states, row(1, "2026-03-02", "servo", "elevator")).changes[0].documented


def test_parameters_noted_that_did_not_move() -> None:
    states = [{"parameters": {"BANK_MAX": 45.0}}] * 3
    found = judged(states, row(1, "2026-03-02", "parameters", "BANK_MAX", "45", "50"))
    assert found.changes == ()
    assert [one.flights_checked for one in found.unseen] == [2]


def test_a_calibration_explains_the_numbers_it_leaves_behind() -> None:
    offset = float(np.float32(0.0123456))
    states = [{"parameters": {"ACC_X": 0.0, "GAIN": 1.0}}, {"parameters": {"ACC_X": offset, "GAIN": 2.0}}]
    found = judged(states, row(1, "2026-03-02", "calibration", "accelerometers"))
    documented = {item.part: item.documented for item in found.changes[0].items}
    assert documented == {"ACC_X": True, "GAIN": False, "accelerometers": True}


def test_a_day_is_in_effect_before_its_first_flight_in_the_fleets_zone() -> None:
    # 23:30 UTC on the 1st is already the 2nd in Sydney.
    states = [{"at": datetime(2026, 3, 1, 1, tzinfo=UTC)}, {"at": datetime(2026, 3, 1, 23, 30, tzinfo=UTC)}]
    entry = row(1, "2026-03-02", "servo", "rudder")
    assert orders(judged(states, entry, zone="Australia/Sydney")) == [(1, ("servo",), True)]
    assert orders(judged(states, entry, zone="UTC")) == [(2, ("servo",), True)]


def test_a_time_counts_to_the_minute() -> None:
    states = [{"at": DAY_ONE}, {"at": DAY_ONE + timedelta(hours=1)}]
    entry = row(1, "2026-03-01T09:30+00:00", "propeller")
    assert orders(judged(states, entry)) == [(1, ("propeller",), True)]


def test_work_with_no_flight_after_it_is_pending() -> None:
    (change,) = judged(firmware("4.1"), row(1, "2026-04-01", "servo")).changes
    assert (change.id, change.first_order) == ("heron-01:pending", 1)


def test_work_before_the_first_flight() -> None:
    assert orders(judged(firmware("4.1"), row(1, "2026-01-01", "servo"))) == [(0, ("servo",), True)]


def test_a_parameter_that_only_some_logs_have_is_carried_on() -> None:
    states = [
        {"parameters": {"GAIN": 1.0}},
        {},
        {"parameters": {"OTHER": 1.0}},
        {"parameters": {"GAIN": 1.0}},
        {"parameters": {"GAIN": 1.5}},
    ]
    flights, sets = flown(states)
    assert [(item.gap, item.after_flight, item.part) for item in seen_changes(flights, sets)] == [
        (4, 3, "GAIN")
    ]


def test_a_decimal_in_a_table_is_the_same_as_a_float_on_the_link() -> None:
    states = [{"parameters": {"GAIN": 0.12}}, {"parameters": {"GAIN": float(np.float32(0.12))}}]
    assert judged(states).changes == ()
    assert number_text(-0.00012) == "-0.00012"
