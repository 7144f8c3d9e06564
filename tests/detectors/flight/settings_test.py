"""Planted changes of parameters in flight are counted; counters and downloads are not."""

from __future__ import annotations

import numpy as np
import pytest

from tests.builders import CARD, flight_of
from trimkeep.detectors.flight.settings import observe
from trimkeep.detectors.model import NotMeasured, Reason


def _said(readings: list[tuple[float, str, float]]) -> dict[str, float]:
    channels = {"altitude_m": (np.array([0.0, 400.0]), np.zeros(2))}
    found = observe(flight_of(channels, [(50.0, 350.0, "cruise", "level")], CARD, readings))
    assert isinstance(found, list)
    return {one.metric: one.value for one in found}


def test_a_gain_that_climbs() -> None:
    said = _said(
        [
            (1.0, "PITCH_GAIN_X", 0.4),
            (1.0, "ROLL_GAIN_X", 0.5),
            (120.0, "PITCH_GAIN_X", 0.6),
            (160.0, "PITCH_GAIN_X", 1.0),
            (160.0, "ROLL_GAIN_X", 0.45),
        ]
    )
    assert said["settings_moved"] == 2.0
    assert said["largest_gain_rise"] == pytest.approx(2.5)
    assert said["largest_gain_fall"] == pytest.approx(0.5 / 0.45)


def test_what_is_only_read_in_flight_did_not_move() -> None:
    said = _said([(60.0, "PITCH_GAIN_X", 0.4), (70.0, "ROLL_GAIN_X", 0.5)])
    assert said == {"settings_moved": 0.0, "largest_gain_rise": 1.0, "largest_gain_fall": 1.0}


def test_changes_on_the_ground_are_not_in_flight() -> None:
    said = _said([(1.0, "GAIN_X", 0.4), (20.0, "GAIN_X", 0.9), (380.0, "GAIN_X", 0.1)])
    assert said["settings_moved"] == 0.0


def test_tried_and_put_back_is_no_move() -> None:
    assert _said([(1.0, "G", 0.4), (100.0, "G", 0.9), (200.0, "G", 0.4)])["settings_moved"] == 0.0


def test_a_counter_is_no_setting() -> None:
    assert _said([(10.0 * i, "SECONDS_X", float(i)) for i in range(30)])["settings_moved"] == 0.0


def test_hours_flown_are_no_setting() -> None:
    # As in a real log: two readings, 31 s apart, of a clock kept among the parameters.
    assert _said([(60.0, "SECONDS_X", 14074.0), (91.0, "SECONDS_X", 14105.0)])["settings_moved"] == 0.0


def test_a_change_of_sign_counts_but_has_no_factor() -> None:
    said = _said([(1.0, "OFFSET_X", -0.4), (100.0, "OFFSET_X", 0.9)])
    assert said["settings_moved"] == 1.0 and said["largest_gain_rise"] == 1.0


def test_a_log_without_parameters_says_so() -> None:
    channels = {"altitude_m": (np.array([0.0, 400.0]), np.zeros(2))}
    found = observe(flight_of(channels, [(0.0, 400.0, "cruise", "level")]))
    assert isinstance(found, NotMeasured) and found.reason is Reason.MISSING_CHANNEL
