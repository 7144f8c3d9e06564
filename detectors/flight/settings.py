"""Settings that moved: gains changed in flight, and gains that climbed, as after an automatic tune."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from trimkeep.detectors.model import (
    DetectorSpec,
    Flight,
    Metric,
    NotMeasured,
    Observation,
    ParameterReading,
    Reason,
)
from trimkeep.detectors.parameters import COUNTERS, counts_or_keeps_time

CONTEXT = "parameters"

SPEC = DetectorSpec(
    id="settings",
    version=1,
    title="Settings that moved",
    family="settings",
    metrics=(
        Metric(
            "settings_moved",
            "Parameters whose value changed during the flight",
            "",
            "none",
            1.0,
            "one changed gain is enough to explain a change in how the aeroplane flies",
            "linear",
        ),
        Metric(
            "largest_gain_rise",
            "Largest rise of a parameter during the flight, after over before",
            "",
            "lower",
            0.3,
            "a usual automatic tune moves gains by up to a third",
            attention=2.0,  # twice the gain: as after a tune against a limit out of reach
        ),
        Metric(
            "largest_gain_fall",
            "Largest fall of a parameter during the flight, before over after",
            "",
            "none",
            0.3,
            "a usual automatic tune moves gains by up to a third",
        ),
    ),
    uses=frozenset({"control_mode", "roll_rate_dps", "pitch_rate_dps"}),
    evidence=("roll_rate_dps", "pitch_rate_dps"),
    measures="How many logged parameters changed their value between take-off and landing, and the largest "
    "factor by which a positive one rose or fell. Limits above reach are in limits.",
    formula="For each parameter the last value before take-off (else the first in flight) against the last "
    f"value in flight; parameters that changed {COUNTERS} times or more, always upward, are counters and "
    f"are left "
    "out. Rise = max(after / before), fall = max(before / after), at least 1.",
    source="Facts of the trade (common practice, no source): limits above reach show after an automatic "
    "tune, when "
    "feed-forward and integral gains climb far above their old values.",
    cannot_tell="Which parameter is a gain: every positive number that moves counts. A log that carries a "
    "parameter once, or none, shows no movement. What changed between flights is found from the journal and "
    "from the logs of both.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Settings that moved in one flight; see `SPEC`."""
    readings = [one for one in flight.recording.parameters if one.time_s <= flight.end_s]
    if not readings:
        return NotMeasured(Reason.MISSING_CHANNEL, "the log carries no parameters before the landing")
    moved = [pair for pair in map(_moved, _by_name(readings, flight.start_s)) if pair is not None]
    windows = tuple((at, at) for at, _, _ in moved)
    factors = np.array([after / before for _, before, after in moved if before > 0.0 and after > 0.0])
    rise = float(factors.max(initial=1.0))
    fall = float((1.0 / factors).max(initial=1.0)) if factors.size else 1.0
    return [
        Observation("settings_moved", CONTEXT, float(len(moved)), None, flight.seconds, windows[:20]),
        Observation("largest_gain_rise", CONTEXT, rise, None, flight.seconds, windows[:20]),
        Observation("largest_gain_fall", CONTEXT, fall, None, flight.seconds, windows[:20]),
    ]


def _by_name(readings: list[ParameterReading], start_s: float) -> list[list[ParameterReading]]:
    """Each parameter's readings from the last one before take-off on."""
    named: dict[str, list[ParameterReading]] = defaultdict(list)
    for one in readings:
        if one.time_s <= start_s:
            named[one.name] = [one]
        else:
            named[one.name].append(one)
    return list(named.values())


def _moved(readings: list[ParameterReading]) -> tuple[float, float, float] | None:
    """Moment of the last change, value before and after; None when it stayed or is a counter."""
    values = [one.value for one in readings]
    if not np.isfinite(values).all() or values[0] == values[-1]:
        return None
    steps = np.diff(values)
    if counts_or_keeps_time(readings):
        return None
    last = int(np.flatnonzero(steps)[-1]) + 1
    return readings[last].time_s, values[0], values[-1]
