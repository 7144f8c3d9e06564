"""What an airframe consisted of at any flight, worked out by hand for a short history."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.configuration import (
    AirframeHistory,
    Configuration,
    Item,
    at_flight,
    at_moment,
    compare,
    end_of,
    load_history,
)
from trimkeep.service.store.connection import open_store

JOURNAL = """done_at,kind,part,before,after,done_by,note
2026-03-03,firmware,,4.1,4.2,Ann,
2026-03-03,servo,Elevator servo,serial 17,serial 93,Ben,
2026-03-05,servo,elevator servo,,,Ben,re-centred
2026-03-06,battery,pack,pack 1,pack 2,Ann,
2026-03-20,firmware,,4.2,4.3,Ann,not flown yet
"""
# day, firmware, gain, counter
FLOWN: list[tuple[int, str | None, float, float]] = [
    (1, "4.1", 0.10, 101),
    (2, "4.1", 0.10, 102),
    (4, "4.2", 0.10, 103),
    (7, None, 0.15, 104),
    (8, "4.2", 0.15, 105),
]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> FleetSettings:
    made = fleet_in(tmp_path_factory.mktemp("configuration"))
    for day, firmware, gain, counter in FLOWN:
        head: dict[str, Any] = {"start": f"2026-03-{day:02d}T10:00:00+00:00", "firmware": firmware}
        head |= {"board": "board A", "parameters": {"PITCH_GAIN": gain, "STARTS": counter}}
        put(made, f"heron-01/{day}.csv", log_text([(0, 1800, 1.0)], **head))
    (made.folder / "heron-01" / "journal.csv").write_text(JOURNAL)
    ingest(made)
    return made


@pytest.fixture(scope="module")
def history(fleet: FleetSettings) -> AirframeHistory:
    return load_history(open_store(fleet.state), fleet.time_zone, "heron-01")


def held(found: Configuration, kind: str, part: str = "") -> Item:
    [item] = [item for item in found.items if item.key == (kind, part.casefold())]
    return item


def test_in_the_first_flight_all_is_as_it_came(history: AirframeHistory) -> None:
    found = at_flight(history, history.flights[0])
    assert held(found, "firmware") == Item("firmware", "", "4.1")
    assert held(found, "autopilot_board") == Item("autopilot_board", "", "board A")
    assert held(found, "parameters", "PITCH_GAIN") == Item("parameters", "PITCH_GAIN", "0.1")
    # What work to come replaces was fitted before it.
    assert held(found, "servo", "elevator servo") == Item("servo", "Elevator servo", "serial 17")
    assert (found.flights, found.hours) == (1, pytest.approx(0.5, rel=1e-3))  # one sample at each end


def test_since_when_and_by_whom(history: AirframeHistory) -> None:
    found = at_flight(history, history.flights[4])
    third = datetime(2026, 3, 3, tzinfo=UTC)
    assert held(found, "firmware") == Item("firmware", "", "4.2", third, "Ann")
    # Re-centring fitted nothing new.
    assert held(found, "servo", "elevator servo") == Item(
        "servo", "Elevator servo", "serial 93", third, "Ben"
    )
    gain = held(found, "parameters", "PITCH_GAIN")
    assert (gain.value, gain.documented, gain.by) == ("0.15", False, "")
    # The work of the 5th and 6th lies in the same gap; who moved the gain, and when, nobody knows.
    assert gain.since == history.flights[3].at
    assert held(found, "parameters", "STARTS").by_itself


def test_a_flight_that_does_not_state_its_firmware_flew_the_last_known(history: AirframeHistory) -> None:
    assert held(at_flight(history, history.flights[3]), "firmware").value == "4.2"


def test_a_date_between_flights_counts_the_work_done_until_then(history: AirframeHistory) -> None:
    evening = at_moment(history, end_of("2026-03-03", "Europe/Lisbon"))
    assert (evening.flights, held(evening, "firmware").value) == (2, "4.2")
    day_before = at_moment(history, end_of("2026-03-02", "Europe/Lisbon"))
    assert held(day_before, "firmware").value == "4.1"


def test_what_nobody_wrote_down_counts_from_the_flight_that_shows_it(history: AirframeHistory) -> None:
    found = at_moment(history, end_of("2026-03-06", "UTC"))
    assert held(found, "battery", "pack").value == "pack 2"
    assert held(found, "parameters", "PITCH_GAIN").value == "0.1"


def test_work_since_the_last_flight_counts(history: AirframeHistory) -> None:
    assert held(at_moment(history, end_of("2026-03-19", "UTC")), "firmware").value == "4.2"
    found = held(at_moment(history, end_of("2026-03-20", "UTC")), "firmware")
    assert (found.value, found.by) == ("4.3", "Ann")


def test_before_anything_was_flown_only_the_journal_speaks(history: AirframeHistory) -> None:
    found = at_moment(history, end_of("2026-02-01", "UTC"))
    assert (found.flight, found.flights, found.hours) == (None, 0, 0.0)
    assert {item.kind for item in found.items} == {"servo", "battery"}


def test_what_differs_and_in_which_ratio(history: AirframeHistory) -> None:
    found = compare(at_flight(history, history.flights[0]), at_flight(history, history.flights[4]))
    assert [(one.kind, one.part, one.ratio) for one in found] == [
        ("battery", "pack", None),
        ("firmware", "", None),
        ("servo", "Elevator servo", None),
        ("parameters", "PITCH_GAIN", pytest.approx(1.5)),
    ]


def test_a_configuration_does_not_differ_from_itself(history: AirframeHistory) -> None:
    for flight in history.flights:
        assert compare(at_flight(history, flight), at_flight(history, flight)) == ()


def test_the_same_setting_printed_in_another_way_is_no_difference() -> None:
    def one(value: str) -> Configuration:
        at = datetime(2026, 3, 1, tzinfo=UTC)
        return Configuration("heron-01", at, None, 0, 0.0, (Item("parameters", "GAIN", value),))

    assert compare(one("0.29298964"), one("0.2929897")) == ()
    [found] = compare(one("0"), one("0.1"))
    assert found.ratio is None  # nothing to divide by


def test_an_airframe_without_anything(tmp_path: Path) -> None:
    made = fleet_in(tmp_path)
    history = load_history(open_store(made.state), "UTC", "heron-09")
    assert at_moment(history, datetime(2026, 3, 1, tzinfo=UTC)).items == ()
