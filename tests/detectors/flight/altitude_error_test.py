"""Planted altitude, climb and airspeed errors are read back, with errors that cover their scatter."""

from __future__ import annotations

import numpy as np
import pytest

from tests.builders import Leg, flight_of, flown, held_flight, one_flight, with_channels
from trimkeep.detectors.flight.altitude_error import SPEC, observe
from trimkeep.detectors.model import Channel, Flight, NotMeasured, Observation

RATES = pytest.mark.parametrize("rate_hz", [2.5, 4.0, 50.0])


def _said(flight: Flight) -> dict[tuple[str, str], Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {(one.metric, one.context): one for one in found}


def _slow_noise(size: int, rate_hz: float, memory_s: float, rng: np.random.Generator) -> np.ndarray:
    """First-order noise of unit variance with a memory of `memory_s`."""
    keep = np.exp(-1.0 / (rate_hz * memory_s))
    out = rng.standard_normal(size)
    for i in range(1, size):
        out[i] = keep * out[i - 1] + np.sqrt(1.0 - keep**2) * out[i]
    return out


@RATES
def test_a_planted_swing_is_read_back(rate_hz: float) -> None:
    time_s = np.arange(int(300 * rate_hz)) / rate_hz
    swing = 2.0 * np.sin(2.0 * np.pi * time_s / 10.0)
    rate = 2.0 * 2.0 * np.pi / 10.0 * np.cos(2.0 * np.pi * time_s / 10.0)
    said = _said(
        held_flight(
            {
                "altitude_m": 300.0 + swing,
                "altitude_target_m": np.full(time_s.size, 300.0),
                "climb_mps": rate,
                "airspeed_mps": 17.0 + 0.5 * swing,
                "airspeed_target_mps": np.full(time_s.size, 17.0),
            },
            rate_hz,
        )
    )
    # A straight-line join between four samples of a period takes off under 4 %.
    assert said["altitude_error_rms_m", "held_level"].value == pytest.approx(np.sqrt(2.0), rel=0.04)
    assert said["altitude_error_p95_m", "held_level"].value == pytest.approx(1.994, rel=0.04)
    assert said["climb_rate_rms_mps", "held_level"].value == pytest.approx(0.8886, rel=0.04)
    assert said["airspeed_error_rms_mps", "held_level"].value == pytest.approx(0.7071, rel=0.04)


def test_the_standard_error_is_the_scatter_over_flights() -> None:
    values, errors, tails, tail_errors = [], [], [], []
    for seed in range(60):
        noise = 1.5 * _slow_noise(5 * 400, 5.0, 4.0, np.random.default_rng(seed))
        said = _said(
            held_flight({"altitude_m": 300.0 + noise, "altitude_target_m": np.full(noise.size, 300.0)}, 5.0)
        )
        one, tail = (said[name, "held_level"] for name in ("altitude_error_rms_m", "altitude_error_p95_m"))
        assert one.standard_error is not None and tail.standard_error is not None
        values.append(one.value)
        errors.append(one.standard_error)
        tails.append(tail.value)
        tail_errors.append(tail.standard_error)
    assert np.mean(values) == pytest.approx(1.5, rel=0.03)
    assert np.mean(tails) == pytest.approx(1.5 * 1.96, rel=0.05)
    # 60 flights give the scatter itself to 9 %; the stopped sum of correlations leaves some out.
    assert np.mean(errors) == pytest.approx(np.std(values), rel=0.3)
    assert np.mean(tail_errors) == pytest.approx(np.std(tails), rel=0.4)


def test_turning_and_straight_flight_stand_apart() -> None:
    legs = [Leg(120, "cruise"), Leg(60, "cruise", bank_deg=25), Leg(120, "cruise")]
    flight = one_flight(flown(legs))
    turning = np.zeros(flight.recording.channels["altitude_m"].time_s.size)
    turning[1230:1790] = 3.0
    altitude = flight.recording.channels["altitude_m"]
    said = _said(with_channels(flight, altitude_m=Channel(altitude.time_s, altitude.value - turning)))
    assert said["altitude_error_rms_m", "held_turn"].value == pytest.approx(3.0, abs=0.1)
    assert said["altitude_error_rms_m", "held_level"].value < 0.1


def test_what_settles_is_left_out() -> None:
    time_s = np.arange(0.0, 120.0, 0.2)
    error = np.where(time_s < 3.8, 10.0, 1.0)
    said = _said(held_flight({"altitude_m": 300.0 - error, "altitude_target_m": 300.0 + 0 * time_s}, 5.0))
    assert said["altitude_error_rms_m", "held_level"].value == pytest.approx(1.0, abs=1e-9)


def test_the_logged_error_serves_where_no_target_is_logged() -> None:
    size = 5 * 120
    said = _said(
        held_flight({"altitude_m": np.full(size, 300.0), "altitude_error_m": np.full(size, -2.0)}, 5.0)
    )
    assert said["altitude_error_rms_m", "held_level"].value == pytest.approx(2.0)


def test_without_a_target_it_is_another_figure_in_another_context() -> None:
    time_s = np.arange(0.0, 240.0, 0.2)
    height = 80.0 + 0.02 * time_s + 1.5 * np.sin(2.0 * np.pi * time_s / 8.0)
    said = _said(held_flight({"height_m": height}, 5.0))
    assert {context for _, context in said} == {"held_level_no_target"}
    assert said["altitude_error_rms_m", "held_level_no_target"].value == pytest.approx(1.0607, rel=0.02)


def test_pilot_flown_height_is_nobodys_error() -> None:
    size = 5 * 120
    flight = held_flight({"altitude_m": np.full(size, 300.0)}, 5.0, mode="rate")
    assert isinstance(observe(flight), NotMeasured)


def test_a_dead_airspeed_sensor_gives_no_airspeed_error() -> None:
    size = 5 * 120
    values = {name: np.full(size, 300.0) for name in ("altitude_m", "altitude_target_m")}
    dead = {"airspeed_mps": np.zeros(size), "airspeed_target_mps": np.full(size, 17.0)}
    assert {metric for metric, _ in _said(held_flight(values | dead, 5.0))} <= {
        "altitude_error_rms_m",
        "altitude_error_p95_m",
    }


def test_unnamed_modes_are_measured_only_where_a_target_is_stated() -> None:
    size = 5 * 120
    bare = {"altitude_m": np.full(size, 300.0)}
    assert isinstance(observe(held_flight(bare, 5.0, mode="unknown")), NotMeasured)
    stated = bare | {"altitude_target_m": np.full(size, 301.0)}
    said = _said(held_flight(stated, 5.0, mode="unknown"))
    assert {context for _, context in said} == {"mode_unknown"}


def test_a_gap_is_not_filled_in() -> None:
    time_s = np.concatenate((np.arange(0.0, 60.0, 0.2), np.arange(120.0, 180.0, 0.2)))
    channels = {"altitude_m": (time_s, 0 * time_s), "altitude_target_m": (time_s, 0 * time_s + 1.0)}
    said = _said(flight_of(channels, [(0.0, 179.8, "cruise", "level")]))
    assert said["altitude_error_rms_m", "held_level"].seconds == pytest.approx(116.0, abs=1.0)
    assert SPEC.min_seconds <= 116.0
