"""Full turns are taken care of."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimkeep.detectors.numerics.circular import covered_deg, direction_deg, unwrap, wrap_180


@given(st.floats(-1e4, 1e4))
def test_wrapping_keeps_the_direction(angle: float) -> None:
    wrapped = wrap_180(angle)
    assert -180.0 <= wrapped <= 180.0
    assert np.cos(np.radians(wrapped)) == pytest.approx(np.cos(np.radians(angle)), abs=1e-9)


def test_unwrapping_follows_turns_and_steps_over_holes() -> None:
    turned = np.arange(0.0, 2000.0, 37.0)
    folded = turned % 360.0
    folded[5] = np.nan
    found = unwrap(folded)
    assert np.isnan(found[5])
    assert np.delete(found, 5) == pytest.approx(np.delete(turned, 5))


@given(
    st.lists(st.floats(-1e3, 1e3) | st.sampled_from([0.0, 90.0, 180.0, 360.0, -180.0, np.nan]), max_size=60)
)
def test_unwrapping_gives_the_bits_of_the_plain_way(angles: list[float]) -> None:
    angle = np.array(angles, dtype=np.float64)
    known = np.isfinite(angle)
    plain = np.full(angle.shape, np.nan)
    plain[known] = np.unwrap(angle[known], period=360.0)
    assert np.array_equal(unwrap(angle), plain, equal_nan=True)


def test_directions_and_coverage() -> None:
    assert [direction_deg(*pair) for pair in ((1, 0), (0, 1), (-1, 0), (0, -1))] == [0.0, 90.0, 180.0, 270.0]
    assert covered_deg(np.arange(0.0, 360.0, 5.0)) == 360.0
    assert covered_deg(np.full(100, 42.0)) == 10.0
