"""Whether two quantities agree: by size, sign and direction."""

from __future__ import annotations

import numpy as np
import pytest

from trimkeep.detectors.numerics.agreement import (
    FEWEST,
    Agreement,
    correlation,
    moves_alike,
    percentiles,
    same_direction,
    same_size,
    same_spread,
    within,
)

TIME = np.arange(400.0)
WAVE = np.sin(TIME / 5.0)
OTHER = np.cos(TIME / 7.3)


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (WAVE, Agreement.AGREES),
        (-WAVE, Agreement.DIFFERS),
        (57.3 * WAVE, Agreement.DIFFERS),
        (OTHER, Agreement.UNKNOWN),
        (np.zeros(400), Agreement.UNKNOWN),
        (np.full(400, np.nan), Agreement.UNKNOWN),
    ],
)
def test_movement(found: np.ndarray, said: Agreement) -> None:
    assert moves_alike(WAVE, found).said is said


def test_what_is_found_elsewhere_is_silent_here() -> None:
    assert moves_alike(WAVE, OTHER, (-3.0 * WAVE,)).said is Agreement.SILENT
    assert moves_alike(WAVE, OTHER, (OTHER + 0.1,)).said is Agreement.UNKNOWN


def test_one_that_goes_along_does_not_hide_the_one_that_is_meant() -> None:
    along = WAVE + 0.8 * OTHER
    assert moves_alike(WAVE, along).said is Agreement.AGREES
    assert moves_alike(WAVE, along, (WAVE + 0.02 * OTHER,)).said is Agreement.SILENT


def test_correlation_is_the_plain_one_where_nothing_sticks_out() -> None:
    tied, ratio, count = correlation(WAVE, 2.0 * WAVE + 0.5 * OTHER)
    assert tied == pytest.approx(np.corrcoef(WAVE, 2.0 * WAVE + 0.5 * OTHER)[0, 1], abs=0.01)
    assert ratio == pytest.approx(np.std(WAVE) / np.std(2.0 * WAVE + 0.5 * OTHER), rel=0.02)
    assert count == 400


def test_one_wild_value_does_not_decide() -> None:
    spoilt = WAVE.copy()
    spoilt[17] = 1e9
    assert correlation(WAVE, spoilt)[0] > 0.95


def test_too_few_samples_have_no_answer() -> None:
    few = np.where(TIME < FEWEST - 1, WAVE, np.nan)
    assert moves_alike(few, few).said is Agreement.UNKNOWN
    assert same_size(few + 2.0, few + 2.0, (0.5, 2.0)).said is Agreement.UNKNOWN
    assert same_direction(few, few).said is Agreement.UNKNOWN
    assert within(few, -2.0, 2.0).said is Agreement.UNKNOWN


def test_levels() -> None:
    level = 20.0 + WAVE
    assert same_size(level, level * 1.1, (0.75, 1.33)).said is Agreement.AGREES
    assert same_size(level, level * 1.94, (0.75, 1.33)).said is Agreement.DIFFERS
    assert same_size(level, 0.0 * level, (0.75, 1.33)).said is Agreement.UNKNOWN


def test_a_level_that_wanders_says_nothing_where_steadiness_is_asked() -> None:
    wandering = np.linspace(1.0, 9.0, 400)
    level = np.full(400, 20.0)
    assert same_size(level, wandering, (0.5, 2.0)).said is Agreement.DIFFERS
    assert same_size(level, wandering, (0.5, 2.0), steady=0.15).said is Agreement.UNKNOWN


def test_spreads_need_no_common_movement() -> None:
    assert same_spread(WAVE, 3.0 * OTHER, (0.1, 10.0)).said is Agreement.AGREES
    assert same_spread(WAVE, 57.3 * OTHER, (0.1, 10.0)).said is Agreement.DIFFERS
    assert same_spread(WAVE, np.ones(400), (0.1, 10.0)).said is Agreement.UNKNOWN


def test_directions_across_north() -> None:
    nose = (358.0 + 6.0 * WAVE) % 360.0
    assert same_direction(nose, (nose + 10.0) % 360.0).said is Agreement.AGREES
    assert same_direction(nose, (nose + 180.0) % 360.0).said is Agreement.DIFFERS
    assert same_direction(nose, np.linspace(0.0, 3000.0, 400)).said is Agreement.UNKNOWN


def test_a_range_bears_a_few_glitches() -> None:
    glitch = np.where(TIME == 5.0, 1e6, WAVE)
    assert within(glitch, -1.5, 1.5).said is Agreement.AGREES
    assert within(100.0 * WAVE, -1.5, 1.5).said is Agreement.DIFFERS


@pytest.mark.parametrize("size", [1, 2, 3, 50, 51, 101, 960])
def test_percentiles_are_those_of_numpy_to_the_last_bit(size: int) -> None:
    rng = np.random.default_rng(size)
    for value in (rng.normal(0.0, 30.0, size), np.round(rng.normal(1e5, 3.0, size)), np.full(size, -0.1)):
        percents = (0.0, 1.0, 2.0, 37.3, 50.0, 98.0, 99.0, 100.0)
        assert percentiles(value, percents) == np.percentile(value, percents).tolist()


def test_a_rival_known_at_other_samples_is_compared_where_it_is_known() -> None:
    """What is expected goes with the rival only where the other one has no sample."""
    expected = np.where(TIME < 200.0, np.sin(TIME / 3.1), WAVE)
    found, rival = np.where(TIME < 200.0, OTHER, np.nan), np.where(TIME < 200.0, np.nan, WAVE)
    assert moves_alike(expected, found).said is Agreement.UNKNOWN
    assert moves_alike(expected, found, (rival,)).said is Agreement.SILENT
