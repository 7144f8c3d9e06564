"""The physics check of the channel map: mistakes planted in flights of the sample fleet's library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.builders import recording_of
from tests.detectors.planted import flown_with, recorded
from trimkeep.config.airframe import AirframeCard, ColumnMap, Output
from trimkeep.detectors.channel_changes import Change, changes
from trimkeep.detectors.channel_check import ALIKE, WORTH, MapDoubt, _Court, _gains, check_map, corrected
from trimkeep.detectors.channel_frame import Frame
from trimkeep.detectors.model import Channel, Recording
from trimkeep.detectors.output_signs import check_outputs
from trimkeep.sample_fleet.table_columns import COLUMNS, FOREIGN

RADIANS = np.pi / 180.0


@pytest.fixture(scope="module")
def flight() -> Recording:
    return recorded(flown_with(seed=4), 10.0)


def misread(recording: Recording, *lines: tuple[str, str, float]) -> Recording:
    """The recording with channels read from another one, times a factor."""
    channels = dict(recording.channels)
    for name, source, factor in lines:
        taken = recording.channels[source]
        channels[name] = Channel(taken.time_s, taken.value * factor)
    return replace(recording, channels=channels)


def said(doubts: tuple[MapDoubt, ...]) -> dict[str, tuple[str, str | None]]:
    return {one.channel: (one.kind, one.swapped_with or one.unit) for one in doubts}


def test_nothing_is_said_against_a_log_that_is_read_as_it_should_be(flight: Recording) -> None:
    assert check_map(flight) == ()


@pytest.mark.parametrize("rate_hz", [50.0, 4.0])
def test_nor_at_other_rates_and_in_other_flying(rate_hz: float) -> None:
    assert check_map(recorded(flown_with(seed=7, club=True, gust_mps=0.8), rate_hz)) == ()


def test_nor_where_nobody_named_the_modes() -> None:
    """A stick that asks for an attitude is pulled while the elevator gives way: no wrong sign."""
    recording = recorded(flown_with(seed=7, club=True, gust_mps=0.8), 4.0)
    channels = {name: one for name, one in recording.channels.items() if name != "control_mode"}
    assert check_map(replace(recording, channels=channels)) == ()


def test_nor_in_a_wind_of_two_thirds_of_the_airspeed() -> None:
    """Ground speed is then half or twice the airspeed for minutes, as knots would be."""
    recording = recorded(flown_with(seed=11, wind_mps=10.0), 4.0)
    assert check_map(recording) == ()
    [doubt] = check_map(misread(recording, ("airspeed_mps", "airspeed_mps", 3600.0 / 1852.0)))
    assert (doubt.channel, doubt.unit) == ("airspeed_mps", "kt")


def test_a_target_counted_from_another_zero_is_not_called_a_unit() -> None:
    recording = recorded(flown_with(seed=4), 4.0)
    altitude = recording.channels["altitude_m"]
    high = Channel(altitude.time_s, altitude.value + 300.0)
    above = Channel(altitude.time_s, altitude.value - altitude.value[0])
    target = Channel(altitude.time_s, np.full(altitude.time_s.size, float(np.median(above.value))))
    channels = {**recording.channels, "altitude_m": high, "height_m": above, "altitude_target_m": target}
    assert check_map(replace(recording, channels=channels)) == ()


@pytest.mark.parametrize(
    "name",
    [
        "bank_deg",
        "pitch_deg",
        "roll_rate_dps",
        "gyro_z_dps",
        "accel_x_mps2",
        "accel_z_mps2",
        "velocity_east_mps",
        "climb_mps",
        "satellite_course_deg",
        "pitch_target_deg",
        "elevator_cmd",
        "aileron_cmd",
    ],
)
def test_a_wrong_sign_is_named(flight: Recording, name: str) -> None:
    assert said(check_map(misread(flight, (name, name, -1.0)))) == {name: ("sign", None)}


@pytest.mark.parametrize(
    ("name", "unit", "factor"),
    [
        ("bank_deg", "rad", RADIANS),
        ("heading_deg", "rad", RADIANS),
        ("pitch_rate_dps", "rad/s", RADIANS),
        ("gyro_y_dps", "rad/s", RADIANS),
        ("climb_mps", "kt", 3600.0 / 1852.0),
        ("altitude_m", "ft", 1.0 / 0.3048),
        ("airspeed_mps", "km/h", 3.6),
        ("velocity_north_mps", "kt", 3600.0 / 1852.0),
        ("accel_z_mps2", "g", 1.0 / 9.80665),
        ("static_pressure_hpa", "Pa", 100.0),
        ("throttle_cmd", "%", 100.0),
    ],
)
def test_a_wrong_unit_is_named_with_the_right_one(
    flight: Recording, name: str, unit: str, factor: float
) -> None:
    [doubt] = check_map(misread(flight, (name, name, factor)))
    assert (doubt.channel, doubt.kind, doubt.unit) == (name, "unit", unit)
    assert doubt.factor == pytest.approx(1.0 / factor)


def test_a_unit_that_only_the_map_states_is_taken_back(flight: Recording) -> None:
    entry = ColumnMap("pitch_rate_dps", "gy", unit="rad/s")
    [doubt] = check_map(misread(flight, ("pitch_rate_dps", "pitch_rate_dps", 1.0 / RADIANS)), (entry,))
    assert doubt.column == "gy"
    assert doubt.witnesses
    assert corrected(entry, doubt) == ColumnMap("pitch_rate_dps", "gy", unit="deg/s")


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("bank_deg", "pitch_deg"),
        ("roll_rate_dps", "pitch_rate_dps"),
        ("gyro_y_dps", "gyro_z_dps"),
        ("accel_x_mps2", "accel_z_mps2"),
        ("velocity_north_mps", "velocity_east_mps"),
        ("elevator_cmd", "aileron_cmd"),
    ],
)
def test_exchanged_columns_are_named(flight: Recording, one: str, other: str) -> None:
    entries = (ColumnMap(one, "A", unit=None), ColumnMap(other, "B", sign=-1))
    doubts = check_map(misread(flight, (one, other, 1.0), (other, one, 1.0)), entries)
    assert said(doubts) == {one: ("swapped", other), other: ("swapped", one)}
    # Each channel's new line reads the other one's column the way that line reads it.
    by_channel = {doubt.channel: doubt for doubt in doubts}
    assert by_channel[one].column == "B"
    assert corrected(entries[1], by_channel[one]) == ColumnMap(one, "B", sign=-1)


def test_a_sensor_in_another_unit_is_named_as_a_whole(flight: Recording) -> None:
    gyros = ("gyro_x_dps", "gyro_y_dps", "gyro_z_dps")
    doubts = check_map(misread(flight, *((name, name, RADIANS) for name in gyros)))
    assert said(doubts) == dict.fromkeys(gyros, ("unit", "rad/s"))


def test_two_mistakes_at_once_are_both_named(flight: Recording) -> None:
    doubts = check_map(
        misread(flight, ("bank_deg", "bank_deg", -1.0), ("altitude_m", "altitude_m", 1.0 / 0.3048))
    )
    assert said(doubts) == {"bank_deg": ("sign", None), "altitude_m": ("unit", "ft")}


def test_a_map_without_a_single_unit_is_put_right_as_a_whole() -> None:
    """Another program's table, read as if its radians, feet, knots, per cent and sink rate were ours."""
    flown = flown_with(seed=6)
    step = round(flown.rate_hz / 10.0)
    time_s = flown.t_s[::step]
    channels, cure = {}, {}
    for name, column in FOREIGN.items():
        gain = column.per_unit * column.sign / column.scale
        channels[name] = (time_s, flown.signals[COLUMNS[name].signal][::step] * gain)
        if gain != 1.0:
            cure[name] = pytest.approx(1.0 / gain, rel=1e-6)
    assert {one.channel: one.factor for one in check_map(recording_of(channels))} == cure


