"""Bayes' factor of a steady cycle: honest about gusts alone, sure of a cycle as strong as they are."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg, signal, special

from tests.benchmarks.truth_oscillation import gust_driven, roc_area
from trimkeep.detectors.numerics import steady_cycle
from trimkeep.detectors.numerics.steady_cycle import (
    CYCLE_OVER_MODE,
    CYCLE_OVER_PEAK,
    MOST_PERIODS,
    steady_cycle_evidence,
)
from trimkeep.detectors.numerics.steady_cycle_shapes import (
    ORDER,
    SAMPLES_PER_PERIOD,
    Shapes,
    mode_covariance,
    shapes_of,
)

RATE_HZ = 10.0
PERIOD_S = 5.0
SURE = np.log(9.0)
"""Nine to one."""


def _pieces(rng: np.random.Generator, ratio: float, swing: np.ndarray | None = None) -> list[np.ndarray]:
    """Four pieces of a minute, from one record of a mode; the cycle's phase is new in each."""
    swing = gust_driven(rng, PERIOD_S, 1.0, RATE_HZ) if swing is None else swing
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


def _mode(rng: np.random.Generator, period_s: float, damping: float, drive: np.ndarray) -> np.ndarray:
    """Four minutes of a mode under a drive of five, unit variance."""
    w = 2.0 * np.pi / period_s
    top, bottom, _ = signal.cont2discrete(([w * w], [1.0, 2.0 * damping * w, w * w]), 1.0 / RATE_HZ)
    swing = signal.lfilter(top[0], bottom, drive * rng.standard_normal(3000))[600:]
    return np.asarray(swing / swing.std())


def test_gusts_alone_are_not_called_and_a_strong_cycle_is() -> None:
    # Gusts alone may pass nine to one once in nine, were the table exact.
    alone, strong = _told(0.0, 0), _told(2.0, 1)
    assert np.mean(alone > SURE) <= 1.0 / 9.0
    assert np.mean(strong > SURE) >= 0.9
    assert np.median(alone) < 0.0


def test_a_cycle_as_strong_as_the_gusts_is_told_from_them() -> None:
    # The requirement's own level, of 60 flights of each kind; 0.99 on others.
    assert roc_area(list(_told(1.0, 2, 60)), list(_told(0.0, 3, 60))) >= 0.98


def test_gusts_in_patches_and_a_second_mode_are_not_called() -> None:
    called = {"patches": 0, "second mode": 0, "narrow mode": 0}
    for k in range(40):
        rng = np.random.default_rng([6, k])
        # Log-normal strength with a memory of half a minute; the strongest tenth is five times the weakest.
        slow = signal.lfilter([np.sqrt(2.0 / 300.0)], [1.0, -(1.0 - 1.0 / 300.0)], rng.standard_normal(3000))
        calm = np.ones(3000)
        kinds = {
            "patches": _mode(rng, PERIOD_S, 0.15, np.exp(0.6 * slow)),
            "second mode": _mode(rng, PERIOD_S, 0.12, calm) + 0.7 * _mode(rng, 0.45 * PERIOD_S, 0.1, calm),
            "narrow mode": _mode(rng, PERIOD_S, 0.05, calm),
        }
        for name, swing in kinds.items():
            said = steady_cycle_evidence(_pieces(rng, 0.0, swing), RATE_HZ, 1.0 / PERIOD_S)
            called[name] += said is not None and said > SURE
    # One in a hundred is aimed at: two of forty would be a rare accident.
    assert max(called.values()) <= 1, called


def test_evidence_does_not_depend_on_the_unit_or_on_the_clock() -> None:
    pieces = _pieces(np.random.default_rng(8), 1.5)
    said = steady_cycle_evidence(pieces, RATE_HZ, 1.0 / PERIOD_S)
    # Rounding alone: all is counted in periods and in standard deviations.
    assert steady_cycle_evidence([7.0 * one for one in pieces], RATE_HZ, 0.2) == pytest.approx(said, rel=1e-6)
    assert steady_cycle_evidence(pieces, 2.0 * RATE_HZ, 0.4) == pytest.approx(said, rel=1e-6)


