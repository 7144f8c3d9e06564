"""Planted sensor faults, losses of fix and gaps are read back."""

from __future__ import annotations

import numpy as np
import pytest

from tests.builders import Flying, Leg, flown, held_flight, one_flight, with_channels
from trimkeep.detectors.flight.sensors import SPEC, observe
from trimkeep.detectors.model import Channel, Flight, Observation

CIRCUIT = [Leg(60), Leg(30, bank_deg=30), Leg(60), Leg(30, bank_deg=-30), Leg(60)]


def _said(flight: Flight) -> dict[str, Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {one.metric: one for one in found}


@pytest.mark.parametrize("rate_hz", [4.0, 50.0])
@pytest.mark.parametrize("scale", [0.8, 1.0, 1.2])
def test_airspeed_scale(rate_hz: float, scale: float) -> None:
    rng = np.random.default_rng(4)
    flight = one_flight(flown(CIRCUIT, Flying(rate_hz, 5.0, -2.0)))
    sensor = flight.recording.channels["airspeed_mps"]
    calibrated = sensor.value * np.sqrt(1.1957 / 1.225)  # the builder's airspeed is true
    noisy = calibrated / scale + 0.4 * rng.standard_normal(sensor.value.size)
    one = _said(with_channels(flight, airspeed_mps=Channel(sensor.time_s, noisy)))["airspeed_scale_error"]
    assert one.value == pytest.approx(scale - 1.0, abs=0.02)
    assert one.standard_error is not None and one.standard_error < 0.02
    attention = SPEC.metric("airspeed_scale_error").attention
    assert attention is not None and (abs(one.value) > attention) == (scale != 1.0)


def test_no_scale_without_a_turn() -> None:
    assert "airspeed_scale_error" not in _said(one_flight(flown([Leg(200)], Flying(10.0, 5.0))))


def test_satellites() -> None:
    time_s = np.arange(0.0, 200.0, 0.2)
    fix = np.where((time_s > 50) & (time_s < 60), 1.0, 3.0)
    hdop = np.where(time_s > 180, 2.5, 0.8)
    said = _said(
        held_flight({"satellites": 10.0 + (time_s > 100), "satellite_fix": fix, "satellite_hdop": hdop}, 5.0)
    )
    assert said["satellites_mean"].value == pytest.approx(10.5, abs=0.02)
    assert said["satellite_loss_share"].value == pytest.approx(0.05, abs=0.0051)  # once a second
    assert said["satellite_hdop_p95"].value == pytest.approx(2.5)


@pytest.mark.parametrize("rate_hz", [2.5, 50.0])
def test_gaps(rate_hz: float) -> None:
    flight = one_flight(flown([Leg(200)], Flying(rate_hz)))
    whole = _said(flight)
    assert whole["log_gap_share"].value == 0.0 and whole["log_gap_longest_s"].value == 0.0
    holed = {}
    for name, channel in flight.recording.channels.items():
        kept = ~(
            ((channel.time_s > 50) & (channel.time_s < 60)) | ((channel.time_s > 90) & (channel.time_s < 94))
        )
        holed[name] = Channel(channel.time_s[kept], channel.value[kept])
    said = _said(with_channels(flight, **holed))
    # Each gap ends a step before and after it.
    assert said["log_gap_longest_s"].value == pytest.approx(10.0, abs=2.0 / rate_hz + 0.01)
    assert said["log_gap_share"].value == pytest.approx(0.07, abs=0.01)


def test_single_lost_packets_are_no_gap() -> None:
    flight = one_flight(flown([Leg(200)], Flying(2.5)))
    kept = np.random.default_rng(1).random(500) > 0.1
    holed = {
        name: Channel(channel.time_s[kept], channel.value[kept])
        for name, channel in flight.recording.channels.items()
    }
    assert _said(with_channels(flight, **holed))["log_gap_share"].value < 0.02
