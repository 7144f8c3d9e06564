"""Scenarios, calendars and journals, without flying anything."""

from __future__ import annotations

import csv
import io
import tomllib
from collections import Counter
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import load_card
from trimkeep.config.load import load_fleet
from trimkeep.sample_fleet.cards import airframe_toml, channels_toml, fleet_toml
from trimkeep.sample_fleet.faults import FAULT_KINDS
from trimkeep.sample_fleet.journal import HEADER, journal_csv
from trimkeep.sample_fleet.random_scenarios import random_scenario
from trimkeep.sample_fleet.scenario import SHIPPED, AirframeStory, Scenario, ScenarioError, load_scenario
from trimkeep.sample_fleet.season import FlightOrder, faults_on, firmware_on, flight_orders, flying_days
from trimkeep.sample_fleet.writers import has_real_habits

SCENARIO = load_scenario()
ORDERS = flight_orders(SCENARIO, seed=7)
JOURNAL_KINDS = {
    *("firmware", "parameters", "servo", "linkage", "surface", "propeller", "motor", "speed_controller"),
    *("battery", "autopilot_board", "sensor", "balance", "trim", "structure", "payload", "calibration"),
    *("inspection", "other"),
}


def story(name: str) -> AirframeStory:
    return next(one for one in SCENARIO.airframes if one.identity.id == name)


def flights(name: str) -> list[FlightOrder]:
    return [order for order in ORDERS if order.identity.id == name]


def sizes(name: str, number: int) -> dict[str, float]:
    return {fault.kind: fault.size for fault in faults_on(story(name), number)}


def test_shipped_season_has_the_promised_shape() -> None:
    assert 8 <= len(SCENARIO.airframes) <= 10
    assert all(12 <= one.flights <= 20 for one in SCENARIO.airframes)
    real = sum(has_real_habits(order.style) for order in ORDERS)
    assert real / len(ORDERS) == pytest.approx(0.5, abs=0.02)
    assert {Path(order.file).suffix for order in ORDERS} == {".tlog", ".csv", ".parquet"}


def test_the_harmless_update_was_flown_alone_by_five_airframes() -> None:
    harmless = next(one for one in SCENARIO.fleet_expect if one.verdict == "no_material_change")
    assert len(harmless.airframes) >= 5
    for name in harmless.airframes:
        work = next(work for work in story(name).works if work.firmware == harmless.firmware)
        assert {fault.kind for fault in work.begins} == {"no_effect_update"}
        assert [entry.kind for entry in work.journal] == ["firmware"]


def test_two_airframes_at_least_have_nothing_wrong() -> None:
    harmless = {"no_effect_update"}
    sound = [
        one.identity.id
        for one in SCENARIO.airframes
        if all({f.kind for f in faults_on(one, n)} <= harmless for n in range(1, one.flights + 1))
    ]
    assert sound == ["alder-4", "rowan-3"]


def test_faults_begin_grow_and_end_when_told() -> None:
    assert "elevator_play" not in sizes("alder-2", 5)
    assert sizes("alder-2", 6)["elevator_play"] == sizes("alder-2", 10)["elevator_play"] > 0.0
    assert "elevator_play" not in sizes("alder-2", 11)
    worn = [sizes("alder-3", number)["elevator_play"] for number in range(1, 17)]
    assert worn[0] == 0.0
    assert worn[-1] == pytest.approx(story("alder-3").begins[0].size_at_end)
    assert np.diff(worn) == pytest.approx(np.full(15, worn[-1] / 15))
    assert sizes("sorrel-3", 4)["left_armed"] > 0.0
    assert "left_armed" not in sizes("sorrel-3", 5)


def test_firmware_changes_with_the_work() -> None:
    assert [firmware_on(story("rowan-1"), number) for number in (5, 6, 14)] == ["2.8.1", "2.10.0", "2.10.0"]


def test_undocumented_changes_leave_no_line() -> None:
    for name, number in (("alder-1", 11), ("rowan-2", 11)):
        work = next(one for one in story(name).works if one.before_flight == number)
        assert work.begins
        assert not work.journal


def test_same_seed_same_orders() -> None:
    again = flight_orders(SCENARIO, seed=7)
    assert [(o.file, o.air, o.seconds, o.log) for o in again] == [
        (o.file, o.air, o.seconds, o.log) for o in ORDERS
    ]
    assert [o.file for o in flight_orders(SCENARIO, seed=8)] != [o.file for o in ORDERS]


def test_flights_are_in_order_and_in_daylight() -> None:
    zone = ZoneInfo(SCENARIO.time_zone)
    for one in SCENARIO.airframes:
        instants = [order.at for order in flights(one.identity.id)]
        assert instants == sorted(instants)
        assert len({at.date() for at in instants}) == len(instants)
        assert all(9 <= at.astimezone(zone).hour <= 16 for at in instants)


