"""Scales, gaps in the conditions, weights."""

from __future__ import annotations

import numpy as np
import pytest

from tests.detectors.history.builders import history
from trimkeep.detectors.history.preparation import (
    CONDITION_NAMES,
    filled_conditions,
    flight_weights,
    prepare,
    transform,
    untransform,
)

WIND = CONDITION_NAMES.index("wind_mps")


def test_a_log_metric_comes_back_from_its_scale() -> None:
    values = np.array([0.4, 1.0, 7.0])
    assert untransform(transform(values, "log", 0.5), "log") == pytest.approx(values)


def test_zero_has_a_finite_logarithm_set_by_what_matters() -> None:
    assert transform(np.array([0.0]), "log", 2.0)[0] == pytest.approx(np.log(0.1))


def test_the_standard_error_follows_to_the_log_scale() -> None:
    ready = prepare(history([2.0, 4.0], scale="log", errors=[0.2, 0.2]))
    assert ready.error == pytest.approx([0.1, 0.05])


def test_missing_conditions_are_nan_and_known_ones_in_their_column() -> None:
    ready = prepare(history([1.0, 2.0], wind=[3.0, 5.0]))
    assert ready.conditions[:, WIND] == pytest.approx([3.0, 5.0])
    assert np.isnan(np.delete(ready.conditions, WIND, axis=1)).all()


def test_a_gap_takes_the_series_median_and_is_marked() -> None:
    table = np.array([[4.0], [6.0], [np.nan], [8.0]])
    filled, known = filled_conditions(table, np.array([6.0]), np.array([2.0]), ())
    assert filled[:, 0] == pytest.approx([-1.0, 0.0, 0.0, 1.0])
    assert known[:, 0].tolist() == [1.0, 1.0, 0.0, 1.0]


def test_a_condition_measured_on_one_side_only_is_left_out() -> None:
    table = np.array([[4.0], [6.0], [np.nan], [np.nan]])
    late = np.array([False, False, True, True])
    filled, known = filled_conditions(table, np.array([5.0]), np.array([1.0]), (~late, late))
    assert not filled.any() and known.all()


def test_a_badly_measured_flight_counts_less_and_the_usual_ones_fully() -> None:
    weight = flight_weights(np.array([0.1, 0.1, 0.1, 1.0]), 1.0, np.ones((4, 1)), np.array([0.5]))
    assert weight[:3] == pytest.approx(1.0)
    assert weight[3] == pytest.approx(1.0 / (1.0 + 1.0 - 0.01))


def test_an_unmeasured_condition_costs_what_it_may_have_done() -> None:
    known = np.array([[1.0], [0.0]])
    weight = flight_weights(np.full(2, np.nan), 1.0, known, np.array([1.0]))
    assert weight.tolist() == [1.0, 0.5]
