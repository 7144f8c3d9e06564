"""Planted shaking is read back from levels and from samples; gusts and glides are not taken for it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.builders import held_flight, with_channels
from tests.detectors.planted import flight_with, flown_with
from trimkeep.detectors.flight.vibration import SPEC, lowest_tone_rate_hz, observe
from trimkeep.detectors.model import Flight, NotMeasured, Observation, Reason
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_one

DETECTOR = next(one for one in DETECTORS if one.spec.id == SPEC.id)


def said(flight: Flight) -> dict[tuple[str, str], Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {(one.metric, one.context): one for one in found}


@pytest.mark.parametrize("rate_hz", [1.7, 10.0, 50.0])
def test_a_logged_level_is_read_back_within_its_error(rate_hz: float) -> None:
    outside = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        level = 2.5 * np.exp(0.12 * rng.standard_normal(int(120 * rate_hz)))
        one = said(held_flight({"vibration_z_mps2": level}, rate_hz))["vibration_z_rms_mps2", "held_level"]
        assert one.standard_error is not None
        # Means of several samples per second lie above the median by half the variance of the logarithm.
        assert one.value == pytest.approx(2.5, rel=0.03)
        outside += abs(one.value - 2.5) > 2.5 * one.standard_error + 0.02
    assert outside < 4


def samples(rate_hz: float, shake: np.ndarray, seed: int) -> dict[str, np.ndarray]:
    """An accelerometer in gusty level flight: gravity, slow gusts of 1 m/s2, and the shaking."""
    rng = np.random.default_rng(seed)
    rough = np.convolve(rng.standard_normal(shake.size), np.ones(round(rate_hz)) / np.sqrt(rate_hz), "same")
    return {"accel_z_mps2": -9.81 + rough + shake}


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 400.0])
def test_without_levels_the_samples_give_one_and_gusts_are_left_out(rate_hz: float) -> None:
    time_s = np.arange(int(60 * rate_hz)) / rate_hz
    shake = 3.0 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 0.37 * rate_hz * time_s)
    one = said(held_flight(samples(rate_hz, shake, 1), rate_hz))["vibration_z_rms_mps2", "held_level"]
    # What the running mean of a second leaves of white noise above 5 Hz adds about a thirtieth.
    assert one.value == pytest.approx(3.0, rel=0.03)


def test_samples_too_slow_to_shake_give_a_reason() -> None:
    run = run_one(held_flight(samples(10.0, np.zeros(600), 1), 10.0), DETECTOR)
    assert run.reason == Reason.RATE_TOO_LOW


def test_a_level_nobody_fills_is_not_zero_vibration() -> None:
    found = observe(held_flight({"vibration_z_mps2": np.zeros(600), "throttle_cmd": np.full(600, 0.5)}, 10.0))
    assert isinstance(found, NotMeasured)


def test_a_glide_is_not_the_level_under_power() -> None:
    throttle = np.where(np.arange(2400) < 1200, 0.5, 0.0)
    level = np.where(throttle > 0.0, 3.0, 0.3) + 0.01 * np.random.default_rng(1).standard_normal(2400)
    flight = held_flight({"vibration_x_mps2": level, "throttle_cmd": throttle}, 10.0)
    one = said(flight)["vibration_x_rms_mps2", "held_level"]
    assert one.value == pytest.approx(3.0, abs=0.02)
    assert one.seconds == pytest.approx(117.0, abs=2.0)


def test_the_rise_with_throttle_is_read_back() -> None:
    rng = np.random.default_rng(4)
    throttle = np.repeat(rng.uniform(0.2, 0.9, 40), 50)
    level = 1.0 + 6.0 * throttle + 0.3 * rng.standard_normal(throttle.size)
    flight = held_flight({"vibration_z_mps2": level, "throttle_cmd": throttle}, 10.0)
    one = said(flight)["vibration_throttle_slope_mps2", "flight"]
    assert one.standard_error is not None
    assert abs(one.value - 6.0) < 3.0 * one.standard_error < 0.6
    steady = with_channels(flight, throttle_cmd=None)
    assert ("vibration_throttle_slope_mps2", "flight") not in said(steady)


@pytest.mark.parametrize("tone_hz", [40.0, 77.0, 95.0])
def test_a_planted_tone_is_found_at_its_frequency(tone_hz: float) -> None:
    rate_hz, rng = 400.0, np.random.default_rng(2)
    wander = 1.0 + 0.01 * np.sin(2.0 * np.pi * np.arange(int(60 * rate_hz)) / rate_hz / 9.0)
    turn = np.cumsum(tone_hz * wander) / rate_hz
    shake = 2.0 * np.sin(2.0 * np.pi * turn) + 1.0 * rng.standard_normal(turn.size)
    found = said(held_flight(samples(rate_hz, shake, 3), rate_hz))
    # A quarter of a bin of the 2 s window; the shaft's wander is even around its mean.
    assert found["vibration_tone_hz", "flight"].value == pytest.approx(tone_hz, abs=0.3)
    assert found["vibration_tone_share", "flight"].value == pytest.approx(2.0 / 3.0, abs=0.06)


def test_noise_has_no_tone() -> None:
    for seed in range(20):
        shake = np.random.default_rng(seed).standard_normal(int(60 * 200.0))
        found = said(held_flight(samples(200.0, shake, seed), 200.0))
        assert ("vibration_tone_hz", "flight") not in found


def test_a_tone_that_would_fold_down_is_not_told() -> None:
    rate_hz = 200.0
    time_s = np.arange(int(60 * rate_hz)) / rate_hz
    values = samples(rate_hz, 3.0 * np.sin(2.0 * np.pi * 150.0 * time_s), 1)
    flight = held_flight(values | {"motor_1_rpm": np.full(time_s.size, 9000.0)}, rate_hz)
    assert lowest_tone_rate_hz(flight) == pytest.approx(150.0 / 0.45)
    assert ("vibration_tone_hz", "flight") not in said(flight)


@pytest.mark.parametrize("rate_hz", [5.0, 50.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_flown_imbalance_against_what_was_planted(rate_hz: float, seed: int) -> None:
    material = SPEC.metric("vibration_z_rms_mps2").matters
    sound, shaken = flown_with(seed=seed), flown_with("propeller_imbalance", 3.2, seed)
    values = []
    for size, flown in ((0.0, sound), (3.2, shaken)):
        found = said(flight_with(*(("propeller_imbalance", size) if size else ("", 0.0)), seed, rate_hz))
        held = np.isin(flown.signals["mode"], (3.0, 4.0, 5.0)) & (np.abs(flown.signals["bank"]) < 10.0)
        for axis in "xyz":
            one = found[f"vibration_{axis}_rms_mps2", "held_level"]
            # The propeller turns a little faster in parts of the flight that the figure leaves out.
            assert one.value == pytest.approx(np.median(flown.signals[f"vib_{axis}"][held]), rel=0.06)
            values.append(one.value)
    assert values[5] - values[2] > 1.8 * material


def test_flown_sound_aeroplanes_are_far_from_the_level_that_asks_for_attention() -> None:
    level = SPEC.metric("vibration_z_rms_mps2").attention
    assert level is not None
    for seed in (1, 2):
        for one in said(flight_with(seed=seed)).values():
            if one.metric.startswith("vibration_z"):
                assert one.value < 0.3 * level
