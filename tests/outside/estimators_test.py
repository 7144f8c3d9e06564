"""Our estimators against reference libraries, theory and certified values."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.sandbox.regression.gmm import IV2SLS

from trimkeep.detectors.numerics.robust import gauss_newton, mad_sigma
from trimkeep.detectors.numerics.stats import effective_samples, mean_of, quantile_of, rms_of
from trimkeep.detectors.numerics.surface_effect import _two_stage, _with_error


def _first_order(keep: float, size: int, rng: np.random.Generator) -> np.ndarray:
    out = rng.standard_normal(size)
    for i in range(1, size):
        out[i] = keep * out[i - 1] + np.sqrt(1.0 - keep**2) * out[i]
    return out


def test_mean_and_level_of_numacc4() -> None:
    """NIST StRD NumAcc4 (certified): mean 10000000.2, standard deviation 0.1, n = 1001."""
    data = np.concatenate(([10000000.2], np.tile([10000000.1, 10000000.3], 500)))
    found = mean_of([data])
    assert found.value == pytest.approx(10000000.2, abs=1e-8)
    # negative lag-one correlation (-0.999): as good as independent, never better
    assert found.error == pytest.approx(0.1 * np.sqrt(1000 / 1001) / np.sqrt(1000), rel=1e-6)


@pytest.mark.parametrize("keep", [0.0, 0.5, 0.9, 0.98])
def test_effective_samples_of_first_order_noise(keep: float) -> None:
    """n (1 - rho)/(1 + rho): Bendat and Piersol, Random Data, 4th ed., section 8.2."""
    rng = np.random.default_rng(1)
    pieces = [_first_order(keep, 4000, rng) for _ in range(5)]
    truth = 20000 * (1.0 - keep) / (1.0 + keep)
    # The sum of correlations is known to about 2 sqrt(memory/n): 13 % at 0.98.
    assert effective_samples(pieces) == pytest.approx(truth, rel=0.3)


def test_sine_swing_has_a_level_known_well() -> None:
    """A sine of amplitude 1 over whole periods: rms 1/sqrt(2), 95th percentile of its size sin(0.95 pi/2)."""
    time_s = np.arange(0.0, 300.0, 0.2)
    wave = np.sin(2.0 * np.pi * time_s / 10.0)
    found = rms_of([wave])
    assert found.value == pytest.approx(np.sqrt(0.5), rel=1e-9)
    assert quantile_of([np.abs(wave)], 0.95).value == pytest.approx(np.sin(0.95 * np.pi / 2.0), abs=0.003)


def test_robust_fit_against_statsmodels() -> None:
    """statsmodels RLM with HuberT (t = 1.345), scale by the median about zero, on a line with wild points."""
    rng = np.random.default_rng(2)
    x = np.linspace(0.0, 10.0, 200)
    y = 1.0 + 2.0 * x + rng.standard_normal(200)
    y[::15] += 30.0
    columns = sm.add_constant(x)
    outside = sm.RLM(y, columns, M=sm.robust.norms.HuberT(1.345)).fit(scale_est="mad", maxiter=200, tol=1e-10)
    ours = gauss_newton(lambda p: (columns @ p - y, columns), np.zeros(2), 1e-10)
    assert ours is not None
    # RLM centres the deviation at zero as we do, and stops on the deviance rather than the step.
    assert ours[0] == pytest.approx(outside.params, abs=1e-4)


def test_median_deviation_against_statsmodels() -> None:
    data = np.random.default_rng(3).standard_normal(999)
    assert mad_sigma(data) == pytest.approx(float(sm.robust.scale.mad(data)), rel=1e-12)


def test_slope_along_instruments_against_statsmodels() -> None:
    """statsmodels IV2SLS on a slope with feedback: the plain slope is wrong, ours is theirs."""
    rng = np.random.default_rng(4)
    size = 2000
    asked = np.column_stack((rng.standard_normal((size, 2)), np.ones(size)))
    hidden = rng.standard_normal(size)
    moved = asked @ np.array([0.5, 0.3, 0.1]) - 0.8 * hidden + 0.1 * rng.standard_normal(size)
    flown = 3.0 * moved + 2.0 * hidden + 0.5
    outside = IV2SLS(flown, np.column_stack((moved, np.ones(size))), asked).fit()
    fit = _two_stage(flown, moved, asked, np.linalg.inv(asked.T @ asked), 0.0)
    assert fit is not None
    ours = _with_error(fit)
    assert ours.value == pytest.approx(outside.params[0], rel=1e-9)
    assert ours.error == pytest.approx(outside.bse[0], rel=0.05)  # theirs takes the samples as independent
    assert abs(np.polyfit(moved, flown, 1)[0] - 3.0) > 0.5
