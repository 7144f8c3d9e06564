"""Overall level of a random vibration against published qualification profiles, and of sines and noise.

NASA GSFC-STD-7000 (GEVS), Table 2.4-3, and MIL-STD-810 Method 514, minimum integrity, profiles and
overall levels from memory; the levels were recomputed by integrating each log-log segment as a power
law (14.1356, 9.9954 and 7.694 g). In tests: g stands for the unit of the signal.
"""

from __future__ import annotations

import numpy as np
import pytest

from trimkeep.detectors.model import Channel
from trimkeep.detectors.numerics.shaking import shaking_level

RATE_HZ = 8192.0
SECONDS = 20
GEVS = ((20.0, 0.026), (50.0, 0.16), (800.0, 0.16), (2000.0, 0.026))
MINIMUM_INTEGRITY = ((20.0, 0.04), (1000.0, 0.04), (2000.0, 0.01))


def noise_of(profile: tuple[tuple[float, float], ...], factor: float, seed: int) -> np.ndarray:
    """Gaussian noise with a density straight on log-log between the points, nothing outside."""
    rng = np.random.default_rng(seed)
    size = int(RATE_HZ * SECONDS)
    frequency = np.fft.rfftfreq(size, 1.0 / RATE_HZ)
    points = np.log(np.array(profile))
    with np.errstate(divide="ignore"):
        density = factor * np.exp(np.interp(np.log(frequency), points[:, 0], points[:, 1]))
    density[(frequency < profile[0][0]) | (frequency > profile[-1][0])] = 0.0
    phase = rng.standard_normal(frequency.size) + 1j * rng.standard_normal(frequency.size)
    return np.fft.irfft(phase * np.sqrt(density * RATE_HZ * size / 4.0), size)


def level_of(value: np.ndarray, rate_hz: float) -> float:
    found = shaking_level(
        Channel(np.arange(value.size) / rate_hz, value), np.arange(0.5, value.size / rate_hz, 1.0)
    )
    assert found is not None
    return float(np.sqrt(np.nanmean(found**2)))


@pytest.mark.parametrize(
    ("profile", "factor", "published"),
    [(GEVS, 1.0, 14.1), (GEVS, 0.5, 10.0), (MINIMUM_INTEGRITY, 1.0, 7.7)],
)
def test_overall_level_of_a_published_profile(
    profile: tuple[tuple[float, float], ...], factor: float, published: float
) -> None:
    # 40,000 independent samples leave 0.4 % of scatter; the published figure is rounded to 0.05.
    assert level_of(noise_of(profile, factor, 5), RATE_HZ) == pytest.approx(
        published, abs=0.05 + 0.01 * published
    )


@pytest.mark.parametrize("frequency_hz", [12.5, 17.3, 22.0])
def test_a_sine_has_its_amplitude_over_root_two(frequency_hz: float) -> None:
    time_s = np.arange(50 * 60) / 50.0
    assert level_of(2.0 * np.sin(2.0 * np.pi * frequency_hz * time_s), 50.0) == pytest.approx(
        2.0**0.5, rel=0.01
    )


def test_white_noise_keeps_the_share_of_its_band() -> None:
    """Density 2/fs: of variance 1 at 50 Hz the band from 5 to 25 Hz holds 0.8."""
    value = np.random.default_rng(1).standard_normal(50 * 600)
    # Filtering both ways halves the amplitude at 5 Hz itself: 2.3 % of the level is lost on the slope.
    assert level_of(value, 50.0) == pytest.approx(0.8**0.5, rel=0.03)
