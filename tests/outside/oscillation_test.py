"""Oscillation against published modes, the tolerance of a regulation, and closed forms.

- Period within 10 %; time to half amplitude within 10 % or damping ratio within 0.02: 14 CFR Part 60,
  Appendix A, table A2A, 2.c.9 (phugoid).
- Modes: Etkin and Reid, *Dynamics of Flight*, 3rd ed., ch. 6, large jet transport (eigenvalues from memory);
  Cook, *Flight Dynamics Principles*, example 11.3 (denominator as published).
- Envelope of narrow-band Gaussian noise: coefficient of variation sqrt(4/pi - 1) = 0.522723 (Rice 1945).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from trimkeep.detectors.numerics.modes import RAYLEIGH_ENVELOPE_CV, envelope, fit_mode
from trimkeep.detectors.numerics.spectra import averaged_spectrum

# Name, undamped natural frequency (rad/s), damping ratio. Slow modes are speeded up: time is only a scale.
MODES = (
    ("jet transport, short period", 0.962271, 0.386481),
    ("fighter, short period, open loop", 2.20998, 0.20611),
    ("lightly damped", 1.5, 0.05),
    ("quarter-amplitude decay", 1.5, 0.21545),
)


def driven(w: float, zeta: float, rate_hz: float, seconds: float, seed: int) -> np.ndarray:
    """The mode driven by white noise."""
    num, den, _ = signal.cont2discrete(([w * w], [1.0, 2.0 * zeta * w, w * w]), 1.0 / rate_hz, method="zoh")
    noise = np.random.default_rng(seed).standard_normal(int((seconds + 100.0) * rate_hz))
    return signal.lfilter(num[0], den, noise)[int(100.0 * rate_hz) :]


@pytest.mark.parametrize("rate_hz", [10.0, 25.0])
@pytest.mark.parametrize(("name", "w", "zeta"), MODES)
def test_textbook_modes_are_read_within_the_regulations_tolerance(
    name: str, w: float, zeta: float, rate_hz: float
) -> None:
    frequencies, dampings = [], []
    for seed in range(8):
        spectrum = averaged_spectrum([driven(w, zeta, rate_hz, 1200.0, seed)[None, :]], rate_hz, 64.0, 20.0)
        assert spectrum is not None
        hz = w / (2.0 * np.pi)
        mode = fit_mode(spectrum, 0.3 * hz, 3.0 * hz, hz)
        assert mode is not None, name
        frequencies.append(mode.frequency_hz)
        dampings.append(mode.damping)
    # Twenty minutes scatter a damping of 0.39 by more than 0.02; the tolerance is asked of the median.
    found_hz, found_zeta = float(np.median(frequencies)), float(np.median(dampings))
    assert found_hz == pytest.approx(w / (2.0 * np.pi), rel=0.1)
    half_ratio = (found_zeta * found_hz) / (zeta * w / (2.0 * np.pi))
    assert abs(found_zeta - zeta) <= 0.02 or abs(1.0 / half_ratio - 1.0) <= 0.1


def test_the_envelope_of_noise_is_rayleigh_and_of_a_sine_steady() -> None:
    assert pytest.approx(0.522723, abs=1e-6) == RAYLEIGH_ENVELOPE_CV
    noise = np.random.default_rng(1).standard_normal(60_000)
    found = envelope([noise], 10.0, 0.2, 0.4)
    assert found is not None
    # 0.2 Hz x 6000 s = 1200 independent samples scatter the figure by about 0.01.
    assert found.cv == pytest.approx(RAYLEIGH_ENVELOPE_CV, abs=0.03)
    time_s = np.arange(3000) / 10.0
    steady = envelope([np.sin(2.0 * np.pi * 0.25 * time_s)], 10.0, 0.18, 0.36)
    assert steady is not None and steady.cv < 0.01
