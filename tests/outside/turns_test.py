"""Turn kinematics: bank, turn rate, radius of coordinated level turns.

Values recomputed from n = 1/cos(bank), rate = g tan(bank)/V, g = 9.80665; handbook forms after
FAA-H-8083-15 and -25 (from memory): 120 kt, 30 degrees: 5.25 deg/s; 240 kt: 2.62 deg/s.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.builders import CARD, Flying, Leg, flown
from trimkeep.detectors.flights import split
from trimkeep.detectors.segments import turn_bank_deg

KNOT_MPS = 0.514444


@pytest.mark.parametrize(
    ("speed", "bank", "rate"),
    [
        (15.0, 30.0, 21.627),
        (15.0, 45.0, 37.459),
        (20.0, 30.0, 16.220),
        (20.0, 45.0, 28.094),
        (25.0, 45.0, 22.475),
    ],
)
def test_bank_from_speed_and_turn_rate(speed: float, bank: float, rate: float) -> None:
    found = turn_bank_deg(np.array([speed]), np.array([rate, -rate]))
    assert found == pytest.approx([bank, -bank], abs=0.001)


@pytest.mark.parametrize(("knots", "rate"), [(120.0, 5.25), (240.0, 2.62)])
def test_handbook_examples(knots: float, rate: float) -> None:
    # The handbook's constants are rounded: to 0.5 %.
    assert turn_bank_deg(np.array([knots * KNOT_MPS]), np.array([rate]))[0] == pytest.approx(30.0, rel=0.005)


def test_the_bank_of_rate_one() -> None:
    """tan(bank) = V(kt)/364 at 3 deg/s (a stored encyclopaedia page on standard-rate turns; exact 364.07)."""
    found = turn_bank_deg(np.array([100.0 * KNOT_MPS]), np.array([3.0]))[0]
    assert np.tan(np.radians(found)) == pytest.approx(100.0 / 364.0, rel=0.001)


def test_turns_are_found_from_the_course_alone() -> None:
    """16.22 deg/s at 20 m/s is a turn of 30 degrees of bank; without attitude the course must show it."""
    legs = [Leg(60, airspeed_mps=20.0), Leg(30, airspeed_mps=20.0, bank_deg=30.0), Leg(60, airspeed_mps=20.0)]
    log = flown(legs, Flying(4.0, leave_out=frozenset({"bank_deg"})))
    (flight,) = split(log, CARD)
    turned = [one for one in flight.segments if one.phase == "turn"]
    assert sum(one.seconds for one in turned) == pytest.approx(30.0, abs=4.0)
