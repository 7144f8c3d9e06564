"""Gust strength against the turbulence models of the standards and against theory.

Kolmogorov: S. B. Pope, Turbulent Flows, Cambridge 2000, section 6.2 and appendix G: D(r) = C2 (eps r)^(2/3),
C2 = 2.0, one-dimensional spectrum C1 eps^(2/3) k^(-5/3), C1 = 0.49 to 0.5, C2/C1 = 4.02.
Dryden: MIL-F-8785C form, Hu(s) = sigma sqrt(2L/(pi V))/(1 + L s/V), whose structure function is
2 sigma^2 (1 - exp(-r/L)).
Von Karman: longitudinal spectrum 2 sigma^2 L/pi (1 + (1.339 L k)^2)^(-5/6), MIL-F-8785C (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, optimize, special, stats

from trimkeep.detectors.numerics.gusts import KOLMOGOROV_C2, LONGEST_LAG_S, SHORTEST_LAG_S, edr_of

AIRSPEED = 18.0
RATE_HZ = 10.0


def _dryden(sigma: float, length: float, seconds: float, rng: np.random.Generator) -> np.ndarray:
    """Longitudinal Dryden gusts, exact at the samples (a first-order process), m/s."""
    keep = np.exp(-AIRSPEED / RATE_HZ / length)
    noise = sigma * np.sqrt(1.0 - keep**2) * rng.standard_normal(int(seconds * RATE_HZ))
    out = np.zeros(noise.size)
    out[0] = sigma * rng.standard_normal()
    for i in range(1, noise.size):
        out[i] = keep * out[i - 1] + noise[i]
    return out


def _von_karman(sigma: float, length: float, seconds: float, rng: np.random.Generator) -> np.ndarray:
    size = int(seconds * 50.0)
    k = 2.0 * np.pi * np.fft.rfftfreq(size, 1.0 / 50.0) / AIRSPEED
    density = 2.0 * sigma**2 * length / np.pi * (1.0 + (1.339 * length * k) ** 2) ** (-5.0 / 6.0)
    density *= 2.0 * np.pi / AIRSPEED  # per Hz
    noise = rng.standard_normal(k.size) + 1j * rng.standard_normal(k.size)
    spectrum = np.sqrt(density * size * 50.0 / 2.0) * noise / np.sqrt(2.0)
    spectrum[0] = 0.0
    return np.fft.irfft(spectrum, size)[:: int(50.0 / RATE_HZ)]


def test_the_constants_of_structure_function_and_spectrum_agree() -> None:
    """Integral of 2 (1 - cos kr) k^(-5/3): closed form against quadrature, and Pope's 4.02."""
    closed = 2.0 * -special.gamma(-2.0 / 3.0) * np.cos(np.pi / 3.0)
    near = integrate.quad(lambda k: 2.0 * (1.0 - np.cos(k)) * k ** (-5.0 / 3.0), 0.0, 200.0, limit=2000)[0]
    far = 2.0 * 1.5 * 200.0 ** (-2.0 / 3.0)
    assert closed == pytest.approx(4.02, abs=0.005)
    assert near + far == pytest.approx(closed, rel=1e-3)
    assert KOLMOGOROV_C2 / closed == pytest.approx(0.4976, abs=1e-3)  # Pope: C1 about 0.49


@pytest.mark.parametrize(("sigma", "length"), [(0.5, 300.0), (1.23, 202.0), (2.13, 263.0)])
def test_dryden_gusts_give_what_their_structure_function_says(sigma: float, length: float) -> None:
    """Rows of the low-altitude model: 50 m 15 kt (1.2296 m/s, 202.29 m), 100 m 30 kt (2.1298, 262.79 m)."""
    lags = np.arange(np.ceil(SHORTEST_LAG_S * RATE_HZ), LONGEST_LAG_S * RATE_HZ + 1) / RATE_HZ
    exact = 2.0 * sigma**2 * (1.0 - np.exp(-AIRSPEED * lags / length))

    def misfit(values: np.ndarray) -> np.ndarray:
        return (values[0] ** 2 + values[1] ** 2 * lags ** (2.0 / 3.0)) / exact - 1.0

    slope = optimize.least_squares(misfit, [0.1, 1.0]).x[1] ** 2
    truth = np.sqrt(slope / (KOLMOGOROV_C2 * AIRSPEED ** (2.0 / 3.0)))
    rng = np.random.default_rng(11)
    found = [edr_of([_dryden(sigma, length, 600.0, rng)], 1.0 / RATE_HZ, AIRSPEED) for _ in range(6)]
    values = [one.value for one in found if one is not None]
    # Six times ten minutes: each gives about 5 %.
    assert np.mean(values) == pytest.approx(truth, rel=0.06)


@pytest.mark.parametrize("sigma", [0.4, 1.0, 2.0])
def test_von_karman_gusts_have_their_dissipation_rate(sigma: float) -> None:
    length = 250.0
    two_thirds = 2.0 * sigma**2 / np.pi * length ** (-2.0 / 3.0) * 1.339 ** (-5.0 / 3.0) / 0.4976
    truth = np.sqrt(two_thirds)
    rng = np.random.default_rng(12)
    found = [edr_of([_von_karman(sigma, length, 300.0, rng)], 1.0 / RATE_HZ, AIRSPEED) for _ in range(8)]
    values = [one.value for one in found if one is not None]
    # At 36 m, the longest lag, the model has bent 20 % away from the two-thirds law.
    assert np.median(values) == pytest.approx(truth, rel=0.15)
    errors = [one.error for one in found if one is not None and one.error is not None]
    # Eight flights give the scatter to a quarter.
    assert np.mean(errors) == pytest.approx(np.std(values, ddof=1), rel=0.8)


def test_strength_ranks_flights_of_four_minutes() -> None:
    rng = np.random.default_rng(13)
    planted = rng.uniform(0.2, 2.5, 40)
    found = []
    for sigma in planted:
        sensed = _dryden(sigma, 200.0, 240.0, rng) + 0.2 * rng.standard_normal(2400)
        one = edr_of([sensed], 1.0 / RATE_HZ, AIRSPEED)
        assert one is not None
        found.append(one.value)
    assert stats.spearmanr(planted, found).statistic > 0.95
