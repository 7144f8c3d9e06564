"""Resampling keeps means, never crosses a gap, and never folds noise back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.builders import recording_of
from trimkeep.detectors.model import Channel
from trimkeep.detectors.numerics.resample import even_grid, held, held_runs, on_grid, running_mean, sampled
from trimkeep.detectors.numerics.runs import filled, hysteresis, runs, without_short


def test_fast_channels_are_averaged() -> None:
    rng = np.random.default_rng(1)
    time_s = np.arange(0.0, 100.0, 0.02)
    noise = Channel(time_s, 5.0 + rng.standard_normal(time_s.size))
    found = on_grid(noise, even_grid(0.0, 99.9, 0.2), 2.0)
    # Ten samples a step: a third of the scatter, which points would keep whole.
    assert found.std() == pytest.approx(1.0 / np.sqrt(10.0), rel=0.1)
    assert on_grid(noise, even_grid(0.0, 99.9, 0.2), 2.0, average=False).std() > 0.9


@pytest.mark.parametrize("rate_hz", [2.5, 5.0, 7.3, 50.0])
def test_a_ramp_stays_a_ramp(rate_hz: float) -> None:
    time_s = np.arange(0.0, 60.0, 1.0 / rate_hz)
    grid_s = even_grid(1.0, 58.0, 0.2)
    found = on_grid(Channel(time_s, 1e6 + 3.0 * time_s), grid_s, 2.0)
    # A height of a million metres leaves ten digits; means of many samples may be half a sample late.
    slack = 3.0 * 0.51 / rate_hz if rate_hz > 20.0 else 1e-6
    assert found - 1e6 == pytest.approx(3.0 * grid_s, abs=slack, rel=0.0)


def test_gaps_and_ends_are_unknown() -> None:
    time_s = np.concatenate((np.arange(0.0, 10.0, 0.1), np.arange(20.0, 30.0, 0.1)))
    found = on_grid(Channel(time_s, time_s), even_grid(-2.0, 32.0, 0.5), 2.0)
    grid_s = even_grid(-2.0, 32.0, 0.5)
    known = np.isfinite(found)
    assert not known[(grid_s > 10.0) & (grid_s < 20.0)].any()
    assert not known[(grid_s < -0.3) | (grid_s > 30.2)].any()
    assert known[(grid_s >= 0.0) & (grid_s <= 9.5)].all()
    assert np.abs(found[known] - grid_s[known]).max() < 0.2


def test_codes_are_held_and_angles_do_not_jump() -> None:
    time_s = np.arange(0.0, 10.0, 1.0)
    log = recording_of(
        {
            "armed": (time_s, np.r_[0, 0, 1, 1, 1, 1, 1, 1, 0, 0.0]),
            "course_deg": (time_s, (350 + 4 * time_s) % 360),
        }
    )
    grid_s = even_grid(0.0, 9.0, 0.5)
    assert set(sampled(log, "armed", grid_s)) == {0.0, 1.0}
    assert sampled(log, "course_deg", grid_s) == pytest.approx(350.0 + 4.0 * grid_s)
    assert np.isnan(sampled(log, "pitch_deg", grid_s)).all()
    assert np.isnan(held(Channel(time_s + 3.0, time_s), grid_s)[:6]).all()


@given(st.lists(st.booleans(), max_size=60), st.integers(1, 6))
def test_short_runs_and_holes(flags: list[bool], length: int) -> None:
    flag = np.array(flags, dtype=bool)
    first, last = runs(without_short(flag, length))
    assert np.all(last - first >= length)
    assert not np.any(without_short(flag, length) & ~flag)
    assert np.all(filled(flag, length)[flag])
    first, last = runs(filled(flag, length))
    assert np.all(first[1:] - last[:-1] > length)


def test_hysteresis_remembers() -> None:
    value = np.array([0.0, 2.0, 1.5, np.nan, 0.5, 1.5])
    assert hysteresis(value, 2.0, 1.0).tolist() == [False, True, True, True, False, False]


def test_running_mean_is_the_plain_one() -> None:
    value = np.random.default_rng(2).standard_normal(200)
    value[50:60] = np.nan
    plain = np.array(
        [np.nanmean(value[max(i - 3, 0) : i + 4]) if i not in range(53, 57) else np.nan for i in range(200)]
    )
    assert running_mean(value, 7) == pytest.approx(plain, nan_ok=True)


@given(st.integers(0, 2**32 - 1), st.integers(0, 40), st.integers(0, 40))
def test_runs_of_a_held_code_are_those_of_its_samples(seed: int, said: int, asked: int) -> None:
    rng = np.random.default_rng(seed)
    # Halves, so that samples repeat a time and fall on the times asked for.
    time_s = np.sort(rng.integers(0, 40, said) / 2.0)
    channel = Channel(time_s, rng.choice([0.0, 1.0, -1.0, np.nan], said))
    at_s = np.sort(rng.integers(-4, 60, asked) / 2.0)
    for code in (1.0, -1.0):
        plain = runs(held(channel, at_s) == code)
        assert held_runs(channel, code, at_s) == list(zip(*(one.tolist() for one in plain), strict=True))
