"""Moves of a target are found near its changes only, and are those that a look at every sample finds."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from trimkeep.detectors.model import Channel, Window
from trimkeep.detectors.numerics.undisturbed import ALTITUDE_SETTLE_S, MOVED_M, MOVED_WITHIN_S, moves_of


def _plainly(target: Channel) -> list[Window]:
    before = np.interp(target.time_s - MOVED_WITHIN_S, target.time_s, target.value)
    found: list[tuple[int, int]] = []
    for place in np.flatnonzero(np.abs(target.value - before) > MOVED_M).tolist():
        if found and found[-1][1] == place - 1:
            found[-1] = (found[-1][0], place)
        else:
            found.append((place, place))
    time_s = target.time_s
    return [
        (
            float(time_s[max(first - 1, 0)]),
            float(max(time_s[last] - MOVED_WITHIN_S, time_s[first]) + ALTITUDE_SETTLE_S),
        )
        for first, last in found
    ]


@given(
    st.lists(st.sampled_from([0.0, 0.0, 0.0, 0.0, 0.3, -0.6, 5.0]), min_size=2, max_size=120),
    st.sampled_from([0.1, 0.5, 1.0, 2.5]),
    st.integers(0, 2**32 - 1),
)
def test_moves_are_those_of_every_sample(steps: list[float], step_s: float, seed: int) -> None:
    jitter = np.random.default_rng(seed).uniform(0.5, 1.5, len(steps))
    target = Channel(np.cumsum(step_s * jitter), np.cumsum(steps))
    assert moves_of(target) == _plainly(target)


def test_a_target_that_never_moves_disturbs_nothing() -> None:
    assert moves_of(Channel(np.arange(100.0), np.full(100, 80.0))) == []
