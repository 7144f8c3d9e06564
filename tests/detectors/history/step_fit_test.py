"""The robust step regression against plain least squares, planted steps and gross errors."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from trimkeep.detectors.history.step_fit import StepFit, fit_steps, masked_median


def fit(
    value: np.ndarray,
    before: int,
    conditions: np.ndarray | None = None,
    *,
    sigma: float = 1.0,
    sigma_flights: float = 0.0,
    slope: float = 0.0,
    slope_flights: float = 0.0,
    rho: float | np.ndarray = 0.0,
) -> StepFit:
    """One series, or many, with the same number of flights before."""
    value = np.atleast_2d(value)
    count, n = value.shape
    columns = np.zeros((count, n, 0)) if conditions is None else np.atleast_2d(conditions)[:, :, None]
    p = columns.shape[2]
    return fit_steps(
        value,
        columns,
        np.broadcast_to(np.arange(n) >= before, (count, n)),
        np.ones((count, n)),
        sigma=np.full(count, sigma),
        sigma_flights=np.full(count, sigma_flights),
        slope=np.full((count, p), slope),
        slope_flights=np.full((count, p), slope_flights),
        rho=np.broadcast_to(rho, count).astype(float),
    )


def test_step_and_slope_are_those_of_a_bisquare_regression_of_statsmodels() -> None:
    rng = np.random.default_rng(3)
    wind = rng.normal(size=40)
    late = np.arange(40) >= 25
    value = 2.0 + 1.5 * late + 0.7 * wind + rng.normal(size=40)
    value[[4, 30]] += 7.0
    ours = fit(value, 25, wind)
    exog = np.column_stack([np.ones(40), late, wind])
    theirs = sm.RLM(value, exog, M=sm.robust.norms.TukeyBiweight()).fit()
    # another scale estimate and a fixed number of steps: agreement to a fifth of the standard error
    assert abs(ours.step[0] - theirs.params[1]) < 0.2 * theirs.bse[1]
    assert abs(ours.slope[0, 0] - theirs.params[2]) < 0.2 * theirs.bse[2]
    assert ours.standard_error[0] == pytest.approx(theirs.bse[1], rel=0.15)


def test_gross_errors_are_found_and_do_not_move_the_step() -> None:
    rng = np.random.default_rng(1)
    value = rng.normal(size=30)
    value[20:] += 2.0
    clean = fit(value, 20)
    spoiled = value.copy()
    spoiled[25] += 60.0
    odd = fit(spoiled, 20)
    assert odd.weight[0, 25] == 0.0
    assert abs(odd.step[0] - clean.step[0]) < 0.5 * clean.standard_error[0]


def test_a_series_in_a_batch_gives_the_numbers_it_gives_alone() -> None:
    rng = np.random.default_rng(2)
    value, wind = rng.normal(size=(3, 24)), rng.normal(size=(3, 24))
    memory = np.array([0.6, 0.3, 0.0])  # each its own: the longest one does not lengthen the others
    together = fit(value, 16, wind, slope=0.3, slope_flights=20.0, rho=memory, sigma_flights=10.0)
    alone = fit(value[1], 16, wind[1], slope=0.3, slope_flights=20.0, rho=0.3, sigma_flights=10.0)
    # another order of summation in the batch: a few units in the last place
    assert together.step[1] == pytest.approx(alone.step[0], rel=1e-9)
    assert together.standard_error[1] == pytest.approx(alone.standard_error[0], rel=1e-9)


def test_padding_changes_nothing() -> None:
    rng = np.random.default_rng(2)
    value = rng.normal(size=(1, 20))
    padded = np.hstack([value, np.full((1, 7), 99.0)])
    weight = np.hstack([np.ones((1, 20)), np.zeros((1, 7))])
    long = fit_steps(
        padded,
        np.zeros((1, 27, 0)),
        np.arange(27)[None] >= 12,
        weight,
        sigma=np.ones(1),
        sigma_flights=np.zeros(1),
        slope=np.zeros((1, 0)),
        slope_flights=np.zeros((1, 0)),
        rho=np.array([0.2]),
    )
    short = fit(value, 12, rho=0.2)
    assert long.step[0] == pytest.approx(short.step[0], rel=1e-12)
    assert long.standard_error[0] == pytest.approx(short.standard_error[0], rel=1e-12)


def test_correlation_widens_the_error_as_theory_says() -> None:
    value = np.random.default_rng(0).normal(size=(1, 400))
    ratio = fit(value, 200, rho=0.4).standard_error[0] / fit(value, 200).standard_error[0]
    # long series: variance of a mean grows by (1 + rho) / (1 - rho); ends and weights take a little
    assert ratio == pytest.approx(np.sqrt(1.4 / 0.6), rel=0.03)


def test_stated_error_is_the_error_made() -> None:
    value = np.random.default_rng(5).normal(size=(4000, 30))
    result = fit(value, 20, sigma_flights=10.0)
    made = result.step.std()
    # Monte-Carlo error of a deviation from 4000 series is 1.1 %; small samples cost the M-estimate some
    assert np.sqrt((result.standard_error**2).mean()) == pytest.approx(made, rel=0.08)


def test_the_fleets_noise_steadies_a_short_series() -> None:
    value = np.random.default_rng(7).normal(size=(500, 9))
    alone, helped = fit(value, 5), fit(value, 5, sigma_flights=10.0)
    assert helped.sigma.std() < 0.6 * alone.sigma.std()


def test_constant_series_stay_finite() -> None:
    result = fit(np.full((1, 12), 3.0), 6)
    assert result.step[0] == 0.0
    assert np.isfinite(result.standard_error[0]) and result.standard_error[0] > 0.0


def test_masked_median_is_numpys_on_the_kept_entries() -> None:
    rng = np.random.default_rng(4)
    value, mask = rng.normal(size=(20, 9)), rng.random((20, 9)) < 0.6
    mask[:, 0] = True
    expected = [np.median(v[m]) for v, m in zip(value, mask, strict=True)]
    np.testing.assert_array_equal(masked_median(value, mask), expected)
    assert np.isnan(masked_median(value[:1], np.zeros((1, 9), dtype=bool)))[0]


def test_what_the_noise_of_the_measured_weather_flattens_is_made_good_between_means() -> None:
    """Weather measured with reliability 0.9 flattens a slope of 1 to 0.9; it then turns by two spreads."""
    rng = np.random.default_rng(12)
    count, n = 400, 80
    after = np.broadcast_to(np.arange(n) >= 40, (count, n))
    true = rng.normal(size=(count, n)) + 2.0 * after
    seen = true + rng.normal(0.0, np.sqrt(1.0 / 9.0), (count, n))
    value = true + rng.normal(0.0, 0.5, (count, n))
    ones, one = np.ones((count, n)), np.ones(count)
    steps = {
        measured: fit_steps(
            value,
            seen[:, :, None],
            after,
            ones,
            sigma=0.6 * one,
            sigma_flights=10.0 * one,
            slope=np.full((count, 1), 0.9),
            slope_flights=np.full((count, 1), 20.0),
            rho=0.0 * one,
            measured=np.array([measured]),
        )
        for measured in (False, True)
    }
    # left over: 2 x (1 - 0.9) = 0.2; the mean of 400 series scatters by 0.01
    assert np.mean(steps[False].step) == pytest.approx(0.2, abs=0.03)
    assert np.mean(steps[True].step) == pytest.approx(0.02, abs=0.03)
    assert (steps[True].standard_error > steps[False].standard_error).all()
