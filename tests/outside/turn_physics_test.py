"""Bank by the flight path against the textbook turn, and against real flights' attitude.

Turn table recomputed from tan(bank) = V rate / g, g = 9.80665. Real flights: A. Keipour, M. Mousaei,
S. Scherer, "ALFA: A dataset for UAV fault and anomaly detection", International Journal of Robotics
Research 40(2-3), 2021, CC BY 4.0: another party's aeroplane, receiver and attitude estimate.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.flight.attitude_estimate import compare_banks
from trimkeep.detectors.flights import split
from trimkeep.detectors.grid import FlightGrid
from trimkeep.detectors.numerics.turn_physics import path_bank_deg
from trimkeep.service.readers.registry import read_log

OPEN_DATA = Path(
    os.environ.get("TRIMKEEP_OPEN_DATA") or Path(__file__).resolve().parents[2].parent / "shared/open-data"
)
REAL_LOGS = sorted((OPEN_DATA / "alfa").glob("*.tlog"))[::4]


@pytest.mark.parametrize("wind_mps", [0.0, 9.0])
@pytest.mark.parametrize(
    ("speed_mps", "bank_deg", "rate_dps"),
    [
        (15.0, 30.0, 21.627),
        (15.0, 45.0, 37.459),
        (20.0, 30.0, 16.220),
        (20.0, 45.0, 28.094),
        (25.0, 45.0, 22.475),
    ],
)
def test_the_table_of_turns(speed_mps: float, bank_deg: float, rate_dps: float, wind_mps: float) -> None:
    time_s = np.arange(0.0, 20.0, 0.1)
    way = np.radians(rate_dps * time_s)
    found = path_bank_deg(
        speed_mps * np.cos(way) + wind_mps, speed_mps * np.sin(way), 0.0 * way, np.degrees(way), 0.1
    )
    # Differences over 0.2 s shorten a chord of 0.2 s x 37 deg/s by a thousandth.
    assert found[5:-5] == pytest.approx(bank_deg, abs=0.05)


@pytest.mark.skipif(not REAL_LOGS, reason="the open data is not beside the repository (TRIMKEEP_OPEN_DATA)")
def test_real_turns_are_banked_as_their_paths_demand() -> None:
    card = AirframeCard("alfa")
    straight, turning = [], []
    for path in REAL_LOGS:
        for flight in split(read_log(path, card), card):
            banks = compare_banks(flight)
            assert banks is not None
            estimated = FlightGrid.of(flight, 4.0).get("bank_deg")
            known = np.isfinite(banks.error_deg) & np.isfinite(estimated)
            straight.append(float(np.median(banks.error_deg[known & (np.abs(estimated) < 8.0)])))
            turning.append(float(np.median(banks.error_deg[known & (np.abs(estimated) > 15.0)])))
    # Two degrees: mounting, and a steady wind that is none; a wrong formula would be off by the bank, 20.
    assert np.abs(turning).max() < 2.0
    assert np.abs(straight).max() < 1.5