def test_a_piece_too_short_says_nothing() -> None:
    assert steady_cycle_evidence([np.sin(np.arange(200) / 10.0)], RATE_HZ, 0.2) is None
    assert steady_cycle_evidence([np.zeros(800)], RATE_HZ, 0.2) is None


def test_a_long_piece_is_cut_in_equal_parts() -> None:
    parts = list(steady_cycle._stretches([np.arange(2500.0)], RATE_HZ, 1.0 / PERIOD_S))
    assert [one.size for one in parts] == [83, 83, 83]  # fifty periods, twenty at most
    assert max(one.size for one in parts) <= MOST_PERIODS * SAMPLES_PER_PERIOD
    assert np.concatenate(parts) == pytest.approx(np.zeros(249), abs=1e-9)  # nothing but a straight line


@pytest.mark.parametrize("ratio", [0.0, 1.0, 1.8])
def test_factor_is_that_of_the_plain_sum_over_everything(
    ratio: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The slow plain twin: dense covariances, every shape and frequency, phases and deviations on fine grids.
    lags = np.arange(ORDER + 1) / SAMPLES_PER_PERIOD
    rows = [
        mode_covariance(frequency, damping, lags) + 0.01 * (lags == 0.0)
        for frequency in (0.9, 1.0, 1.1)
        for damping in (0.1, 0.2, 0.3)
    ]
    table = shapes_of(np.array(rows), np.ones(len(rows)))
    monkeypatch.setattr(steady_cycle, "shapes", lambda: table)
    pieces = [one[:350] for one in _pieces(np.random.default_rng(9), ratio)[:2]]
    stretches = list(steady_cycle._stretches(pieces, RATE_HZ, 1.0 / PERIOD_S))
    stretches = [one / np.concatenate(stretches).std() for one in stretches]
    # Five steps of the deviation and the mean of the sine's two energies: 0.1 of the logarithm.
    assert steady_cycle_evidence(pieces, RATE_HZ, 1.0 / PERIOD_S) == pytest.approx(
        _plain_factor(table, np.array(rows), stretches), abs=0.1
    )


def _plain_factor(table: Shapes, rows: np.ndarray, stretches: list[np.ndarray]) -> float:
    size = stretches[0].size
    freedom = sum(one.size - 2 for one in stretches)
    log_deviation = np.linspace(-2.5, 1.5, 161)
    deviation = np.exp(log_deviation)[:, None]
    amplitude = np.sqrt(2.0) * CYCLE_OVER_MODE * deviation
    turn = np.exp(-2j * np.pi * np.arange(24) / 24)
    phasors = np.exp(2j * np.pi * np.outer(np.arange(size) / SAMPLES_PER_PERIOD, CYCLE_OVER_PEAK))
    alone, cycle = [], []
    for row, one in enumerate(rows):
        covariance = list(one)
        while len(covariance) < size:
            covariance.append(-table.filters[row, 1:] @ covariance[-1 : -ORDER - 1 : -1])
        root = linalg.cholesky(linalg.toeplitz(covariance), lower=True)
        white = linalg.solve_triangular(root, np.stack(stretches, axis=1), lower=True)
        sines = linalg.solve_triangular(root, phasors, lower=True)
        level = -len(stretches) * np.log(np.diag(root)).sum() - freedom * log_deviation
        level = level - 0.5 * np.sum(white**2) / deviation[:, 0] ** 2
        alone.append(level)
        for sine in sines.T:
            phased = np.real(sine[:, None] * turn)
            gain = np.zeros(amplitude.shape)
            for stretch in white.T:
                pull, energy = stretch @ phased, np.sum(phased**2, axis=0)
                each = amplitude[..., None] * pull - 0.5 * amplitude[..., None] ** 2 * energy
                gain += special.logsumexp(each / deviation[..., None] ** 2, axis=-1) - np.log(turn.size)
            cycle.append(level[:, None] + gain)
    spread = np.log(CYCLE_OVER_PEAK.size * CYCLE_OVER_MODE.size)
    return float(special.logsumexp(np.array(cycle)) - spread - special.logsumexp(np.array(alone)))
