"""Planted take-offs and landings are found, whatever the log has and lacks."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from tests.builders import CARD, ROUND_TRIP, Flying, Leg, flown, recording_of
from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Channel, Recording

BARE = AirframeCard(id="bare")
LIFT_OFF_S, TOUCH_DOWN_S = 34.0, 34.0 + 485.0
FLAGS = frozenset({"landed_state", "armed"})
SPEEDS = frozenset({"groundspeed_mps", "satellite_speed_mps", "velocity_north_mps", "velocity_east_mps"})
HEIGHTS = frozenset({"height_m", "altitude_m", "altitude_target_m"})
THROTTLES = frozenset({"throttle_cmd", "stick_throttle"})


@pytest.mark.parametrize("rate_hz", [2.5, 4.0, 50.0])
@pytest.mark.parametrize(
    ("leave_out", "dead"),
    [
        (frozenset(), False),
        (FLAGS, False),
        (FLAGS, True),
        (FLAGS | SPEEDS, False),
        (FLAGS | HEIGHTS, False),
        (FLAGS | HEIGHTS, True),
        (FLAGS | HEIGHTS | THROTTLES | SPEEDS, False),
        (FLAGS | SPEEDS, True),
        (SPEEDS | HEIGHTS, True),
        (SPEEDS | HEIGHTS | THROTTLES, True),
    ],
)
def test_one_flight_is_found_with_what_there_is(
    rate_hz: float, leave_out: frozenset[str], dead: bool
) -> None:
    log = flown(flying=Flying(rate_hz=rate_hz, leave_out=leave_out, airspeed_dead=dead, wind_north_mps=4.0))
    (flight,) = split(log, BARE)
    # The run-up and the glide at idle throttle are all that the poorest log can blur.
    poor = leave_out >= SPEEDS | HEIGHTS and "throttle_cmd" not in leave_out and "armed" in leave_out
    slack_s = 35.0 if poor else 8.0
    assert flight.start_s == pytest.approx(LIFT_OFF_S, abs=slack_s)
    assert flight.end_s == pytest.approx(TOUCH_DOWN_S, abs=slack_s)
    assert not flight.starts_airborne and not flight.ends_airborne


def test_landed_state_gives_the_moments_to_a_step() -> None:
    (flight,) = split(flown(), CARD)
    # One step of the 5 Hz grid.
    assert flight.start_s == pytest.approx(LIFT_OFF_S, abs=0.21)
    assert flight.end_s == pytest.approx(TOUCH_DOWN_S, abs=0.21)


def test_several_flights_in_one_log() -> None:
    flights = split(flown([*ROUND_TRIP, *ROUND_TRIP]), CARD)
    assert [flight.number for flight in flights] == [1, 2]
    assert flights[0].end_s < flights[1].start_s


def test_a_log_that_begins_and_ends_in_the_air() -> None:
    log = flown([Leg(60), Leg(20, bank_deg=20), Leg(60)], Flying(rate_hz=2.5, airspeed_dead=True))
    (flight,) = split(log, BARE)
    assert flight.starts_airborne and flight.ends_airborne
    assert flight.seconds == pytest.approx(140.0, abs=1.0)


@pytest.mark.parametrize("rate_hz", [4.0, 50.0])
def test_no_flight_is_a_normal_result(rate_hz: float) -> None:
    parked = [Leg(120, "manual", airspeed_mps=0.0, on_ground=True, throttle=0.0)]
    taxi = [*parked, Leg(60, "manual", airspeed_mps=8.0, on_ground=True, throttle=0.3), *parked]
    assert split(flown(parked, Flying(rate_hz=rate_hz)), CARD) == ()
    assert split(flown(taxi, Flying(rate_hz=rate_hz)), CARD) == ()
    assert split(recording_of({}), CARD) == ()
    assert split(Recording("empty", "test", 1, 60.0, {}), CARD) == ()


def test_wind_over_a_parked_sensor_is_no_flight() -> None:
    log = flown([Leg(200, "manual", airspeed_mps=0.0, on_ground=True, throttle=0.0)])
    time_s = log.channels["airspeed_mps"].time_s
    blown = Channel(time_s, 9.0 + 2.0 * np.sin(time_s))
    assert split(replace(log, channels={**log.channels, "airspeed_mps": blown}), BARE) == ()


def test_driven_home_disarmed_is_no_flight() -> None:
    home = Leg(300, "manual", airspeed_mps=15.0, on_ground=True, armed=False, throttle=0.0)
    assert len(split(flown([*ROUND_TRIP, home], Flying(leave_out=frozenset({"landed_state"}))), CARD)) == 1


def test_standing_still_against_the_wind_is_still_flying() -> None:
    legs = [*ROUND_TRIP[:4], Leg(40, airspeed_mps=14.0), *ROUND_TRIP[4:]]
    log = flown(legs, Flying(wind_north_mps=-14.0, leave_out=FLAGS, airspeed_dead=True))
    assert len(split(log, BARE)) == 1


def test_a_touch_and_go_is_one_flight() -> None:
    touch = Leg(4, "manual", airspeed_mps=10.0, on_ground=True)
    legs = [*ROUND_TRIP[:11], touch, Leg(20, "manual", climb_mps=3.0), *ROUND_TRIP[10:]]
    (flight,) = split(flown(legs), CARD)
    assert any(segment.phase == "ground" for segment in flight.segments)


def test_a_gap_in_the_log_does_not_cut_the_flight() -> None:
    log = flown(flying=Flying(rate_hz=4.0))
    channels = {}
    for name, channel in log.channels.items():
        kept = (channel.time_s < 200.0) | (channel.time_s > 260.0)
        channels[name] = Channel(channel.time_s[kept], channel.value[kept])
    assert len(split(replace(log, channels=channels), CARD)) == 1


@pytest.mark.parametrize("rate_hz", [2.5, 4.0, 50.0])
def test_segments_follow_the_plan(rate_hz: float) -> None:
    (flight,) = split(flown(flying=Flying(rate_hz=rate_hz)), CARD)
    parts = flight.segments
    assert parts[0].start_s == flight.start_s and parts[-1].end_s == flight.end_s
    assert all(a.end_s == b.start_s for a, b in pairwise(parts))
    seconds: dict[tuple[str, str], float] = {}
    for part in parts:
        seconds[part.mode, part.phase] = seconds.get((part.mode, part.phase), 0.0) + part.seconds
    # Roll-in and roll-out take a second each, the means a little more.
    assert seconds["altitude_hold", "level"] == pytest.approx(90.0, abs=4.0)
    assert seconds["altitude_hold", "turn"] == pytest.approx(40.0, abs=4.0)
    assert seconds["mission", "level"] == pytest.approx(240.0, abs=8.0)
    assert seconds["mission", "turn"] == pytest.approx(25.0, abs=4.0)
    assert seconds["attitude", "descent"] == pytest.approx(30.0, abs=5.0)
    assert seconds["manual", "climb"] == pytest.approx(20.0, abs=5.0)


def test_a_slow_pitching_swing_stays_level() -> None:
    for period_s in (6.0, 10.0, 16.0):
        log = flown([Leg(200, "altitude_hold")])
        time_s = log.channels["altitude_m"].time_s
        swing = 4.0 * np.sin(2 * np.pi * time_s / period_s)
        rate = 4.0 * 2 * np.pi / period_s * np.cos(2 * np.pi * time_s / period_s)
        swung = {
            **log.channels,
            "altitude_m": Channel(time_s, log.channels["altitude_m"].value + swing),
            "climb_mps": Channel(time_s, rate),
        }
        (flight,) = split(replace(log, channels=swung), CARD)
        level = sum(part.seconds for part in flight.segments if part.phase == "level")
        assert level > 190.0


def test_a_sink_below_a_held_altitude_is_a_fault_not_a_descent() -> None:
    log = flown([Leg(60, "altitude_hold"), Leg(60, "altitude_hold", climb_mps=-1.5)])
    target = Channel(log.channels["altitude_target_m"].time_s, np.full(1200, 250.0))
    (flight,) = split(replace(log, channels={**log.channels, "altitude_target_m": target}), CARD)
    assert {part.phase for part in flight.segments} == {"level"}
    (flight,) = split(
        replace(log, channels={k: v for k, v in log.channels.items() if k != "altitude_target_m"}), CARD
    )
    assert "descent" in {part.phase for part in flight.segments}
