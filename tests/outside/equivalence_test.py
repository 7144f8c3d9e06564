""" "No worse" is a claim of its own: the equivalence test of a published summary, read as a verdict.

Lakens, Soc. Psychol. Personal. Sci. 8 (2017) 355-362, example 1: means 5.25 and 5.22, deviations 0.95
and 0.83, 95 and 89 persons, bounds of 0.43 pooled deviations: t(182) = -2.69, p = 0.004, equivalent.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trimkeep.detectors.history.known_changes import verdict_of
from trimkeep.detectors.history.model import Effect, Verdict


def summary(n1: int, n2: int) -> tuple[float, float, float]:
    """Difference, standard error (pooled) and half of the 90 % interval."""
    pooled = np.sqrt(((n1 - 1) * 0.95**2 + (n2 - 1) * 0.83**2) / (n1 + n2 - 2))
    error = float(pooled * np.sqrt(1 / n1 + 1 / n2))
    return 5.25 - 5.22, error, float(stats.t.ppf(0.95, n1 + n2 - 2)) * error


def effect(n1: int, n2: int) -> Effect:
    difference, _, half = summary(n1, n2)
    return Effect(None, difference, difference - half, difference + half, "", 5.22, 5.25)


def test_the_published_numbers() -> None:
    difference, error, half = summary(95, 89)
    bound = 0.43 * 0.893992
    assert (difference - bound) / error == pytest.approx(-2.69, abs=0.005)
    assert stats.t.cdf((difference - bound) / error, 182) == pytest.approx(0.004, abs=5e-4)
    assert (difference - half, difference + half) == pytest.approx((-0.18804, 0.24804), abs=5e-6)


def test_equivalent_with_ninety_each_undecided_with_ten() -> None:
    assert verdict_of(effect(95, 89), "lower", 0.384) is Verdict.NO_MATERIAL_CHANGE
    assert verdict_of(effect(10, 10), "lower", 0.384) is Verdict.TOO_EARLY
