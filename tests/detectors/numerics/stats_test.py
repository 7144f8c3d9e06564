"""The quick sum of autocovariances is the plain one, piece by piece."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.stats import effective_samples


def _plainly(pieces: list[FloatArray]) -> float:
    """The definition: products of neighbours, lag by lag, until a pair of lags no longer adds."""
    count, level = sum(one.size for one in pieces), float(np.concatenate(pieces).mean())
    lags = max(max(one.size for one in pieces) // 3, 1)
    pooled = [
        sum(float((one[: one.size - lag] - level) @ (one[lag:] - level)) for one in pieces if one.size > lag)
        for lag in range(lags + 1)
    ]
    memory = 0.0
    for even, odd in zip(pooled[::2], pooled[1::2], strict=False):
        if even + odd <= 0.0:
            break
        memory += 2.0 * (even + odd) / pooled[0]
    memory -= 1.0
    return float(np.clip(count / memory if memory > 0.0 else count, 1.0, count))


@given(st.lists(st.integers(2, 400), min_size=1, max_size=12), st.integers(0, 2**32 - 1))
def test_pieces_of_any_lengths_count_as_by_the_definition(sizes: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces = [np.cumsum(rng.standard_normal(size)) * 0.3 + rng.standard_normal(size) for size in sizes]
    assert effective_samples(pieces) == pytest.approx(_plainly(pieces), rel=1e-6)


def test_many_short_pieces_beside_a_long_one_are_all_counted() -> None:
    rng = np.random.default_rng(5)
    pieces = [rng.standard_normal(size) for size in (6000, *[9, 10, 11] * 300)]
    assert effective_samples(pieces) == pytest.approx(_plainly(pieces), rel=1e-9)
