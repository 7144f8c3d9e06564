"""The stored limits: read, interpolated, refused, and made anew to the same numbers."""

from __future__ import annotations

import numpy as np
import pytest

from trimkeep.detectors.history import calibration, calibration_scan
from trimkeep.detectors.history.calibration import (
    AXES,
    LEVELS,
    Limits,
    call_handicap,
    handicap,
    interpolate,
    limits_from_toml,
    limits_to_toml,
    shipped_limits,
    spent_share,
)
from trimkeep.detectors.history.calibration_runs import (
    highest_evidence,
    highest_scan,
    lag_one,
    reference_series,
)
from trimkeep.detectors.history.calibration_scan import (
    scan_limits_from_toml,
    scan_limits_to_toml,
    shipped_scan_limits,
)

ONE = np.ones(1)


def at(limits: Limits, level: float, before: float, after: float, rho: float = 0.2) -> float:
    return float(limits.at(level, before * ONE, after * ONE, rho * ONE, 0.05 * ONE, 10.0 * ONE)[0])


def test_a_stored_cell_is_given_back() -> None:
    limits = shipped_limits()
    level, cell = LEVELS.index(0.05), (3, 1, 1, 2)  # 25 flights before, rho 0.2, 5 % odd, worth 10 flights
    stored = limits.log_limit[(level, *cell)]
    asked = 0.05 / float(spent_share(np.array(25.0)))
    assert at(limits, asked, 25.0, 8.0) == pytest.approx(float(stored))
    assert at(limits, asked, 25.0, 60.0) == pytest.approx(float(stored + handicap(np.array(60.0))))


def test_a_stricter_level_asks_for_more() -> None:
    limits = shipped_limits()
    for before in (5.0, 9.0, 20.0, 100.0):
        values = [at(limits, level, before, 10.0) for level in (0.1, 0.05, 0.03, 0.01, 0.005)]
        assert values == sorted(values)


def test_interpolation_is_linear_between_and_flat_outside() -> None:
    axes = [np.array([0.0, 1.0]), np.array([0.0, 2.0])]
    table = np.array([[0.0, 2.0], [1.0, 3.0]])
    points = (np.array([0.5, -1.0, 2.0]), np.array([1.0, 0.0, 5.0]))
    assert interpolate(table, axes, points) == pytest.approx([1.5, 0.0, 3.0])


def test_text_round_trip_and_refusal_of_another_statistic() -> None:
    limits = shipped_limits()
    text = limits_to_toml(limits)
    again = limits_from_toml(text)
    np.testing.assert_array_equal(again.log_limit, limits.log_limit)
    assert again.version == limits.version and again.version in text
    with pytest.raises(ValueError, match="judges by"):
        limits_from_toml(text.replace("step width 1.0", "step width 2.0"))
    scans = shipped_scan_limits()
    np.testing.assert_array_equal(
        scan_limits_from_toml(scan_limits_to_toml(scans)).log_limit, scans.log_limit
    )
    with pytest.raises(ValueError, match="scans by"):
        scan_limits_from_toml(scan_limits_to_toml(scans).replace("window 80", "window 60"))


def test_a_cell_made_anew_from_the_seed_agrees_with_the_stored_one() -> None:
    """Fewer series than the artefact: within the Monte-Carlo error of the 5 % quantile."""
    i, j, k, m = 1, 1, 1, 2
    before = AXES["flights_before"][i]
    value, condition = reference_series(np.random.default_rng(42), 600, int(before) + 60, 0.2, 0.05)
    highest = highest_evidence(value, condition, int(before), 0.2, 10.0)
    stored = shipped_limits().log_limit[LEVELS.index(0.1), i, j, k, m]
    # 600 series, 9.4 % expected to pass: standard error 1.2 %, three of them
    assert (highest > stored).mean() == pytest.approx(calibration.AIM * 0.1, abs=0.036)


def test_the_scan_cell_made_anew_agrees() -> None:
    value, condition = reference_series(np.random.default_rng(43), 80, 140, 0.2, 0.05)
    highest = highest_scan(value - 0.5 * condition, 0.2, 10.0)
    stored = shipped_scan_limits().log_limit[calibration_scan.SCAN_LEVELS.index(0.1), :, 1, 1, 1]
    passed = (highest > stored).mean(axis=0)
    # 8 % expected of 80: standard error 3 %, three of them
    assert passed == pytest.approx(calibration_scan.SCAN_AIM * 0.1, abs=0.09)


def test_same_seed_same_series() -> None:
    first = reference_series(np.random.default_rng(1), 3, 10, 0.3, 0.1)
    second = reference_series(np.random.default_rng(1), 3, 10, 0.3, 0.1)
    np.testing.assert_array_equal(first[0], second[0])


def test_lag_one_noise_has_its_correlation_and_unit_variance() -> None:
    noise = lag_one(np.random.default_rng(2).normal(size=(20, 5000)), 0.4)
    assert noise.std() == pytest.approx(1.0, abs=0.02)
    assert np.corrcoef(noise[:, 1:].ravel(), noise[:, :-1].ravel())[0, 1] == pytest.approx(0.4, abs=0.02)


def test_a_call_asks_least_in_the_first_weeks_and_most_in_the_middle() -> None:
    asked = call_handicap(np.array([5.0, 6.0, 12.0, 20.0, 36.0, 60.0]))
    assert asked[0] == asked[1] < 0.0 < asked[2] < asked[3]
    assert asked[3] > asked[4] > asked[5]
