"""Planted oscillations: amplitude, period, damping and what drives them are read back."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.flight.oscillation import SPEC, observe
from trimkeep.detectors.model import Channel, Flight, NotMeasured, Observation, Reason, Recording, Segment


def _flight(channels: dict[str, tuple[np.ndarray, np.ndarray]], segments: list[tuple]) -> Flight:
    recording = Recording(
        source="made.csv",
        reader="test",
        reader_version=1,
        duration_s=max(time_s[-1] for time_s, _ in channels.values()),
        channels={name: Channel(*pair) for name, pair in channels.items()},
    )
    parts = tuple(Segment(*segment) for segment in segments)
    return Flight(recording, AirframeCard(id="made"), 1, parts[0].start_s, parts[-1].end_s, parts)


def _driven(period_s: float, damping: float, seconds: float, rate_hz: float, rng) -> np.ndarray:
    """A second-order mode driven by white noise, unit variance, exact at the samples."""
    w = 2.0 * np.pi / period_s
    num, den, _ = signal.cont2discrete(([w * w], [1.0, 2.0 * damping * w, w * w]), 1.0 / rate_hz)
    lead = int(50.0 * period_s * rate_hz)
    noise = rng.standard_normal(lead + int(seconds * rate_hz) + 1)
    kept = signal.lfilter(num[0], den, noise)[lead:]
    return kept / kept.std()


def _value(observations: list[Observation] | NotMeasured, metric: str, context: str) -> float:
    assert isinstance(observations, list), observations
    return next(o.value for o in observations if (o.metric, o.context) == (metric, context))


def _held(pitch: np.ndarray, rate_hz: float) -> Flight:
    time_s = np.arange(pitch.size) / rate_hz
    return _flight({"pitch_deg": (time_s, pitch)}, [(0.0, time_s[-1], "altitude_hold", "level")])


@pytest.mark.parametrize("rate_hz", [2.5, 4.0, 10.0, 50.0])
@pytest.mark.parametrize("period_s", [2.6, 5.0, 12.0])
def test_a_planted_cycle_is_read_back(rate_hz: float, period_s: float) -> None:
    rng = np.random.default_rng(3)
    time_s = np.arange(int(240 * rate_hz)) / rate_hz
    pitch = 2.0 + 1.5 * np.sin(2 * np.pi * time_s / period_s) + 0.2 * rng.standard_normal(time_s.size)
    found = observe(_held(pitch, rate_hz))
    # Straight-line joins between 6.5 samples of the shortest case take up to 5 % off.
    assert _value(found, "pitch_oscillation_amplitude_deg", "held_level") == pytest.approx(1.5, rel=0.1)
    assert _value(found, "pitch_oscillation_period_s", "held_level") == pytest.approx(period_s, rel=0.03)
    assert _value(found, "pitch_limit_cycle_likelihood", "held_level") > 0.9
    assert _value(found, "pitch_envelope_cv", "held_level") < 0.12


def test_a_mode_in_gusts_is_not_called_a_cycle() -> None:
    likely = [
        _value(
            observe(_held(_driven(5.0, 0.15, 400.0, 10.0, np.random.default_rng(seed)), 10.0)),
            "pitch_limit_cycle_likelihood",
            "held_level",
        )
        for seed in range(30)
    ]
    assert np.median(likely) < 0.4
    assert np.mean(np.array(likely) > SPEC.metric("pitch_limit_cycle_likelihood").attention) == 0.0


def test_standard_error_covers_the_scatter() -> None:
    truth, z = np.sqrt(2.0), []
    for seed in range(40):
        pitch = _driven(5.0, 0.1, 600.0, 5.0, np.random.default_rng(seed))
        w = 2 * np.pi / 5.0
        found = observe(_held(pitch * 1.0, 5.0))
        assert isinstance(found, list) and w > 0
        o = next(o for o in found if o.metric == "pitch_oscillation_amplitude_deg")
        z.append((o.value - truth) / o.standard_error)
    # Unit variance by construction takes some scatter away, the octave leaves some variance outside.
    assert np.std(z) < 1.5


def test_assisted_is_compared_with_pilot_flown() -> None:
    rng = np.random.default_rng(5)
    time_s = np.arange(6000) / 10.0
    pitch = 0.3 * rng.standard_normal(time_s.size)
    pitch[:3000] += 1.2 * np.sin(2 * np.pi * time_s[:3000] / 4.0)
    flight = _flight(
        {"pitch_deg": (time_s, pitch)},
        [(0.0, 300.0, "cruise", "level"), (300.0, time_s[-1], "manual", "level")],
    )
    found = observe(flight)
    assert _value(found, "pitch_assisted_excess_deg", "held_level") == pytest.approx(1.1, abs=0.15)
    assert _value(found, "pitch_oscillation_amplitude_deg", "pilot_flown") < 0.3


def test_stretches_are_not_joined_across_turns() -> None:
    # The same cycle in stretches whose phases do not fit: joined, they would show a broken line.
    rng = np.random.default_rng(6)
    time_s = np.arange(4000) / 10.0
    phase = np.repeat(rng.uniform(0, 2 * np.pi, 5), 800)
    pitch = np.sin(2 * np.pi * time_s / 6.0 + phase) + np.repeat([0.0, 8.0, -5.0, 9.0, -8.0], 800)
    segments = [(80.0 * k, 80.0 * k + 79.9, "mission", "level" if k % 2 == 0 else "turn") for k in range(5)]
    found = observe(_flight({"pitch_deg": (time_s, pitch)}, segments))
    assert _value(found, "pitch_oscillation_amplitude_deg", "held_level") == pytest.approx(1.0, rel=0.05)
    assert _value(found, "pitch_oscillation_period_s", "held_level") == pytest.approx(6.0, rel=0.03)


def test_the_answer_to_a_new_height_is_no_oscillation() -> None:
    # Three metres up in the middle of each stretch: pitch rises by 6 deg and comes back within 8 s.
    rng = np.random.default_rng(7)
    time_s = np.arange(4000) / 10.0
    since = (time_s % 100.0) - 50.0
    pitch = 0.1 * rng.standard_normal(time_s.size)
    pitch += np.where((since > 0.0) & (since < 8.0), 6.0 * np.sin(np.pi * np.clip(since / 8.0, 0, 1)), 0.0)
    height = 80.0 + 3.0 * np.floor((time_s + 50.0) / 100.0)
    segments = [(100.0 * k, 100.0 * k + 99.9, "mission", "level") for k in range(4)]
    channels = {"pitch_deg": (time_s, pitch), "altitude_target_m": (time_s, height)}
    blind = observe(_flight({"pitch_deg": (time_s, pitch)}, segments))
    assert _value(blind, "pitch_oscillation_amplitude_deg", "held_level") > 1.0
    told = observe(_flight(channels, segments))
    assert _value(told, "pitch_oscillation_amplitude_deg", "held_level") < 0.15


def test_short_stretches_still_show_short_periods() -> None:
    # One stretch of 35 s and two of 20 s: a third of the longest is more than the short ones can show,
    # and the longest alone is too little to measure on.
    time_s = np.arange(1250) / 10.0
    pitch = np.sin(2 * np.pi * time_s / 4.0)
    turns = [(40.0, 60.0, "mission", "turn"), (85.0, 100.0, "mission", "turn")]
    level = [
        (0.0, 40.0, "mission", "level"),
        (60.0, 85.0, "mission", "level"),
        (100.0, 124.9, "mission", "level"),
    ]
    found = observe(_flight({"pitch_deg": (time_s, pitch)}, sorted(turns + level)))
    # A window of 20 s spreads a line over 0.075 Hz; a little of it lies outside the octave.
    assert _value(found, "pitch_oscillation_amplitude_deg", "held_level") == pytest.approx(1.0, rel=0.1)
    assert all(one.seconds > 50.0 for one in found if one.metric == "pitch_oscillation_amplitude_deg")


def test_what_cannot_be_measured_has_a_reason() -> None:
    time_s = np.arange(1000) / 10.0
    pitch = np.sin(time_s)
    turning = observe(_flight({"pitch_deg": (time_s, pitch)}, [(0.0, 99.0, "cruise", "turn")]))
    assert isinstance(turning, NotMeasured) and turning.reason is Reason.MODE_ABSENT
    short = observe(_flight({"pitch_deg": (time_s, pitch)}, [(0.0, 20.0, "cruise", "level")]))
    assert isinstance(short, NotMeasured) and short.reason is Reason.TOO_SHORT