def test_where_two_channels_contradict_each_other_both_are_named(flight: Recording) -> None:
    """With only an attitude and its rate nothing tells which of them is the wrong way round."""
    names = ("bank_deg", "roll_rate_dps", "airspeed_mps")
    pair = replace(flight, channels={name: flight.channels[name] for name in names})
    [doubt] = check_map(misread(pair, ("bank_deg", "bank_deg", -1.0)))
    assert {doubt.channel, *doubt.or_channels} == {"bank_deg", "roll_rate_dps"}


def test_what_is_asked_of_fewer_relations_is_what_all_of_them_say(flight: Recording) -> None:
    """Changes that cannot come near the best one are dropped early; those that count are as without that."""
    court = _Court(Frame.of(misread(flight, ("elevator_cmd", "elevator_cmd", -1.0))))
    failing = court.failing({})
    found = _gains(court, {}, failing, {})
    asked = len(court._known)

    def in_full(change: Change) -> float:
        sums = [0.0, 0.0]
        for one in court.relations:
            eased = court.weight(one, {}) - court.weight(one, change.on({}))
            sums[one in failing] += eased
        return sum(sums) - change.cost if sums[1] >= WORTH else 0.0

    present = {name for one in failing for name in one.channels if court.frame.has(name)}
    every = [(in_full(one), one) for one in changes(present, court.frame, {})]
    every.sort(key=lambda entry: (-entry[0], entry[1].factors))
    near = [(gain, one) for gain, one in every if gain >= WORTH and every[0][0] - gain < ALIKE]
    assert [one for _, one in found[: len(near)]] == [one for _, one in near]
    assert [gain for gain, _ in found[: len(near)]] == pytest.approx([gain for gain, _ in near])
    assert len(near) == 2 and asked < len(court._known)


