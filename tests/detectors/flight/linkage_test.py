"""Planted gaps are read back within the stated error; none, dead zones and still surfaces are not play."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from tests.builders import held_flight, with_channels
from tests.detectors.planted import flight_with
from trimkeep.detectors.flight.linkage import SPEC, observe
from trimkeep.detectors.model import Channel, Detector, Flight, NotMeasured, Observation, Reason
from trimkeep.detectors.run import run_one

FINE_HZ = 200.0
GUST_MEMORY_S, DEMAND_MEMORY_S = 0.7, 4.0
PERIOD_RADPS, DAMPING, RATE_PER_COMMAND = 6.0, 0.6, 150.0


@functools.cache
def looped(kind: str, gap: float, gust: float, seed: int, seconds: float = 240.0) -> np.ndarray:
    """Command and pitch rate of a short period in gusts under a rate loop at 50 Hz, shape (2, n) at FINE_HZ.

    A linear aeroplane written for this test alone; `kind` says what stands between servo and surface.
    """
    white = np.random.default_rng(seed).standard_normal((2, int(seconds * FINE_HZ)))
    step = 1.0 / FINE_HZ
    pushes = (gust * np.sqrt(2.0 * step / GUST_MEMORY_S) * white[0]).tolist()
    wishes = (3.0 * np.sqrt(2.0 * step / DEMAND_MEMORY_S) * white[1]).tolist()
    command = servo = surface = rate = growth = pitch = push = wish = carried = 0.0
    commands, rates = [], []
    for k, (pushed, wished) in enumerate(zip(pushes, wishes, strict=True)):
        push += pushed - push * step / GUST_MEMORY_S
        wish += wished - wish * step / DEMAND_MEMORY_S
        if k % 4 == 0:
            lacking = 2.0 * (wish - pitch) - rate
            carried = min(max(carried + 8e-5 * lacking, -0.5), 0.5)
            command = min(max(0.012 * lacking + carried + 0.015, -1.0), 1.0)
        servo += (command - servo) * step / 0.05
        if kind == "gap":
            surface = min(max(surface, servo - gap), servo + gap)
        elif kind == "dead_zone":
            surface = servo - min(max(servo, -gap), gap)
        pull = PERIOD_RADPS**2 * (RATE_PER_COMMAND * surface - rate) - 2.0 * DAMPING * PERIOD_RADPS * growth
        growth += (pull + 4.0 * PERIOD_RADPS * push) * step
        rate += growth * step
        pitch += rate * step
        commands.append(command)
        rates.append(rate)
    return np.array([commands, rates])


def logged(kind: str, gap: float, rate_hz: float, gust: float = 3.0, seed: int = 1) -> Flight:
    command, rate = looped(kind, gap, gust, seed)[:, :: round(FINE_HZ / rate_hz)]
    noise = 0.2 * np.random.default_rng(seed + 1000).standard_normal(rate.size)
    return held_flight({"elevator_cmd": command, "pitch_rate_dps": rate + noise}, rate_hz, "mission")


def said(flight: Flight) -> dict[str, Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {one.metric: one for one in found}


def close_enough(found: float, gap: float) -> bool:
    """A fifth of the gap, or 1 % of travel: what a mechanic needs to choose between leaving and mending."""
    return abs(found - gap) <= max(0.2 * gap, 0.01)


@pytest.mark.parametrize("rate_hz", [20.0, 25.0, 50.0])
@pytest.mark.parametrize("gust", [0.5, 3.0])
@pytest.mark.parametrize("gap", [0.02, 0.05, 0.12])
def test_a_gap_is_read_back_in_gusts_and_closed_loop(gap: float, gust: float, rate_hz: float) -> None:
    one = said(logged("gap", gap, rate_hz, gust))["elevator_play_fraction"]
    assert one.standard_error is not None
    assert close_enough(one.value, gap)
    # Three standard errors: 18 cases, each let through 99.7 % of the time.
    assert abs(one.value - gap) < 3.0 * one.standard_error
    assert one.seconds > 200.0


@pytest.mark.parametrize("earlier", [0, 2, 4, 6])
@pytest.mark.parametrize("gap", [0.0, 0.05])
def test_command_and_rate_need_not_be_logged_at_the_same_instants(gap: float, earlier: int) -> None:
    """25 Hz each, the command so many 200ths of a second before the rate; stamps in whole milliseconds."""
    command, rate = looped("gap", gap, 0.5, 2)
    time_s = np.round(np.arange(command.size) / FINE_HZ + 0.0004, 3)
    flight = held_flight({"elevator_cmd": command[8::8], "pitch_rate_dps": rate[8::8]}, 25.0, "mission")
    rows = np.arange(8 - earlier, command.size, 8)
    late = {"elevator_cmd": Channel(time_s[rows], command[rows])}
    late["pitch_rate_dps"] = Channel(time_s[8::8], rate[8::8])
    one = said(with_channels(flight, **late))["elevator_play_fraction"]
    assert abs(one.value - gap) < 0.01


@pytest.mark.parametrize("rate_hz", [25.0, 50.0])
@pytest.mark.parametrize("gust", [0.5, 3.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tight_linkage_has_no_play(gust: float, rate_hz: float, seed: int) -> None:
    one = said(logged("gap", 0.0, rate_hz, gust, seed))["elevator_play_fraction"]
    assert one.value == 0.0
    # None was seen; what may have been missed is within what the detector says it cannot tell.
    assert one.standard_error is not None and one.standard_error < 0.01


@pytest.mark.parametrize("rate_hz", [25.0, 50.0])
@pytest.mark.parametrize("gap", [0.05, 0.10])
def test_a_dead_zone_of_equal_width_is_not_play(gap: float, rate_hz: float) -> None:
    for gust in (0.5, 3.0):
        one = said(logged("dead_zone", gap, rate_hz, gust))["elevator_play_fraction"]
        assert one.value < 0.2 * gap


def test_a_slow_servo_is_told_apart_from_play() -> None:
    found = said(logged("gap", 0.05, 50.0, 0.5))
    # The log's own sampling adds up to half a step of 20 ms to the servo's 50 ms or takes it off.
    assert found["elevator_servo_lag_s"].value == pytest.approx(0.05, abs=0.02)


def test_a_surface_that_never_moves_is_not_measured() -> None:
    found = observe(logged("torn_off", 0.0, 25.0))
    assert isinstance(found, NotMeasured) and found.reason is Reason.NO_EXCITATION


def test_a_gap_that_is_never_crossed_is_not_measured() -> None:
    rng = np.random.default_rng(5)
    rate = np.convolve(rng.standard_normal(6000), np.ones(8) / 8, mode="same")
    command = 0.02 * np.sin(np.arange(6000) / 40.0)
    found = observe(held_flight({"elevator_cmd": command, "pitch_rate_dps": rate}, 25.0))
    assert isinstance(found, NotMeasured) and found.reason is Reason.NO_EXCITATION


def test_telemetry_is_too_slow() -> None:
    run = run_one(logged("gap", 0.05, 10.0), Detector(SPEC, observe))
    assert run.reason == Reason.RATE_TOO_LOW
    slow = logged("gap", 0.05, 50.0)
    rate = slow.channel("pitch_rate_dps")
    mixed = with_channels(slow, pitch_rate_dps=Channel(rate.time_s[::10], rate.value[::10]))
    found = observe(mixed)
    assert isinstance(found, NotMeasured) and found.reason is Reason.RATE_TOO_LOW


def test_gaps_in_the_log_cost_only_what_they_hide() -> None:
    whole = logged("gap", 0.05, 50.0)
    holed = {}
    for name in ("elevator_cmd", "pitch_rate_dps"):
        channel = whole.channel(name)
        kept = (channel.time_s % 50.0) > 3.0
        holed[name] = Channel(channel.time_s[kept], channel.value[kept])
    one = said(with_channels(whole, **holed))["elevator_play_fraction"]
    assert close_enough(one.value, 0.05)
    assert one.seconds < 220.0 and len(one.windows) > 3


@pytest.mark.parametrize(
    ("fault", "metric", "size"),
    [("elevator_play", "elevator_play_fraction", 0.08), ("aileron_play", "aileron_play_fraction", 0.08)],
)
@pytest.mark.parametrize("rate_hz", [25.0, 50.0])
def test_a_flown_aeroplane_with_play(fault: str, metric: str, size: float, rate_hz: float) -> None:
    """Flown by a flight-dynamics library with its own loop, servo and airspeed; 0.003 of play is in all."""
    found = said(flight_with(fault, size, rate_hz=rate_hz))
    assert close_enough(found[metric].value, size + 0.003)
    for name in ("elevator_play_fraction", "aileron_play_fraction"):
        if name != metric:
            assert found[name].value < 0.02


def test_a_well_kept_aeroplane_has_no_play_worth_the_name() -> None:
    found = said(flight_with(gust_mps=1.2))
    for name in ("elevator_play_fraction", "aileron_play_fraction"):
        assert found[name].value == 0.0  # 0.003 is in both: not worth the name
