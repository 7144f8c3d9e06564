"""Planted time at the stops and planted surface effects are read back, gusts and loop included."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from tests.builders import held_flight
from trimkeep.detectors.flight.authority import observe
from trimkeep.detectors.model import Flight, NotMeasured, Observation


def _said(flight: Flight) -> dict[tuple[str, str], Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {(one.metric, one.context): one for one in found}


FINE_HZ, SECONDS = 100.0, 240


@functools.cache
def _flown(effect: float, seed: int, gust: float, airspeed: float) -> np.ndarray:
    """Command, bank asked for and roll rate of a bank loop in gusts, shape (3, n) at FINE_HZ."""
    size = int(SECONDS * FINE_HZ)
    time_s = np.arange(size) / FINE_HZ
    targets = 30.0 * np.sign(np.sin(2 * np.pi * time_s / 23.0)) * (np.sin(2 * np.pi * time_s / 61.0) > 0)
    pressure, speed = (airspeed / 15.0) ** 2, airspeed / 15.0
    pushes = gust * 2.0 * np.random.default_rng(seed).standard_normal(size) / np.sqrt(FINE_HZ)
    bank = rate = shove = 0.0
    late = int(0.1 * FINE_HZ)
    commands, rates = [], []
    for i, (target, push) in enumerate(zip(targets.tolist(), pushes.tolist(), strict=True)):
        commands.append(min(max(0.015 * (target - bank) - 0.006 * rate, -1.0), 1.0))
        shove += -shove * 2.0 / FINE_HZ + push
        acting = commands[max(i - late, 0)]
        rate += (effect * 6.0 * pressure * acting - 6.0 * speed * rate + shove) / FINE_HZ
        bank += rate / FINE_HZ
        rates.append(rate)
    return np.array([commands, targets, rates])


def _rolling(effect: float, rate_hz: float, seed: int, gust: float = 60.0, airspeed: float = 18.0) -> Flight:
    """A bank loop that follows steps of bank in gusts; full aileron holds `effect` at 15 m/s, 0.1 s late."""
    keep = np.round(np.arange(int(SECONDS * rate_hz)) * FINE_HZ / rate_hz).astype(int)
    command, target, rate = _flown(effect, seed, gust, airspeed)[:, keep]
    noise = np.random.default_rng(seed + 1000).standard_normal((2, keep.size))
    return held_flight(
        {
            "aileron_cmd": command,
            "roll_rate_dps": rate + noise[0],
            "bank_target_deg": target,
            "airspeed_mps": airspeed + 0.3 * noise[1],
        },
        rate_hz,
        "mission",
    )


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 50.0])
@pytest.mark.parametrize("effect", [80.0, 200.0])
def test_a_planted_effect_is_read_back(rate_hz: float, effect: float) -> None:
    found = [_said(_rolling(effect, rate_hz, seed))["aileron_effect_dps", "flight"] for seed in range(3)]
    # The rate builds up over the 1/6 s of the damping and 0.1 s steps of lag, a few percent each; three
    # flights of four minutes give 4 % of scatter.
    assert np.mean([one.value for one in found]) == pytest.approx(effect, rel=0.15)


def test_the_effect_is_normalised_by_dynamic_pressure() -> None:
    slow, fast = (
        np.mean(
            [
                _said(_rolling(150.0, 25.0, seed, airspeed=speed))["aileron_effect_dps", "flight"].value
                for seed in (5, 6, 7)
            ]
        )
        for speed in (14.0, 22.0)
    )
    # Not normalised they would differ by 22/14 = 1.57; damping builds up faster at speed, which is left.
    assert fast == pytest.approx(slow, rel=0.2)


def test_gusts_alone_show_no_effect() -> None:
    flight = _rolling(150.0, 25.0, 2)
    time_s = flight.recording.channels["roll_rate_dps"].time_s
    still = held_flight(
        {name: channel.value for name, channel in flight.recording.channels.items()}
        | {"bank_target_deg": np.zeros(time_s.size)},
        25.0,
    )
    assert ("aileron_effect_dps", "flight") not in _said(still)


@pytest.mark.parametrize("rate_hz", [4.0, 50.0])
def test_share_of_time_at_the_stops(rate_hz: float) -> None:
    time_s = np.arange(int(200 * rate_hz)) / rate_hz
    command = np.where((time_s % 20.0) < 3.0, 1.0, 0.1 * np.sin(time_s))
    said = _said(held_flight({"elevator_cmd": command}, rate_hz))
    one = said["elevator_at_stop_share", "held"]
    assert one.value == pytest.approx(0.15, abs=0.01)
    assert one.standard_error is not None and one.standard_error < 0.08


def test_a_pilots_full_stick_is_not_counted() -> None:
    command = np.ones(1000)
    assert isinstance(observe(held_flight({"elevator_cmd": command}, 5.0, "manual")), NotMeasured)
    assert (
        _said(held_flight({"elevator_cmd": 0.0 * command}, 5.0))["elevator_at_stop_share", "held"].value
        == 0.0
    )
