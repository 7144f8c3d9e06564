"""One suite for every detector: it answers or gives a reason, whatever the log looks like.

A new detector gets all of this for nothing.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest

from tests.builders import CARD, Flying, flown, one_flight, with_channels
from trimkeep.config.channels import CHANNELS, CONTROL_MODES
from trimkeep.detectors.model import Channel, Detector, DetectorRun, Flight, Outcome, Reason, Segment
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_one

FAMILIES = {
    "altitude_hold oscillation loop_response trim rate_limits authority linkage attitude_estimate",
    "vibration energy tracking sensors ground_handling settings conditions",
}
EVERY = pytest.mark.parametrize("detector", DETECTORS, ids=lambda detector: detector.spec.id)
RATES = pytest.mark.parametrize("rate_hz", [4.0, 50.0])


@functools.cache
def _flight(rate_hz: float = 10.0) -> Flight:
    log = flown(flying=Flying(rate_hz=rate_hz, wind_north_mps=4.0, noise=0.3, seed=7))
    for channel in log.channels.values():
        channel.time_s.flags.writeable = False
        channel.value.flags.writeable = False
    return one_flight(log)


def _answered(run: DetectorRun) -> DetectorRun:
    assert run.outcome is not Outcome.FAILED, run.detail
    assert (run.outcome is Outcome.MEASURED) == bool(run.observations)
    if run.outcome is Outcome.NOT_MEASURED:
        assert run.reason in set(Reason)
    return run


@EVERY
def test_the_description_is_complete(detector: Detector) -> None:
    spec = detector.spec
    assert spec.family in " ".join(FAMILIES).split()
    for words in (spec.title, spec.measures, spec.formula, spec.source, spec.cannot_tell):
        assert words.strip()
    assert spec.metrics and spec.version >= 1
    assert spec.modes <= set(CONTROL_MODES)
    named = spec.needs | spec.uses | set(spec.evidence) | frozenset().union(*spec.needs_any)
    assert named <= set(CHANNELS)
    assert (spec.needs | spec.uses | frozenset().union(*spec.needs_any)) & set(spec.evidence)
    for metric in spec.metrics:
        assert metric.matters > 0.0 and len(metric.matters_why) > 15, metric.name
        assert metric.title and metric.scale in ("log", "linear")


@EVERY
@RATES
def test_it_answers_at_either_rate_without_touching_its_input(detector: Detector, rate_hz: float) -> None:
    flight = _flight(rate_hz)
    run = _answered(run_one(flight, detector))
    assert run == run_one(flight, detector)
    for one in run.observations:
        assert one.metric in {metric.name for metric in detector.spec.metrics}
        assert one.context and 0.0 <= one.seconds <= flight.recording.duration_s
        for start, end in one.windows:
            assert 0.0 <= start <= end <= flight.recording.duration_s + 1.0


@EVERY
def test_one_observation_per_metric_and_context(detector: Detector) -> None:
    said = run_one(_flight(), detector).observations
    keys = [(one.metric, one.context) for one in said]
    assert len(keys) == len(set(keys))


@EVERY
def test_shifting_time_changes_nothing(detector: Detector) -> None:
    flight, by_s = _flight(), 4096.0
    moved = {
        name: Channel(channel.time_s + by_s, channel.value)
        for name, channel in flight.recording.channels.items()
    }
    recording = replace(flight.recording, channels=moved, duration_s=flight.recording.duration_s + by_s)
    segments = tuple(
        Segment(one.start_s + by_s, one.end_s + by_s, one.mode, one.phase) for one in flight.segments
    )
    later = replace(
        flight,
        recording=recording,
        start_s=flight.start_s + by_s,
        end_s=flight.end_s + by_s,
        segments=segments,
    )
    before, after = run_one(flight, detector), _answered(run_one(later, detector))
    assert before.outcome is after.outcome
    assert len(before.observations) == len(after.observations)
    for one, other in zip(before.observations, after.observations, strict=True):
        assert (one.metric, one.context) == (other.metric, other.context)
        # Times lose three digits by the shift, so samples at the edge of a stretch may come or go.
        slack = 0.2 * (one.standard_error or 0.0) + 1e-6
        assert other.value == pytest.approx(one.value, rel=0.02, abs=slack)


@EVERY
def test_a_missing_need_is_said(detector: Detector) -> None:
    groups = [frozenset({name}) for name in detector.spec.needs] + list(detector.spec.needs_any)
    for group in groups:
        poorer = with_channels(_flight(), **dict.fromkeys(group))
        assert run_one(poorer, detector).reason == Reason.MISSING_CHANNEL


@EVERY
def test_whatever_it_uses_may_be_missing_still_or_unknown(detector: Detector) -> None:
    spec, flight = detector.spec, _flight()
    for name in sorted(spec.needs | spec.uses | frozenset().union(*spec.needs_any)):
        if name not in flight.recording.channels:
            continue
        channel = flight.recording.channels[name]
        still = Channel(channel.time_s, np.full(channel.value.shape, channel.value[0]))
        blank = Channel(channel.time_s, np.full(channel.value.shape, np.nan))
        for other in (None, still, blank):
            _answered(run_one(with_channels(flight, **{name: other}), detector))


@EVERY
def test_everything_constant_is_no_crash(detector: Detector) -> None:
    flight = _flight()
    still = {
        name: Channel(channel.time_s, np.full(channel.value.shape, 1.0))
        for name, channel in flight.recording.channels.items()
    }
    _answered(run_one(with_channels(flight, **still), detector))


@EVERY
@RATES
def test_a_short_flight_gets_an_answer(detector: Detector, rate_hz: float) -> None:
    flight = _flight(rate_hz)
    for seconds in (0.5, 3.0, 15.0):
        end_s = flight.start_s + seconds
        parts = tuple(
            replace(one, end_s=min(one.end_s, end_s)) for one in flight.segments if one.start_s < end_s
        )
        _answered(run_one(replace(flight, end_s=end_s, segments=parts), detector))


@EVERY
@RATES
def test_a_gap_gets_an_answer(detector: Detector, rate_hz: float) -> None:
    flight = _flight(rate_hz)
    holed = {}
    for name, channel in flight.recording.channels.items():
        kept = (channel.time_s < 150.0) | (channel.time_s > 210.0)
        holed[name] = Channel(channel.time_s[kept], channel.value[kept])
    _answered(run_one(with_channels(flight, **holed), detector))


@EVERY
def test_unnamed_modes_get_an_answer(detector: Detector) -> None:
    flight = _flight()
    parts = tuple(replace(one, mode="unknown") for one in flight.segments)
    bare = with_channels(replace(flight, segments=parts, card=replace(CARD, limits={})), control_mode=None)
    _answered(run_one(bare, detector))
