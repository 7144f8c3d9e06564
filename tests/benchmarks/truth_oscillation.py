"""A limit cycle told from a mode that gusts drive, over the ratio of their amplitudes.

Pitch by arithmetic: a second-order mode driven by white noise, with or without a steady cycle in the same
octave, in four straight stretches of a minute. Other periods, dampings and rates than the detector's tests.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import signal, stats

from tests.benchmarks.truth_flights import RATES_HZ
from tests.builders import flight_of
from trimkeep.detectors.flight.oscillation import observe
from trimkeep.detectors.model import Flight, FloatArray, NotMeasured

RATIOS = (0.5, 0.75, 1.0, 1.5, 2.0)
STRETCH_S, STRETCHES = 60.0, 4
FLIGHTS = 40
SEED = 77
ROC_INTRO = (
    f"A limit cycle told from a mode that gusts drive, by its likelihood in pitch: {FLIGHTS} made "
    f"flights a line, {STRETCHES} straight minutes each, mode of 3 to 8 s and damping 0.08 to 0.3, the "
    "cycle in the same octave on top of it (amplitude of the mode: root two of its standard deviation). "
    "Called: likelihood above 0.9.\n\n"
)


def gust_driven(rng: np.random.Generator, period_s: float, amplitude: float, rate_hz: float) -> FloatArray:
    """A lightly damped mode in gusts; amplitude is root two times the standard deviation."""
    w, zeta = 2.0 * np.pi / period_s, float(rng.uniform(0.08, 0.3))
    system = signal.cont2discrete(
        signal.tf2ss([w * w], [1.0, 2.0 * zeta * w, w * w]), 1.0 / rate_hz, method="zoh"
    )
    noise = rng.standard_normal(int((STRETCH_S * STRETCHES + 100.0) * rate_hz))
    _, out, _ = signal.dlsim((*system[:4], 1.0 / rate_hz), noise)
    swing = out[int(100.0 * rate_hz) :, 0]
    return np.asarray(amplitude * swing / (np.sqrt(2.0) * swing.std()), dtype=np.float64)


def pitch_flight(rng: np.random.Generator, ratio: float, rate_hz: float) -> Flight:
    """A flight whose pitch swings in gusts, and by itself with `ratio` times that amplitude."""
    period_s, amplitude = float(rng.uniform(3.0, 8.0)), float(rng.uniform(0.5, 1.5))
    pitch = gust_driven(rng, period_s, amplitude, rate_hz)
    time_s = np.arange(pitch.size) / rate_hz
    # A cycle wanders a little in its period, and what linkage play makes has corners.
    own_s = period_s * float(rng.uniform(0.85, 1.2))
    phase = 2.0 * np.pi * time_s / own_s + 0.3 * np.sin(2.0 * np.pi * time_s / 97.0) + rng.uniform(0.0, 6.28)
    pitch = pitch + ratio * amplitude * (np.sin(phase) + 0.08 * np.sin(3.0 * phase))
    pitch = pitch + 0.1 * rng.standard_normal(pitch.size)
    segments = [
        (STRETCH_S * k + (5.0 if k else 0.0), STRETCH_S * (k + 1), "cruise", "level")
        for k in range(STRETCHES)
    ]
    return flight_of({"pitch_deg": (time_s, pitch)}, segments)


def likelihoods(ratio: float, rate_hz: float, place: int) -> list[float]:
    """Likelihood of a limit cycle in each flight; 0 where none is told."""
    found = []
    for index in range(FLIGHTS):
        said = observe(pitch_flight(np.random.default_rng([SEED, place, index]), ratio, rate_hz))
        values = [] if isinstance(said, NotMeasured) else said
        found.append(next((one.value for one in values if one.metric == "pitch_limit_cycle_likelihood"), 0.0))
    return found


def roc_area(sick: list[float], sound: list[float]) -> float:
    """Area under the curve of true against false alarms: the share of pairs in the right order."""
    return float(stats.mannwhitneyu(sick, sound).statistic) / (len(sick) * len(sound))


def oscillation_tables(
    told: Callable[[float, float, int], list[float]] = likelihoods,
) -> str:
    """Area under the curve over the ratio, at each log rate, with the share past 0.9."""
    lines = [
        "| cycle over gust-driven amplitude | log | area under the curve | called a cycle | gusts alone |",
        "|---:|---:|---:|---:|---:|",
    ]
    for rate_hz in RATES_HZ:
        sound = told(0.0, rate_hz, 0)
        alarms = sum(one > 0.9 for one in sound)
        for place, ratio in enumerate(RATIOS, start=1):
            sick = told(ratio, rate_hz, place)
            lines.append(
                f"| {ratio:g} | {rate_hz:g} Hz | {roc_area(sick, sound):.3f} | "
                f"{sum(one > 0.9 for one in sick)} of {len(sick)} | {alarms} of {len(sound)} |"
            )
    return ROC_INTRO + "\n".join(lines) + "\n"