def test_the_windy_fortnight_is_windy() -> None:
    windy = [o for o in ORDERS if 49 <= (o.at.date() - SCENARIO.first_day).days < 63]
    assert len(windy) > 10
    assert min(o.air.wind_mps for o in windy) > max(
        o.air.wind_mps for o in ORDERS if (o.at.date() - SCENARIO.first_day).days < 49
    )


@pytest.mark.parametrize(("count", "n_days"), [(1, 1), (5, 5), (14, 91), (20, 21)])
def test_flying_days_rise_inside_the_season(count: int, n_days: int) -> None:
    days = flying_days(count, n_days, np.random.default_rng(count))
    assert len(set(days)) == count
    assert list(days) == sorted(days)
    assert days[0] >= 0
    assert days[-1] < n_days


def test_more_flights_than_days_are_refused() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        flying_days(5, 4, np.random.default_rng(0))


@pytest.mark.parametrize("name", [one.identity.id for one in SCENARIO.airframes])
def test_journal_lines_lie_between_the_flights_they_part(name: str) -> None:
    mine = flights(name)
    rows = list(csv.DictReader(io.StringIO(journal_csv(SCENARIO, story(name).works, mine))))
    works = [work for work in story(name).works for _ in work.journal]
    assert len(rows) == len(works)
    zone = ZoneInfo(SCENARIO.time_zone)
    for row, work in zip(rows, works, strict=True):
        assert tuple(row) == HEADER
        assert row["kind"] in JOURNAL_KINDS
        before, after = mine[work.before_flight - 2].at, mine[work.before_flight - 1].at
        if "T" in row["done_at"]:
            assert before < datetime.fromisoformat(row["done_at"]) < after
        else:
            day = date.fromisoformat(row["done_at"])
            assert before.astimezone(zone).date() < day <= after.astimezone(zone).date()


@pytest.mark.parametrize("name", [one.identity.id for one in SCENARIO.airframes])
def test_cards_are_read_without_complaint(name: str, tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(fleet_toml(SCENARIO.name, SCENARIO.time_zone))
    home = tmp_path / name
    home.mkdir()
    identity = story(name).identity
    (home / "airframe.toml").write_text(airframe_toml(identity, {"pitch_rate_max_dps": "PITCH_RATE_MAX"}))
    (home / "channels.toml").write_text(channels_toml())
    card: AirframeCard = load_card(load_fleet(tmp_path), home)
    assert card.motors == identity.motors
    assert card.modes[identity.mode_numbers[3]] == "altitude_hold"
    assert len(card.outputs["aileron"]) == sum(o.moves == "aileron" for o in identity.outputs)
    for output in identity.outputs:
        read = [one for one in card.outputs[output.moves] if one.channel == output.channel]
        assert [one.reversed for one in read] == [output.reversed]
        assert read[0].high_us == output.high_us
    assert {column.channel: column.sign for column in card.columns}["elevator_cmd"] == -1


def test_contradictions_are_named(tmp_path: Path) -> None:
    text = SHIPPED.read_text(encoding="utf-8")
    for old, new, complaint in (
        ('style = "field"', 'style = "scroll"', "no log style"),
        ("before_flight = 6", "before_flight = 60", "outside"),
        ('kind = "no_effect_update"', 'kind = "gremlins"', "no fault"),
        ('id = "alder-2"', 'id = "alder-1"', "one id"),
        ("serial = 4101", "serial = 4101\ncolour = 3", "colour"),
        ('model = "small_single"', 'model = "kite"', "no kind"),
    ):
        path = tmp_path / "broken.toml"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        assert old in text
        with pytest.raises(ScenarioError, match=complaint):
            load_scenario(path)


def test_random_scenarios_hold_one_change_each() -> None:
    scenario: Scenario = random_scenario(
        np.random.default_rng(3), airframes=40, flights=9, styles=("on_board", "field"), documented=False
    )
    kinds = Counter(fault.kind for one in scenario.airframes for work in one.works for fault in work.begins)
    assert set(kinds) <= set(FAULT_KINDS)
    assert len(kinds) > 8
    assert {one.works[0].before_flight for one in scenario.airframes} == {5}
    assert not any(work.journal for one in scenario.airframes for work in one.works)
    assert scenario.n_days >= 2 * 9
    orders = flight_orders(scenario, seed=1)
    assert len(orders) == 360
    with pytest.raises(ValueError, match="change_at"):
        random_scenario(np.random.default_rng(3), flights=4, change_at=5)


def test_twice_the_moderate_size() -> None:
    twice = random_scenario(np.random.default_rng(3), airframes=20, kinds=("battery_ageing",), size=2.0)
    planted = [one.works[0].begins[0].size for one in twice.airframes]
    assert planted == pytest.approx([2.0 * FAULT_KINDS["battery_ageing"].moderate] * 20)


def test_scenario_file_is_plain_toml() -> None:
    with SHIPPED.open("rb") as file:
        assert tomllib.load(file)["name"] == SCENARIO.name
