"""Shapes of a swing in gusts: their covariance, their filters, and the likelihood that follows from them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg, stats

from trimkeep.detectors.numerics.steady_cycle_shapes import (
    ORDER,
    mode_covariance,
    prediction_filters,
    shapes,
    shapes_of,
)

FEW = np.stack(
    [
        mode_covariance(frequency, damping, np.arange(ORDER + 1) / 5.0) + 0.01 * (np.arange(ORDER + 1) == 0)
        for frequency, damping in ((0.8, 0.05), (1.0, 0.2), (1.3, 0.4))
    ]
)


def test_covariance_is_that_of_the_second_order_system() -> None:
    # Stationary covariance of x'' + 2 z w x' + w^2 x = noise by the Lyapunov equation, carried on by expm.
    frequency, damping, step = 0.9, 0.2, 0.1
    w = 2.0 * np.pi * frequency
    system = np.array([[0.0, 1.0], [-w * w, -2.0 * damping * w]])
    steady = linalg.solve_continuous_lyapunov(system, -np.diag([0.0, 1.0]))
    expected = [(linalg.expm(system * step * k) @ steady)[0, 0] / steady[0, 0] for k in range(20)]
    assert mode_covariance(frequency, damping, step * np.arange(20)) == pytest.approx(
        np.array(expected), abs=1e-9
    )


def test_filters_solve_the_normal_equations() -> None:
    filters, variance = prediction_filters(FEW)
    for row, covariance in enumerate(FEW):
        for order in (1, 5, ORDER):
            weights = linalg.solve_toeplitz(covariance[:order], covariance[1 : order + 1])
            assert filters[order][row] == pytest.approx(np.concatenate(([1.0], -weights)), abs=1e-8)
            left = covariance[0] - weights @ covariance[1 : order + 1]
            assert variance[row, order] == pytest.approx(left, rel=1e-8)


def test_likelihood_is_that_of_the_whole_covariance() -> None:
    # The slow plain twin: the autoregression's covariance carried on to the stretch's length, and dense.
    table = shapes_of(FEW, np.ones(len(FEW)))
    stretch = np.random.default_rng(4).standard_normal(40)
    first = np.outer(stretch[:ORDER], stretch[:ORDER])
    windows = np.lib.stride_tricks.sliding_window_view(stretch, ORDER + 1)
    products = np.concatenate([first.ravel(), (windows.T @ windows).ravel()])
    said = -0.5 * table.forms @ products - table.log_scale(1, 40) - 20.0 * np.log(2.0 * np.pi)
    for row, one in enumerate(FEW):
        covariance = list(one)
        while len(covariance) < 40:
            covariance.append(-table.filters[row, 1:] @ covariance[-1 : -ORDER - 1 : -1])
        expected = stats.multivariate_normal.logpdf(stretch, cov=linalg.toeplitz(covariance))
        assert said[row] == pytest.approx(expected, rel=1e-8)


def test_every_shape_can_be_and_the_odds_are_whole() -> None:
    table = shapes()
    assert np.all(np.isfinite(table.log_variance)) and np.all(np.diff(table.log_variance, axis=1) <= 0.0)
    assert np.exp(table.log_prior).sum() == pytest.approx(1.0)
