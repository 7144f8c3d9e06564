"""Planted trim and a planted clamp are read back; an integrator that only works hard is not pinned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.builders import CARD, held_flight
from tests.detectors.planted import flown_with, recorded
from trimkeep.detectors.flight.trim import SPEC, observe, pinned_at_limit
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Channel, Flight, NotMeasured, Observation

RATES_HZ = (3.0, 10.0, 50.0)


def said(flight: Flight) -> dict[tuple[str, str], Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {(one.metric, one.context): one for one in found}


def integrator(need: float, limit: float, rate_hz: float, seed: int, seconds: float = 240.0) -> np.ndarray:
    """An integrator that follows what level flight needs, gusts on top, clamped; as a float32 log has it."""
    fine = 50.0
    white = np.random.default_rng(seed).standard_normal(int(seconds * fine))
    white[0] = 0.0
    # A first-order gust of 3 s, 4 % of the surface.
    shove = lfilter([0.04 * np.sqrt(2 / (3 * fine))], [1.0, 1 / (3 * fine) - 1], white)
    wanted = np.clip(need + shove, -limit, limit)
    keep = np.floor(np.arange(int(seconds * rate_hz)) * fine / rate_hz).astype(int)
    return wanted[keep].astype(np.float32).astype(np.float64)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("need", [-0.3, -0.1, 0.0, 0.12])
def test_the_trim_is_read_back_within_its_error(rate_hz: float, need: float) -> None:
    outside = 0
    for seed in range(20):
        command = integrator(need, 1.0, rate_hz, seed)
        one = said(held_flight({"elevator_cmd": command}, rate_hz))["elevator_trim", "held_level"]
        assert one.standard_error is not None
        assert abs(one.value - need) < 0.02
        outside += abs(one.value - need) > 2 * one.standard_error
    # 5 % are expected outside two standard errors; five or more of 20 have a chance of 0.3 %.
    assert outside < 5


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_clamped_integrator_is_found(rate_hz: float, sign: float) -> None:
    level = SPEC.metric("pitch_integrator_pinned_share").attention
    assert level is not None
    for seed in range(10):
        values = {"pitch_integrator": sign * integrator(0.30, 0.25, rate_hz, seed)}
        one = said(held_flight(values, rate_hz))["pitch_integrator_pinned_share", "held_level"]
        assert one.value > level


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_free_integrator_is_not_pinned(rate_hz: float) -> None:
    for seed in range(20):
        for need in (0.0, 0.1, 0.2):
            values = {"pitch_integrator": integrator(need, 1.0, rate_hz, seed)}
            one = said(held_flight(values, rate_hz))["pitch_integrator_pinned_share", "held_level"]
            # Standing within a thousandth of its highest value for 1.5 s happens by chance once in a while.
            assert one.value < 0.03


def test_an_integrator_at_rest_is_not_pinned() -> None:
    values = {"pitch_integrator": np.full(1000, 0.01), "roll_integrator": np.zeros(1000)}
    found = said(held_flight(values, 10.0))
    assert found["pitch_integrator_pinned_share", "held_level"].value == 0.0
    assert found["roll_integrator_pinned_share", "held_level"].value == 0.0


def test_the_pilots_trim_stands_apart_and_has_no_integrator() -> None:
    values = {"elevator_cmd": np.full(2000, 0.1), "pitch_integrator": np.full(2000, 0.2)}
    assert set(said(held_flight(values, 10.0, mode="manual"))) == {("elevator_trim", "pilot_level")}


def test_turning_flight_says_nothing_of_trim() -> None:
    found = observe(held_flight({"elevator_cmd": np.zeros(2000)}, 10.0, phase="turn"))
    assert isinstance(found, NotMeasured)


def test_a_gap_in_the_log_is_neither_free_nor_pinned() -> None:
    assert np.isnan(pinned_at_limit(np.array([0.2, np.nan, 0.2]), 1)).tolist() == [False, True, False]
    assert np.isnan(pinned_at_limit(np.full(3, np.nan), 1)).all()


def flown_out_of_trim(size: float, seed: int) -> dict[tuple[str, str], Observation]:
    """A flight by the flight-dynamics library, which is another party's physics."""
    flown = flown_with("elevator_trim" if size else "", size, seed)
    log = recorded(flown)
    integrator = {"pitch_integrator": Channel(flown.t_s, flown.signals["pitch_int"])}
    [flight] = split(replace(log, channels={**log.channels, **integrator}), CARD)
    return said(flight)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_flown_aeroplane_out_of_trim(seed: int) -> None:
    level = SPEC.metric("pitch_integrator_pinned_share").attention
    assert level is not None
    sound, out = flown_out_of_trim(0.0, seed), flown_out_of_trim(0.30, seed)
    # Level flight of a sound one needs a few hundredths, by airspeed and balance.
    assert abs(sound["elevator_trim", "held_level"].value) < 0.05
    assert out["elevator_trim", "held_level"].value == pytest.approx(0.30, abs=0.05)
    assert sound["pitch_integrator_pinned_share", "held_level"].value < 0.05
    assert out["pitch_integrator_pinned_share", "held_level"].value > level


def _gusty(seed: int, count: int = 1200) -> np.ndarray:
    """A value that wanders about nothing, a second's memory on a 5 Hz grid."""
    noise = np.random.default_rng(seed).standard_normal(count)
    noise[0] = 0.0
    return lfilter([0.6], [1.0, -0.8], noise)


def test_brief_visits_to_a_clamp_count_for_as_long_as_they_last() -> None:
    needed = 0.24 + 0.02 * _gusty(3)
    clamped = np.minimum(needed, 0.25).astype(np.float32).astype(np.float64)
    # What stands at the clamp, to the sample.
    assert pinned_at_limit(clamped, 7.5).mean() == pytest.approx((needed >= 0.25).mean(), abs=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_the_top_of_a_free_or_of_a_coarsely_logged_integrator_is_no_clamp(seed: int) -> None:
    free = 0.15 + 0.02 * _gusty(seed)
    assert pinned_at_limit(free, 7.5).max() == 0.0
    coarse = np.round(0.1 + 0.004 * _gusty(seed), 2)
    assert pinned_at_limit(coarse, 20.0).max() == 0.0
