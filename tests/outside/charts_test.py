"""The control-chart examples of the NIST/SEMATECH e-Handbook, judged by the scan for unknown steps.

The judge draws no charts; what is checked is that it says of the handbook's data what the charts say.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.detectors.history.builders import place_of
from trimkeep.detectors.history.calibration_scan import shipped_scan_limits
from trimkeep.detectors.history.steps_unknown import Scan, scan

# 6.3.2.4, EWMA example: no point outside its limits
EWMA = np.array(
    [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
     49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
)  # fmt: skip
EWMA_SIGMA = 2.0539
# 6.3.2.3, cumulative sum example (data from memory): target 325, first signal at sample 14, the mean
# having moved from sample 13 on
CUSUM = np.array(
    [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
     324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
)  # fmt: skip


def look(value: np.ndarray, sigma: float) -> tuple[Scan, bool]:
    one = np.ones(1)
    found = scan(
        value[None], np.ones((1, value.size)), sigma=sigma * one, sigma_flights=10 * one, rho=0 * one
    )
    limit = shipped_scan_limits().at(0.05, value.size * one, 0 * one, 0.02 * one, 10 * one)
    return found, bool(found.log_evidence[0] > limit[0])


def test_the_ewma_example_is_in_control() -> None:
    assert not look(EWMA, EWMA_SIGMA)[1]


def test_the_cusum_example_moved_from_sample_13_on() -> None:
    sigma = float(CUSUM[:12].std(ddof=1))
    found, alarm = look(CUSUM, sigma)
    assert alarm
    place = place_of(found)
    assert not place.drift and place.start == 12  # 0-based: sample 13
    assert found.level[0, place.hypothesis] == pytest.approx(CUSUM[:12].mean(), abs=sigma / 2)
    # the chart signals at sample 14; the scan asks for three flights after, so one later at most
    assert next(n for n in range(12, 21) if look(CUSUM[:n], sigma)[1]) in (14, 15)


def test_false_alarms_are_rarer_than_a_usual_charts() -> None:
    """Lucas and Crosier (1982): a two-sided CUSUM with k = 0.5, h = 4 alarms every 168 points.

    The scan is allowed 5 % in 60 flights, one in 1200; in 150 unchanged stretches of 60 looks a chart
    of that kind would alarm in 1 - exp(-60 / 168) = 30 %.
    """
    rng = np.random.default_rng(168)
    value = rng.normal(size=(150, 80))
    one = np.ones(150)
    ever = np.zeros(150, dtype=bool)
    for n in range(21, 81):
        found = scan(value[:, :n], np.ones((150, n)), sigma=one, sigma_flights=10 * one, rho=0 * one)
        ever |= found.log_evidence > shipped_scan_limits().at(0.05, n * one, 0 * one, 0 * one, 10 * one)
    # 5 % plus three standard errors of 150 series
    assert ever.mean() <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 150)
