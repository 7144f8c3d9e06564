"""Wind across the nose by the heading: what it adds, and what it must not spoil."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.signal import lfilter

from trimkeep.detectors.numerics.wind import COMPASS_DEG, WindFit, solve_wind, with_heading

STEP_S = 0.5
AIRSPEED_MPS = 17.0
WIND = np.array([-3.0, 4.0])
FLIGHTS = 120


@dataclass(frozen=True, slots=True)
class Samples:
    """A flight of four minutes, north, east, airspeed and nose, one full turn and a half."""

    north: np.ndarray
    east: np.ndarray
    air: np.ndarray
    nose_deg: np.ndarray


def _flown(seed: int, gust_mps: float = 0.7, seconds: float = 240.0) -> Samples:
    """Lines and turns in a steady wind and gusts of 12 s; the airspeed sensor feels those along the nose."""
    rng = np.random.default_rng(seed)
    size = int(seconds / STEP_S)
    turning = np.where(np.arange(size) * STEP_S % 60.0 < 20.0, 540.0 / seconds * 3.0, 0.0)
    nose_deg = rng.uniform(0.0, 360.0) + np.cumsum(turning) * STEP_S
    keep = np.exp(-STEP_S / 12.0)
    noise = rng.standard_normal((2, size + 100))
    gust = lfilter([gust_mps * np.sqrt(1.0 - keep**2)], [1.0, -keep], noise)[:, 100:]
    nose = np.radians(nose_deg)
    ahead = np.array([np.cos(nose), np.sin(nose)])
    # The aeroplane keeps its airspeed and lets the gusts carry it.
    ground = AIRSPEED_MPS * ahead + WIND[:, None] + gust
    air = AIRSPEED_MPS + 0.1 * rng.standard_normal(size)
    return Samples(ground[0], ground[1], air, nose_deg)


def _fits(samples: Samples, heading_deg: np.ndarray) -> tuple[WindFit, WindFit]:
    """Without and with a heading."""
    fit = solve_wind(samples.north, samples.east, samples.air, STEP_S)
    assert isinstance(fit, WindFit)
    return fit, with_heading(fit, samples.north, samples.east, samples.air, heading_deg)


def _off(fit: WindFit) -> np.ndarray:
    return np.array([fit.north_mps, fit.east_mps]) - WIND


def test_the_heading_makes_the_wind_a_better_mean() -> None:
    pairs = [_fits(flown, flown.nose_deg) for flown in map(_flown, range(FLIGHTS))]
    plain, told = (np.array([_off(pair[which]) for pair in pairs]) for which in (0, 1))
    # Two independent halves of the gusts instead of one: at best sqrt(1/2), less what the compass is trusted.
    assert np.std(told) < 0.9 * np.std(plain)
    stated = np.mean([np.sqrt(np.trace(both.covariance[:2, :2]) / 2.0) for _, both in pairs])
    assert 0.6 < stated / np.std(told) < 1.5


@pytest.mark.parametrize("offset_deg", [-12.0, 5.0])
def test_a_constant_offset_of_the_compass_is_solved_for(offset_deg: float) -> None:
    flown = _flown(3)
    (_, straight), (_, crooked) = (_fits(flown, flown.nose_deg + off) for off in (0.0, offset_deg))
    assert np.hypot(*(_off(crooked) - _off(straight))) < 0.06


def test_a_course_is_no_heading() -> None:
    """Nothing moves across its own course: as a heading the course would say that there is no wind."""
    for seed in range(20):
        flown = _flown(seed)
        course = np.degrees(np.arctan2(flown.east, flown.north))
        plain, told = _fits(flown, course)
        assert told is plain


def test_a_deviation_of_the_compass_moves_the_wind_by_less_than_it_looks_like() -> None:
    flown = _flown(5, gust_mps=0.4)
    deviation = COMPASS_DEG * np.sin(np.radians(flown.nose_deg))
    (_, true), (_, deviating) = (_fits(flown, flown.nose_deg + off) for off in (0.0, deviation))
    moved = float(np.hypot(*(_off(deviating) - _off(true))))
    looks_like = 0.5 * np.radians(COMPASS_DEG) * AIRSPEED_MPS
    assert 0.0 < moved < 0.5 * looks_like


def test_no_heading_leaves_the_wind_as_it_was() -> None:
    flown = _flown(1)
    plain, told = _fits(flown, np.full(flown.nose_deg.shape, np.nan))
    assert told is plain
