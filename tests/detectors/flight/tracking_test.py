"""Planted distances from the line and overshoots are read back."""

from __future__ import annotations

import numpy as np
import pytest

from tests.builders import flight_of, held_flight
from trimkeep.detectors.flight.tracking import observe
from trimkeep.detectors.model import Flight, NotMeasured, Observation


def _said(flight: Flight) -> dict[tuple[str, str], Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {(one.metric, one.context): one for one in found}


@pytest.mark.parametrize("rate_hz", [2.0, 4.0, 50.0])
def test_cross_track(rate_hz: float) -> None:
    time_s = np.arange(int(240 * rate_hz)) / rate_hz
    distance = 1.0 + 3.0 * np.sin(2 * np.pi * time_s / 20.0)
    said = _said(held_flight({"cross_track_m": distance}, rate_hz, "mission"))
    assert said["cross_track_rms_m", "mission_leg"].value == pytest.approx(np.sqrt(1 + 4.5), rel=0.03)
    assert said["cross_track_p95_m", "mission_leg"].value == pytest.approx(
        np.quantile(np.abs(distance), 0.95), rel=0.03
    )


@pytest.mark.parametrize("rate_hz", [2.0, 10.0])
def test_overshoot_is_on_the_far_side_of_the_line(rate_hz: float) -> None:
    """Five legs of 60 s after turns of 10 s: each comes in from 30 m and passes by its own amount."""
    planted = [2.0, 6.0, 4.0, 8.0, 5.0]
    times, values, segments = [], [], []
    for number, beyond in enumerate(planted):
        begin = 70.0 * number
        leg_s = np.arange(0.0, 60.0, 1.0 / rate_hz)
        side = -1.0 if number % 2 else 1.0
        swing = -30.0 * np.exp(-leg_s / 2.0) + beyond * np.exp(-(((leg_s - 10.0) / 3.0) ** 2))
        times.append(begin + 10.0 + leg_s)
        values.append(side * swing)
        segments += [
            (begin, begin + 10.0, "mission", "turn"),
            (begin + 10.0, begin + 70.0, "mission", "level"),
        ]
    channels = {"cross_track_m": (np.concatenate(times), np.concatenate(values))}
    said = _said(flight_of(channels, segments))
    # the tail of the approach takes 0.2 m off at 10 s
    assert said["turn_overshoot_m", "mission_leg"].value == pytest.approx(np.median(planted), abs=0.3)


def test_creeping_up_to_the_line_is_no_overshoot() -> None:
    times, values, segments = [], [], []
    for number in range(3):
        leg_s = np.arange(0.0, 60.0, 0.25)
        times.append(70.0 * number + 10.0 + leg_s)
        values.append(25.0 * np.exp(-leg_s / 6.0))
        segments += [
            (70.0 * number, 70.0 * number + 10.0, "mission", "turn"),
            (70.0 * number + 10.0, 70.0 * number + 70.0, "mission", "level"),
        ]
    said = _said(flight_of({"cross_track_m": (np.concatenate(times), np.concatenate(values))}, segments))
    assert said["turn_overshoot_m", "mission_leg"].value == 0.0


def test_own_line_where_no_distance_is_logged() -> None:
    time_s = np.arange(0.0, 120.0, 0.2)
    along, across = 18.0 * time_s, 2.0 * np.sin(2 * np.pi * time_s / 10.0)
    north, east = 0.6 * along - 0.8 * across, 0.8 * along + 0.6 * across
    latitude = 52.0 + north / 111_265.0
    longitude = 179.99 + east / (111_265.0 * np.cos(np.radians(52.0)))
    flight = held_flight(
        {"latitude_deg": latitude, "longitude_deg": (longitude + 180.0) % 360.0 - 180.0}, 5.0, "mission"
    )
    said = _said(flight)
    # 111,265 m per degree is right to 0.2 % at this latitude
    assert said["cross_track_rms_m", "mission_leg_own_line"].value == pytest.approx(np.sqrt(2.0), rel=0.02)


def test_off_missions_there_is_no_line() -> None:
    found = observe(held_flight({"cross_track_m": np.zeros(1000)}, 5.0, "cruise"))
    assert isinstance(found, NotMeasured)
