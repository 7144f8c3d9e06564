"""Runs detectors over a flight: checks what they need, keeps one's failure from spoiling the others."""

from __future__ import annotations

import math
import traceback
from collections.abc import Iterable

from trimkeep.detectors.model import (
    Detector,
    DetectorRun,
    DetectorSpec,
    Flight,
    NotMeasured,
    Observation,
    Outcome,
    Reason,
)


def run_all(flight: Flight, detectors: Iterable[Detector]) -> tuple[DetectorRun, ...]:
    """What every detector says of the flight, in the order given."""
    try:
        return tuple(run_one(flight, detector) for detector in detectors)
    finally:
        # What they shared may be larger than the log; a recording of many flights would hold all of it.
        flight.kept.forget()


def run_one(flight: Flight, detector: Detector) -> DetectorRun:
    """One detector's observations, or why there are none.

    A detector that raises, or breaks the promises of its description, ends as `failed` with the
    traceback as detail; that is a mistake of ours and must not cost the flight its other figures.
    """
    spec = detector.spec
    try:
        lack = unmet(flight, spec)
        said = lack if lack is not None else detector.observe(flight)
        if isinstance(said, NotMeasured):
            return DetectorRun(
                spec.id, spec.version, Outcome.NOT_MEASURED, (), said.reason.value, said.detail
            )
        for observation in said:
            _check(spec, observation)
    except Exception:
        return DetectorRun(spec.id, spec.version, Outcome.FAILED, (), "failed", traceback.format_exc())
    if not said:
        return DetectorRun(spec.id, spec.version, Outcome.NOT_MEASURED, (), Reason.UNDEFINED.value)
    return DetectorRun(spec.id, spec.version, Outcome.MEASURED, tuple(said))


def unmet(flight: Flight, spec: DetectorSpec) -> NotMeasured | None:
    """The first of a detector's needs that the flight does not meet; None when all are met."""
    missing = sorted(name for name in spec.needs if not flight.has(name))
    missing += [
        " or ".join(sorted(group)) for group in spec.needs_any if not any(flight.has(name) for name in group)
    ]
    if missing:
        return NotMeasured(Reason.MISSING_CHANNEL, ", ".join(missing))
    for group in [frozenset({name}) for name in sorted(spec.needs)] + list(spec.needs_any):
        rates = {name: flight.channel(name).rate_hz for name in group if flight.has(name)}
        best = max(rates, key=lambda name: (rates[name], name))
        # A rate is a median of jittering intervals: 2.99 Hz is 3 Hz.
        if rates[best] < 0.95 * spec.min_rate_hz:
            detail = f"{best} at {rates[best]:.1f} Hz, needs {spec.min_rate_hz:g} Hz"
            return NotMeasured(Reason.RATE_TOO_LOW, detail)
    if not spec.modes:
        return _too_short(flight.seconds, spec)
    flown = {segment.mode for segment in flight.segments}
    if not flown & spec.modes:
        return NotMeasured(Reason.MODE_ABSENT, ", ".join(sorted(flown)))
    return _too_short(sum(one.seconds for one in flight.segments if one.mode in spec.modes), spec)


def _too_short(seconds: float, spec: DetectorSpec) -> NotMeasured | None:
    if seconds >= spec.min_seconds:
        return None
    return NotMeasured(Reason.TOO_SHORT, f"{seconds:.0f} s, needs {spec.min_seconds:g} s")


def _check(spec: DetectorSpec, observation: Observation) -> None:
    """Promises of an observation; a breach is a mistake of the detector."""
    spec.metric(observation.metric)
    error = observation.standard_error
    finite = math.isfinite(observation.value) and (error is None or (math.isfinite(error) and error >= 0.0))
    if not finite:
        raise ValueError(f"{spec.id}: {observation.metric} = {observation.value} +- {error} is not finite")
