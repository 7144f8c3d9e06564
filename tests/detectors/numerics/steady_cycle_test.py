"""Bayes' factor of a steady cycle: honest about gusts alone, sure of a cycle as strong as they are."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg

from tests.benchmarks.truth_oscillation import gust_driven
from trimkeep.detectors.numerics.steady_cycle import _covariance, steady_cycle_evidence

RATE_HZ = 10.0
PERIOD_S = 5.0


def _pieces(rng: np.random.Generator, ratio: float) -> list[np.ndarray]:
    """Four pieces of a minute, from one record of a mode; the cycle's phase is new in each."""
    swing = gust_driven(rng, PERIOD_S, 1.0, RATE_HZ)
    time_s = np.arange(600) / RATE_HZ
    return [
        swing[600 * k : 600 * k + 550]
        + ratio * np.sin(2.0 * np.pi * time_s / 5.4 + rng.uniform(0.0, 6.28))[:550]
        + 0.05 * rng.standard_normal(550)
        for k in range(4)
    ]


def _told(ratio: float, place: int, count: int = 25) -> np.ndarray:
    found = [
        steady_cycle_evidence(_pieces(np.random.default_rng([5, place, k]), ratio), RATE_HZ, 1.0 / PERIOD_S)
        for k in range(count)
    ]
    return np.array(found)


def test_gusts_alone_are_not_called_and_a_strong_cycle_is() -> None:
    # Nine to one is log 9 = 2.2; gusts alone may pass it once in nine, were the grid exact.
    alone, strong = _told(0.0, 0), _told(2.0, 1)
    assert np.mean(alone > np.log(9.0)) <= 1.0 / 9.0
    assert np.mean(strong > np.log(9.0)) >= 0.9
    assert np.median(alone) < 0.0


def test_evidence_does_not_depend_on_the_unit_or_on_the_clock() -> None:
    pieces = _pieces(np.random.default_rng(8), 1.5)
    said = steady_cycle_evidence(pieces, RATE_HZ, 1.0 / PERIOD_S)
    # Rounding alone: all is counted in periods and in standard deviations.
    assert steady_cycle_evidence([7.0 * one for one in pieces], RATE_HZ, 0.2) == pytest.approx(said, rel=1e-6)
    assert steady_cycle_evidence(pieces, 2.0 * RATE_HZ, 0.4) == pytest.approx(said, rel=1e-6)


def test_a_piece_too_short_for_a_block_says_nothing() -> None:
    assert steady_cycle_evidence([np.sin(np.arange(200) / 10.0)], RATE_HZ, 0.2) is None
    assert steady_cycle_evidence([np.zeros(800)], RATE_HZ, 0.2) is None


def test_covariance_is_that_of_the_second_order_system() -> None:
    # Stationary covariance of x'' + 2 z w x' + w^2 x = noise by the Lyapunov equation, carried on by expm.
    frequency, damping, step = 0.9, 0.2, 0.1
    w = 2.0 * np.pi * frequency
    system = np.array([[0.0, 1.0], [-w * w, -2.0 * damping * w]])
    steady = linalg.solve_continuous_lyapunov(system, -np.diag([0.0, 1.0]))
    expected = [(linalg.expm(system * step * k) @ steady)[0, 0] / steady[0, 0] for k in range(20)]
    assert _covariance(frequency, damping, step * np.arange(20)) == pytest.approx(
        np.array(expected), abs=1e-9
    )
