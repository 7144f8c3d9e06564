"""Pooling against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from trimkeep.detectors.history.pooling import crossed_effects, hartung_knapp, leave_one_out, pool

# BCG vaccine, 13 trials: Colditz et al., JAMA 271 (1994) 698-702; counts as in R's metadat dat.bcg
# (cases, total; cases, total). Results: R metafor as quoted in several public test suites.
BCG = np.array(
    [
        (4, 123, 11, 139), (6, 306, 29, 303), (3, 231, 11, 220), (62, 13598, 248, 12867),
        (33, 5069, 47, 5808), (180, 1541, 372, 1451), (8, 2545, 10, 629), (505, 88391, 499, 88391),
        (29, 7499, 45, 7277), (17, 1716, 65, 1665), (186, 50634, 141, 27338), (5, 2498, 3, 2341),
        (27, 16913, 29, 17854),
    ],
    dtype=float,
)  # fmt: skip
A, N1, C, N2 = BCG.T
LOG_RISK_RATIO = np.log(A / N1) - np.log(C / N2)
VARIANCE = 1 / A - 1 / N1 + 1 / C - 1 / N2


def test_bcg_dersimonian_laird() -> None:
    result = pool(LOG_RISK_RATIO, VARIANCE, "dl")
    assert result.estimate == pytest.approx(-0.714117, abs=5e-7)
    assert result.spread_square == pytest.approx(0.3087603, abs=5e-7)
    assert 100 * result.i_square == pytest.approx(92.117, abs=5e-4)
    assert result.q == pytest.approx(152.2330, abs=5e-5)
    assert result.standard_error == pytest.approx(0.1787421, abs=5e-7)


def test_bcg_other_estimators() -> None:
    reml = pool(LOG_RISK_RATIO, VARIANCE, "reml")
    assert reml.spread_square == pytest.approx(0.3132433, abs=5e-7)
    assert reml.estimate == pytest.approx(-0.7145323, abs=5e-7)
    assert reml.standard_error == pytest.approx(0.1797815, abs=5e-7)
    assert pool(LOG_RISK_RATIO, VARIANCE, "pm").spread_square == pytest.approx(0.3180685, abs=5e-7)
    common = pool(LOG_RISK_RATIO, VARIANCE, "common")
    assert common.estimate == pytest.approx(-0.4302852, abs=5e-7)
    assert common.standard_error == pytest.approx(0.0404988, abs=5e-7)
    dl = pool(LOG_RISK_RATIO, VARIANCE, "dl")
    assert hartung_knapp(LOG_RISK_RATIO, VARIANCE, dl.spread_square) == pytest.approx(0.1806966, abs=5e-7)


def test_kacker_paule_mandel() -> None:
    """Kacker (2004), as shipped in statsmodels/stats/tests/results/results_meta.py."""
    y = np.array([61.0, 61.4, 62.21, 62.3, 62.34, 62.6, 62.7, 62.84, 65.9])
    v = np.array([0.2025, 1.21, 0.09, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225])
    result = pool(y, v, "pm")
    assert result.spread_square == pytest.approx(0.705395309224248, abs=1e-6)
    assert result.estimate == pytest.approx(62.4076199113286, abs=1e-6)
    assert result.standard_error == pytest.approx(0.338030602684471, abs=1e-6)
    assert result.q == pytest.approx(24.801897741835, abs=1e-6)


def test_a_wide_prior_gives_what_maximum_likelihood_gives() -> None:
    wide = crossed_effects(LOG_RISK_RATIO, VARIANCE, np.ones((13, 1)), 5.0)
    reml = pool(LOG_RISK_RATIO, VARIANCE, "reml")
    # a posterior mean of a skewed spread lies above the maximum: the estimate moves by a few hundredths
    assert wide.estimate[0] == pytest.approx(reml.estimate, abs=0.02)
    assert reml.standard_error < wide.error[0] < 1.25 * reml.standard_error


def test_leave_one_out_agrees_with_leaving_it_out() -> None:
    distance, others = leave_one_out(LOG_RISK_RATIO, VARIANCE, 1.0)
    rest = crossed_effects(LOG_RISK_RATIO[1:], VARIANCE[1:], np.ones((12, 1)), 1.0)
    assert others[0] == rest.estimate[0]
    assert np.abs(distance).max() < 2.8  # none of the thirteen trials is set apart from the others


def test_one_airframe_alone_has_no_spread() -> None:
    result = pool(np.array([1.0]), np.array([0.25]), "dl")
    assert (result.spread_square, result.standard_error) == (0.0, 0.5)
    assert np.isnan(leave_one_out(np.array([1.0]), np.array([0.25]), 0.3)[0][0])