def test_a_log_of_standing_about_says_nothing() -> None:
    """Satellite courses at rest are noise, and a hand that turns the aeroplane is no flight."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 300.0, 0.2)
    names = ("bank_deg", "pitch_deg", "roll_rate_dps", "satellite_speed_mps", "velocity_north_mps")
    channels = {name: (time_s, np.abs(rng.normal(0.0, 0.3, time_s.size))) for name in names}
    channels["satellite_course_deg"] = (time_s, rng.uniform(0.0, 360.0, time_s.size))
    assert check_map(recording_of(channels)) == ()


@pytest.mark.parametrize("value", [0.0, np.nan, 1e300, -1.0])
def test_dead_sensors_are_not_taken_for_wrong_lines(flight: Recording, value: float) -> None:
    for name in ("airspeed_mps", "heading_target_deg", "battery_voltage_v", "battery_current_a"):
        time_s = flight.channels["bank_deg"].time_s
        dead = {**flight.channels, name: Channel(time_s, np.full(time_s.size, value))}
        doubts = check_map(replace(flight, channels=dead))
        # A heading of 1e300 is out of any range, but then nothing mends it.
        assert doubts == (), name


@pytest.mark.parametrize("samples", [0, 1, 2, 5])
def test_next_to_nothing_is_no_error(flight: Recording, samples: int) -> None:
    channels = {
        name: Channel(one.time_s[:samples], one.value[:samples]) for name, one in flight.channels.items()
    }
    assert check_map(replace(flight, channels=channels)) == ()
    assert check_map(replace(flight, channels={}, duration_s=0.0)) == ()


def test_reading_by_another_map_changes_nothing_in_the_recording(flight: Recording) -> None:
    frame = Frame.of(flight)
    turned = frame.with_map({"bank_deg": ("pitch_deg", -2.0)})
    assert np.array_equal(turned.get("bank_deg"), -2.0 * frame.get("pitch_deg"), equal_nan=True)
    assert frame.get("bank_deg") is Frame.get(frame, "bank_deg")


# --- outputs ---


def with_outputs(flight: Recording) -> Recording:
    """Pulses as four outputs would have them: one elevator that works backwards, two ailerons, a rudder."""
    of = {"elevator_cmd": (2, -1.0), "rudder_cmd": (4, 1.0)}
    channels = dict(flight.channels)
    for name, (number, sign) in of.items():
        taken = flight.channels[name]
        channels[f"output_0_{number}_us"] = Channel(taken.time_s, 1500.0 + sign * 500.0 * taken.value)
    roll = flight.channels["aileron_cmd"]
    for number, sign in ((1, 1.0), (3, -1.0)):
        channels[f"output_0_{number}_us"] = Channel(roll.time_s, 1500.0 + sign * 500.0 * roll.value)
    return replace(flight, channels=channels)


def card(elevator: bool, left: bool, right: bool) -> AirframeCard:
    return AirframeCard(
        id="a1",
        outputs={
            "elevator": (Output(channel=2, reversed=elevator),),
            "aileron": (Output(channel=1, reversed=left), Output(channel=3, reversed=right)),
            "rudder": (Output(channel=4),),
            "throttle": (Output(channel=5),),
        },
    )


def test_outputs_that_are_entered_as_they_work_are_left_alone(flight: Recording) -> None:
    assert check_outputs(with_outputs(flight), card(True, False, True)) == ()


@pytest.mark.parametrize(
    ("entered", "wrong"),
    [((False, False, True), [("elevator", 0)]), ((True, False, False), [("aileron", 1)])],
)
def test_an_output_that_works_the_other_way_round_is_named(
    flight: Recording, entered: tuple[bool, bool, bool], wrong: list[tuple[str, int]]
) -> None:
    doubts = check_outputs(with_outputs(flight), card(*entered))
    assert [(one.function, one.index) for one in doubts] == wrong
    assert all(one.witnesses for one in doubts)


def test_elevons_are_told_by_what_they_share(flight: Recording) -> None:
    pitch, roll = flight.channels["elevator_cmd"], flight.channels["aileron_cmd"]
    left = Channel(pitch.time_s, 1500.0 + 250.0 * (pitch.value + roll.value))
    right = Channel(pitch.time_s, 1500.0 - 250.0 * (pitch.value - roll.value))
    recording = replace(flight, channels={**flight.channels, "output_0_1_us": left, "output_0_2_us": right})
    outputs = {
        "elevon_left": (Output(channel=1, pitch=1.0, roll=1.0),),
        "elevon_right": (Output(channel=2, pitch=1.0, roll=-1.0),),
    }
    doubts = check_outputs(recording, AirframeCard(id="a1", outputs=outputs))
    assert [one.function for one in doubts] == ["elevon_right"]


def test_an_output_that_stands_still_says_nothing(flight: Recording) -> None:
    recording = with_outputs(flight)
    stuck = Channel(
        flight.channels["bank_deg"].time_s, np.full(flight.channels["bank_deg"].time_s.size, 1500.0)
    )
    recording = replace(recording, channels={**recording.channels, "output_0_2_us": stuck})
    assert check_outputs(recording, card(False, False, True)) == ()
