"""Loop response: planted loops come out, feedback does not fool it, what cannot be measured says why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from tests.builders import CARD, held_flight, recording_of
from tests.detectors.planted import flown_with, recorded
from trimkeep.detectors.flight.loop_response import SPEC, observe
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Channel, Flight, NotMeasured, Observation, Reason

SECONDS = 240.0
RATE_HZ = 50.0


def turns(rng: np.random.Generator, size_deg: float = 20.0, rate_hz: float = RATE_HZ) -> np.ndarray:
    """Demand that changes every five seconds, as turns and climbs do."""
    each = int(5.0 * rate_hz)
    return np.repeat(rng.choice([-size_deg, 0.0, size_deg], int(SECONDS / 5.0)), each)


def second_order(demand: np.ndarray, w: float, zeta: float, rate_hz: float = RATE_HZ) -> np.ndarray:
    """The demand, joined by straight lines, through a second-order loop of gain 1."""
    system = signal.TransferFunction([w * w], [1.0, 2.0 * zeta * w, w * w])
    _, out, _ = signal.lsim(system, demand, np.arange(demand.size) / rate_hz)
    return out


def by_name(said: list[Observation] | NotMeasured) -> dict[str, Observation]:
    assert not isinstance(said, NotMeasured), said
    return {one.metric: one for one in said}


@pytest.mark.parametrize(("w", "zeta"), [(4.0, 0.6), (5.0, 0.35), (3.0, 0.8)])
def test_a_planted_loop_is_found(w: float, zeta: float) -> None:
    rng = np.random.default_rng(3)
    bank_target = turns(rng)
    bank = second_order(bank_target, w, zeta) + 0.3 * rng.standard_normal(bank_target.size)
    said = by_name(observe(held_flight({"bank_target_deg": bank_target, "bank_deg": bank}, RATE_HZ)))
    # The issue asks for 10 %; the loop is of the family that is fitted.
    assert said["bank_response_damping"].value == pytest.approx(zeta, rel=0.1)
    assert 2.0 * np.pi * said["bank_response_hz"].value == pytest.approx(w, rel=0.1)
    assert said["bank_response_gain"].value == pytest.approx(1.0, abs=0.05)
    assert {one.context for one in said.values()} == {"assisted"}


def test_the_stated_error_covers_the_scatter() -> None:
    z = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        demand = turns(rng, 10.0)
        noise = signal.lfilter([0.02], [1.0, -0.98], rng.standard_normal(demand.size)) * 10.0
        answer = second_order(demand, 4.0, 0.6) + noise
        said = by_name(observe(held_flight({"pitch_target_deg": demand, "pitch_deg": answer}, RATE_HZ)))
        one = said["pitch_bandwidth_hz"]
        z.append((one.value - 0.731) / one.standard_error)
    # Twelve seeds scatter a standard deviation of 1 by about 0.2; the window's own bias adds to it.
    assert 0.3 < np.sqrt(np.mean(np.square(z))) < 2.0


def test_feedback_from_gusts_does_not_fool_the_rate_loop() -> None:
    """A rate demand that is fed back from the attitude."""
    rng = np.random.default_rng(5)
    attitude_target = turns(rng, 15.0)
    gust = signal.lfilter([0.05], [1.0, -0.95], rng.standard_normal(attitude_target.size)) * 400.0
    attitude, rate, rates, demands, share = 0.0, 0.0, [], [], 0.13
    for target, push in zip(attitude_target, gust, strict=True):
        demand = 2.0 * (target - attitude)
        rate += share * (demand - rate) + push / RATE_HZ
        attitude += rate / RATE_HZ
        rates.append(rate)
        demands.append(demand)
    values = {
        "bank_target_deg": attitude_target,
        "roll_rate_target_dps": np.array(demands),
        "roll_rate_dps": np.array(rates),
    }
    said = by_name(observe(held_flight(values, RATE_HZ)))
    one = said["roll_rate_delay_s"]
    hz = np.linspace(0.01, 5.0, 5000)
    _, loop = signal.freqz([share], [1.0, share - 1.0], hz, fs=RATE_HZ)
    bandwidth_hz = hz[np.argmax(np.abs(loop) < np.sqrt(0.5))]
    half = int(np.argmax(hz >= 0.5 * bandwidth_hz))
    delay_s = -np.angle(loop[half]) / (2.0 * np.pi * hz[half])
    # Gusts of the size of the demand leave 8 %.
    assert one.value == pytest.approx(delay_s, abs=2.5 * one.standard_error)
    assert one.standard_error < 0.15 * delay_s


def test_simulated_flights_of_one_aeroplane_agree_and_a_runaway_tune_shows() -> None:
    def measured(kind: str, size: float, seed: int) -> dict[str, Observation]:
        flown = flown_with(kind, size, seed)
        log = recorded(flown)
        extra = {"roll_rate_target_dps": "p_want", "pitch_rate_target_dps": "q_want"}
        channels = {
            **log.channels,
            **{name: Channel(flown.t_s, flown.signals[signal]) for name, signal in extra.items()},
        }
        whole = recording_of({name: (one.time_s, one.value) for name, one in channels.items()})
        [flight] = split(whole, CARD)
        return by_name(observe(flight))

    first, second = measured("", 0.0, 1), measured("", 0.0, 2)
    for metric in ("roll_rate_delay_s", "roll_rate_bandwidth_hz", "pitch_rate_delay_s", "bank_delay_s"):
        assert second[metric].value == pytest.approx(first[metric].value, rel=0.1), metric
    chased = measured("tune_runaway", 2.0, 1)
    # Twice the feed-forward answers twice as much at once.
    assert chased["bank_bandwidth_hz"].value > 1.5 * first["bank_bandwidth_hz"].value


def test_steady_demand_is_no_excitation() -> None:
    rng = np.random.default_rng(1)
    n = int(SECONDS * 10.0)
    values = {"pitch_target_deg": np.full(n, 2.0), "pitch_deg": 2.0 + rng.standard_normal(n)}
    said = observe(held_flight(values, 10.0))
    assert isinstance(said, NotMeasured) and said.reason is Reason.NO_EXCITATION


def test_an_answer_that_does_not_follow_is_no_loop() -> None:
    rng = np.random.default_rng(1)
    demand = turns(rng, rate_hz=10.0)
    values = {"bank_target_deg": demand, "bank_deg": 5.0 * rng.standard_normal(demand.size)}
    said = observe(held_flight(values, 10.0))
    assert isinstance(said, NotMeasured) and said.reason is Reason.NO_EXCITATION
    assert "coherence" in said.detail


def test_pilot_flown_says_that_the_loop_was_not_closed() -> None:
    demand = turns(np.random.default_rng(1), rate_hz=10.0)
    said = observe(held_flight({"bank_target_deg": demand, "bank_deg": demand}, 10.0, mode="manual"))
    assert isinstance(said, NotMeasured) and said.reason is Reason.MODE_ABSENT


def test_a_slow_log_shows_the_attitude_and_not_the_rate() -> None:
    rng = np.random.default_rng(2)
    fast = turns(rng)
    bank, rate = second_order(fast, 4.0, 0.6), second_order(fast, 25.0, 0.6)
    slow = slice(None, None, round(RATE_HZ / 4.0))
    values = {
        "bank_target_deg": fast[slow],
        "bank_deg": bank[slow],
        "roll_rate_target_dps": fast[slow],
        "roll_rate_dps": rate[slow],
    }
    said = by_name(observe(held_flight(values, 50.0 / round(RATE_HZ / 4.0))))
    assert said["bank_bandwidth_hz"].value == pytest.approx(0.731, rel=0.1)
    assert not any(name.startswith("roll_rate") for name in said)


def test_a_demand_logged_faster_than_the_answer_is_no_matter() -> None:
    """As on the open logs: demand at 20 Hz, attitude at 3 Hz. Straight joins blunt both alike."""
    rng = np.random.default_rng(4)
    demand = turns(rng)
    answer = second_order(demand, 3.0, 0.7)
    time_s = np.arange(demand.size) / RATE_HZ
    flight = held_flight({"bank_target_deg": demand, "bank_deg": answer}, RATE_HZ)
    even = np.arange(round(SECONDS * 3.0)) * RATE_HZ / 3.0
    few = np.clip(np.round(even + 3.0 * rng.standard_normal(even.size)), 0, demand.size - 1).astype(int)
    channels = {
        "bank_target_deg": Channel(time_s[::3], demand[::3]),
        "bank_deg": Channel(time_s[few], answer[few]),
    }
    thinned = Flight(
        recording_of({name: (one.time_s, one.value) for name, one in channels.items()}),
        CARD,
        1,
        flight.start_s,
        flight.end_s,
        flight.segments,
    )
    said = by_name(observe(thinned))
    whole = by_name(observe(flight))
    # Samples 0.33 s apart, shaken by 0.06 s, for an answer that takes 0.5 s.
    assert said["bank_delay_s"].value == pytest.approx(whole["bank_delay_s"].value, rel=0.1)


def test_what_is_judged_is_few() -> None:
    judged = [metric.name for metric in SPEC.metrics if metric.better != "none"]
    assert len(judged) == 12 and all(metric.matters > 0.0 for metric in SPEC.metrics)


def test_turns_asked_faster_than_the_limit_do_not_count_as_delay() -> None:
    """Half of the turns are large: with the rate held to 40 deg/s they come later than the loop is."""
    rng = np.random.default_rng(8)
    size = np.where(np.arange(48) // 8 % 2 == 0, 6.0, 25.0)
    bank_target = np.repeat(size * rng.choice([-1.0, 1.0], 48), 250)
    bank, banks, demands = 0.0, [], []
    for target in bank_target:
        demand = float(np.clip(2.5 * (target - bank), -40.0, 40.0))
        bank += demand / RATE_HZ
        banks.append(bank)
        demands.append(demand)
    values = {"bank_target_deg": bank_target, "bank_deg": np.array(banks)}
    limited = replace(CARD, limits={"roll_rate_max_dps": 40.0})
    flight = replace(held_flight(values, RATE_HZ), card=limited)
    known = replace(held_flight({**values, "roll_rate_target_dps": np.array(demands)}, RATE_HZ), card=limited)
    # A first-order lag of 1 / 2.5 s: 0.927 T at half its bandwidth.
    assert by_name(observe(known))["bank_delay_s"].value == pytest.approx(0.927 / 2.5, rel=0.1)
    assert by_name(observe(flight))["bank_delay_s"].value > 1.3 * 0.927 / 2.5
