"""Planted reaches are read back and set against the right limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.builders import CARD, flight_of, held_flight, with_channels
from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.flight.limits import SPEC, configured_limit, observe
from trimkeep.detectors.model import Channel, Flight, NotMeasured, Observation, ParameterReading, Reason


def _rolls(
    reach: float, limit: float, rate_hz: float, seconds: float = 1.5, noise: float = 3.0, seed: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Rate asked for and rate flown: six hard rolls either way, first order with 0.15 s."""
    fine = 100.0
    time_s = np.arange(int(60 * fine)) / fine
    asked = np.zeros(time_s.size)
    for roll in range(6):
        asked[(time_s >= 5 + 8 * roll) & (time_s < 5 + 8 * roll + seconds)] = limit * (-1.0) ** roll
    flown = np.zeros(time_s.size)
    for i in range(1, time_s.size):
        goal = np.clip(asked[i], -reach, reach)
        flown[i] = flown[i - 1] + (goal - flown[i - 1]) / fine / 0.15
    flown += noise * np.random.default_rng(seed).standard_normal(time_s.size)
    keep = np.round(np.arange(int(60 * rate_hz)) * fine / rate_hz).astype(int)
    return asked[keep], flown[keep]


def _flown(asked: np.ndarray, rate: np.ndarray, reach: float, rate_hz: float, axis: str = "roll") -> Flight:
    """The surface does what the demand needs, up to its stop, from a trim of 5 %."""
    command = 0.05 + 0.95 * np.clip(asked / reach, -1.0, 1.0)
    values = {f"{axis}_rate_target_dps": asked, f"{axis}_rate_dps": rate}
    return held_flight(
        values | {{"roll": "aileron_cmd", "pitch": "elevator_cmd"}[axis]: command}, rate_hz, "rate"
    )


def _said(flight: Flight) -> dict[str, Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {one.metric: one for one in found}


@pytest.mark.parametrize("rate_hz", [4.0, 10.0, 50.0])
@pytest.mark.parametrize("axis", ["roll", "pitch"])
@pytest.mark.parametrize("reach", [70.0, 104.0])
def test_a_reach_below_the_limit(rate_hz: float, axis: str, reach: float) -> None:
    limit = CARD.limits[f"{axis}_rate_max_dps"]
    asked, rate = _rolls(reach, limit, rate_hz)
    said = _said(_flown(asked, rate, reach, rate_hz, axis))
    one = said[f"{axis}_rate_reached_dps"]
    # At 4 Hz the last samples of the demand are 0.25 s apart; the lag of 0.15 s then costs a few percent.
    assert one.value == pytest.approx(reach, rel=0.05)
    assert one.standard_error is not None and one.standard_error < 0.1 * reach
    # The trim takes 5 % of the surface away.
    assert said[f"{axis}_limit_over_reach"].value == pytest.approx(0.95 * limit / reach, rel=0.05)
    attention = SPEC.metric(f"{axis}_limit_over_reach").attention
    assert attention is not None and (said[f"{axis}_limit_over_reach"].value > attention) == (
        limit > 1.3 * reach
    )


@pytest.mark.parametrize("seed", range(5))
def test_a_limit_within_reach_is_no_finding(seed: int) -> None:
    asked, rate = _rolls(200.0, 180.0, 50.0, noise=8.0, seed=seed)
    said = _said(_flown(asked, rate, 200.0, 50.0))
    assert said["roll_limit_over_reach"].value == pytest.approx(0.9 * 0.95, abs=0.08)


def test_a_slack_loop_is_no_limit_above_reach() -> None:
    """The loop stops at 70 % of its demand with the aileron at 60 %: the airframe could do more."""
    asked, rate = _rolls(0.7 * 95.0, 95.0, 50.0)
    values = {"roll_rate_target_dps": asked, "roll_rate_dps": rate, "aileron_cmd": 0.6 * asked / 95.0}
    card = replace(CARD, limits={**CARD.limits, "roll_rate_max_dps": 95.0})
    said = _said(replace(held_flight(values, 50.0, "rate"), card=card))
    assert said["roll_limit_over_reach"].value == pytest.approx(95.0 * 0.6 / (0.7 * 95.0), rel=0.05)
    del values["aileron_cmd"]
    assert set(_said(replace(held_flight(values, 50.0, "rate"), card=card))) == {"roll_rate_reached_dps"}


def test_full_stick_serves_in_rate_mode_only() -> None:
    asked, rate = _rolls(104.0, 180.0, 50.0)
    values = {"stick_roll": asked / 180.0, "roll_rate_dps": rate}
    assert _said(held_flight(values, 50.0, "rate"))["roll_rate_reached_dps"].value == pytest.approx(
        104, rel=0.03
    )
    in_attitude = observe(held_flight(values, 50.0, "attitude"))
    assert isinstance(in_attitude, NotMeasured) and in_attitude.reason is Reason.NO_EXCITATION


def test_short_pulls_do_not_show_the_reach() -> None:
    asked, rate = _rolls(104.0, 180.0, 50.0, seconds=0.3)
    found = observe(held_flight({"roll_rate_target_dps": asked, "roll_rate_dps": rate}, 50.0, "rate"))
    assert isinstance(found, NotMeasured) and found.reason is Reason.NO_EXCITATION


def test_gentle_flying_has_no_excitation() -> None:
    asked, rate = _rolls(104.0, 60.0, 50.0)
    found = observe(held_flight({"roll_rate_target_dps": asked, "roll_rate_dps": rate}, 50.0, "rate"))
    assert isinstance(found, NotMeasured) and found.reason is Reason.NO_EXCITATION


def test_a_logged_limit_wins_over_the_card() -> None:
    card = replace(CARD, parameter_names={"roll_rate_max_dps": "TURN_LIM_X"})
    readings = [(0.0, "TURN_LIM_X", 90.0), (30.0, "TURN_LIM_X", 110.0), (99.0, "TURN_LIM_X", 300.0)]
    flat = np.zeros(2)
    flight = flight_of(
        {"roll_rate_dps": (np.array([0.0, 60.0]), flat)}, [(0.0, 60.0, "rate", "level")], card, readings
    )
    assert configured_limit(flight, "roll") == 110.0
    assert configured_limit(flight, "pitch") == CARD.limits["pitch_rate_max_dps"]
    assert flight.recording.parameters[0] == ParameterReading(0.0, "TURN_LIM_X", 90.0)


def test_without_any_limit_the_target_alone_says_nothing() -> None:
    asked, rate = _rolls(104.0, 180.0, 50.0)
    flight = held_flight({"roll_rate_target_dps": asked, "roll_rate_dps": rate}, 50.0, "rate")
    found = observe(replace(flight, card=AirframeCard(id="bare")))
    assert isinstance(found, NotMeasured) and found.reason is Reason.UNDEFINED
    stick = Channel(flight.recording.channels["roll_rate_dps"].time_s, asked / 180.0)
    said = _said(with_channels(replace(flight, card=AirframeCard(id="bare")), stick_roll=stick))
    assert set(said) == {"roll_rate_reached_dps"}
