"""What is kept of a flight is made once, belongs to that flight alone, and does not travel."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest

from tests.builders import held_flight
from trimkeep.detectors.grid import FlightGrid
from trimkeep.detectors.kept import Kept
from trimkeep.detectors.model import Channel, Flight
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_all

RATE_HZ = 25.0
NAMES = ("pitch_deg", "altitude_m")


def _flight() -> Flight:
    time_s = np.arange(4000) / RATE_HZ
    return held_flight({name: np.sin(time_s + k) for k, name in enumerate(NAMES)}, RATE_HZ)


def test_each_result_is_made_once_under_its_key() -> None:
    kept, made = Kept(), []
    for key in ("a", "b", "a"):
        kept.get(key, lambda key=key: made.append(key))  # type: ignore[misc]
    assert made == ["a", "b"]
    kept.forget()
    kept.get("a", lambda: made.append("a"))
    assert made == ["a", "b", "a"]


def test_a_channel_on_a_grid_is_made_once_and_cannot_be_written_to() -> None:
    grid = FlightGrid.of(_flight(), 5.0)
    first = grid.get("altitude_m")
    assert FlightGrid.of(grid.flight, 5.0).get("altitude_m") is first
    with pytest.raises(ValueError, match="read-only"):
        first += 1.0


def test_what_differs_is_kept_apart() -> None:
    flight = _flight()
    arrays = [
        FlightGrid.of(flight, rate_hz).get(name, gap_s, average=average)
        for rate_hz in (5.0, 4.0)
        for name in NAMES
        for gap_s in (2.0, 4.0)
        for average in (True, False)
    ]
    assert len({id(array) for array in arrays}) == len(arrays) == 16
    alone = [
        FlightGrid.of(_flight(), rate_hz).get(name, gap_s, average=average)
        for rate_hz in (5.0, 4.0)
        for name in NAMES
        for gap_s in (2.0, 4.0)
        for average in (True, False)
    ]
    assert all(np.array_equal(one, other) for one, other in zip(arrays, alone, strict=True))


def test_grids_that_differ_by_a_rounding_are_two() -> None:
    """A measured rate of 5 Hz is not 5 Hz: what was asked for first must not answer for the other."""
    flight = _flight()
    first, other = (FlightGrid.of(flight, rate_hz) for rate_hz in (5.0, 5.0 * (1.0 + 1e-15)))
    assert first.time_s.size == other.time_s.size
    assert first.get("altitude_m") is not other.get("altitude_m")
    alone = FlightGrid.of(_flight(), 5.0 * (1.0 + 1e-15))
    assert np.array_equal(other.get("altitude_m"), alone.get("altitude_m"))


def test_a_flight_made_from_another_keeps_nothing_of_it() -> None:
    flight = _flight()
    whole = FlightGrid.of(flight, 5.0).get("altitude_m")
    shorter = replace(flight, end_s=flight.end_s / 2.0)
    assert FlightGrid.of(shorter, 5.0).get("altitude_m").size < whole.size
    assert shorter.channel("altitude_m").time_s.size < flight.channel("altitude_m").time_s.size
    other = Channel(flight.recording.channels["altitude_m"].time_s, np.ones(4000))
    channels = {**flight.recording.channels, "altitude_m": other}
    changed = replace(flight, recording=replace(flight.recording, channels=channels))
    assert (FlightGrid.of(changed, 5.0).get("altitude_m") == 1.0).all()


def test_channels_on_the_same_times_share_what_follows_from_them() -> None:
    flight = _flight()
    pitch, altitude = (flight.channel(name) for name in NAMES)
    assert pitch.time_s is altitude.time_s
    assert pitch.of_times is altitude.of_times
    assert pitch.rate_hz == altitude.rate_hz == pytest.approx(RATE_HZ)


def test_a_pickled_flight_carries_nothing_that_was_kept() -> None:
    fresh, used = _flight(), _flight()
    run_one = [detector.observe(used) for detector in DETECTORS if detector.spec.id == "altitude_error"]
    assert run_one
    assert pickle.dumps(used) == pickle.dumps(fresh)
    back = pickle.loads(pickle.dumps(used))
    assert np.array_equal(FlightGrid.of(back, 5.0).get(NAMES[0]), FlightGrid.of(used, 5.0).get(NAMES[0]))


def test_nothing_is_kept_once_the_detectors_have_run() -> None:
    flight = _flight()
    before = FlightGrid.of(flight, 5.0).get("altitude_m")
    run_all(flight, DETECTORS)
    assert FlightGrid.of(flight, 5.0).get("altitude_m") is not before
