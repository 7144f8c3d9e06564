"""Planted seconds of being armed on the ground are read back; a careful pilot gets no finding."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.builders import CARD, ROUND_TRIP, Flying, Leg, flown
from trimkeep.detectors.flight.ground_handling import SPEC, observe
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Flight, Observation

STAND = Leg(15, "manual", airspeed_mps=0.0, on_ground=True, throttle=0.0)
OFF = replace(STAND, armed=False)


def _said(flight: Flight) -> dict[str, Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {one.metric: one for one in found}


def _last(legs: list[Leg], rate_hz: float = 4.0, number: int = -1) -> dict[str, Observation]:
    return _said(split(flown(legs, Flying(rate_hz=rate_hz)), CARD)[number])


def _attention(said: dict[str, Observation]) -> set[str]:
    levels = {metric.name: metric.attention for metric in SPEC.metrics if metric.attention is not None}
    return {name for name, one in said.items() if one.value >= levels[name]}


@pytest.mark.parametrize("rate_hz", [1.0, 4.0, 50.0])
@pytest.mark.parametrize("seconds", [6.0, 40.0, 90.0])
def test_seconds_armed_after_landing(rate_hz: float, seconds: float) -> None:
    said = _last([*ROUND_TRIP[:11], replace(STAND, seconds=seconds), OFF], rate_hz)
    # One step of the splitter's grid and one of the flag.
    slack_s = 0.3 + 1.0 / rate_hz
    assert said["armed_after_landing_s"].value == pytest.approx(seconds, abs=slack_s)
    assert said["throttle_on_ground_s"].value == 0.0
    assert ("armed_after_landing_s" in _attention(said)) == (seconds >= 20.0)


@pytest.mark.parametrize("rate_hz", [2.5, 50.0])
def test_throttle_raised_on_the_ground(rate_hz: float) -> None:
    push = replace(STAND, seconds=2.0, throttle=0.4)
    said = _last([*ROUND_TRIP[:11], STAND, push, STAND, OFF], rate_hz)
    assert said["throttle_on_ground_s"].value == pytest.approx(2.0, abs=1.0 / rate_hz + 0.01)
    assert "throttle_on_ground_s" in _attention(said)


def test_power_while_rolling_out_is_no_push() -> None:
    roll = Leg(4, "manual", airspeed_mps=4.0, on_ground=True, throttle=0.3)
    assert _last([*ROUND_TRIP[:11], roll, STAND, OFF])["throttle_on_ground_s"].value == 0.0


def test_disarmed_at_once_is_no_finding() -> None:
    said = _last([*ROUND_TRIP[:11], replace(STAND, seconds=3.0), replace(OFF, throttle=0.4), OFF])
    assert _attention(said) == set()
    assert said["armed_after_landing_s"].value == pytest.approx(3.0, abs=0.6)


def test_a_log_that_ends_armed_counts_what_it_shows() -> None:
    assert _last([*ROUND_TRIP[:11], replace(STAND, seconds=50.0)])[
        "armed_after_landing_s"
    ].value == pytest.approx(50.0, abs=0.6)


def test_armed_without_flight() -> None:
    spell = replace(STAND, seconds=150.0)
    said = _last([OFF, spell, *ROUND_TRIP])
    assert said["armed_without_flight_s"].value == pytest.approx(150.0, abs=0.6)
    assert "armed_without_flight_s" in _attention(said)
    assert _last([*ROUND_TRIP, spell, OFF])["armed_without_flight_s"].value == pytest.approx(150.0, abs=0.6)


def test_each_idle_spell_belongs_to_one_flight() -> None:
    spell = replace(STAND, seconds=100.0)
    legs = [OFF, spell, *ROUND_TRIP, spell, OFF, *ROUND_TRIP]
    values = [_last(legs, number=number)["armed_without_flight_s"].value for number in (0, 1)]
    assert values == pytest.approx([100.0, 100.0], abs=0.6)


def test_the_next_take_off_is_no_push() -> None:
    legs = [*ROUND_TRIP[:12], replace(STAND, seconds=40.0), *ROUND_TRIP[2:]]
    first = _last(legs, number=0)
    assert first["throttle_on_ground_s"].value == 0.0
    assert first["armed_after_landing_s"].value == pytest.approx(50.0, abs=0.6)


def test_a_log_that_ends_in_the_air_says_nothing_of_landing() -> None:
    assert set(_last([*ROUND_TRIP[:9]])) == {"armed_without_flight_s"}
