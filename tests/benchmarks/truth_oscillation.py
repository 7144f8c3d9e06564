"""A limit cycle told from a mode that gusts drive, over the ratio of their amplitudes.

Pitch by arithmetic: a second-order mode driven by white noise, with or without a steady cycle in the same
octave, in straight stretches of a minute, for flights of several lengths. Other seeds than those on which
the grid of `steady_cycle` was chosen. Beside it the bound: the same likelihood when the mode's and the
cycle's own figures are known and only the phase in each stretch is not; no statistic that takes the
stretches apart can do better.
"""

from __future__ import annotations

import numpy as np
from scipy import linalg, signal, special, stats

from tests.benchmarks.truth_flights import RATES_HZ
from tests.builders import flight_of
from trimkeep.detectors.flight.oscillation import observe
from trimkeep.detectors.model import Flight, FloatArray, NotMeasured

RATIOS = (0.5, 0.707, 1.0, 1.414, 2.0)
MINUTES = (1, 2, 4, 8, 16)
FULL_MINUTES = 4
STRETCH_S = 60.0
SETTLED_S = 5.0
FLIGHTS = 200
SEED = 79
BOUND_HZ = 4.0
DAMPING = (0.08, 0.3)
PERIOD_S = (3.0, 8.0)
OWN_OVER_MODE = (0.85, 1.2)
AMPLITUDE_DEG = (0.5, 1.5)
NOISE_DEG = 0.1
ROC_INTRO = (
    f"A limit cycle told from a mode that gusts drive, by its likelihood in pitch: {FLIGHTS} made flights of "
    "each kind, straight minutes with a turn between them, mode of 3 to 8 s and damping 0.08 to 0.3, the "
    "cycle in the same octave on top of it. Ratio: amplitude of the cycle over root two of the mode's "
    "standard deviation, so that at 1 both have the same power; against the standard deviation itself, "
    "an amplitude as large as that is a ratio of 0.707 here, against its significant amplitude (two standard "
    "deviations) 1.414. In 4 minutes 0.98 is asked for from a ratio of 1 on. Called: likelihood above 0.9. "
    "Bound: area when all but the phases is known.\n\n"
)


def gust_driven(
    rng: np.random.Generator, period_s: float, amplitude: float, rate_hz: float, minutes: int = FULL_MINUTES
) -> FloatArray:
    """A lightly damped mode in gusts; amplitude is root two times the standard deviation."""
    w, zeta = 2.0 * np.pi / period_s, float(rng.uniform(*DAMPING))
    top, bottom, _ = signal.cont2discrete(
        ([w * w], [1.0, 2.0 * zeta * w, w * w]), 1.0 / rate_hz, method="zoh"
    )
    noise = rng.standard_normal(int((STRETCH_S * minutes + 100.0) * rate_hz))
    out = signal.lfilter(top.ravel(), bottom, noise)
    swing = out[int(100.0 * rate_hz) :]
    return np.asarray(amplitude * swing / (np.sqrt(2.0) * swing.std()), dtype=np.float64)


def pitch_flight(
    rng: np.random.Generator, ratio: float, rate_hz: float, minutes: int = FULL_MINUTES
) -> Flight:
    """A flight whose pitch swings in gusts, and by itself with `ratio` times that amplitude."""
    period_s, amplitude = float(rng.uniform(*PERIOD_S)), float(rng.uniform(*AMPLITUDE_DEG))
    pitch = gust_driven(rng, period_s, amplitude, rate_hz, minutes)
    time_s = np.arange(pitch.size) / rate_hz
    # A cycle wanders a little in its period, and what linkage play makes has corners.
    own_s = period_s * float(rng.uniform(*OWN_OVER_MODE))
    phase = 2.0 * np.pi * time_s / own_s + 0.3 * np.sin(2.0 * np.pi * time_s / 97.0) + rng.uniform(0.0, 6.28)
    pitch = pitch + ratio * amplitude * (np.sin(phase) + 0.08 * np.sin(3.0 * phase))
    pitch = pitch + NOISE_DEG * rng.standard_normal(pitch.size)
    segments = [
        (STRETCH_S * k + (SETTLED_S if k else 0.0), STRETCH_S * (k + 1), "cruise", "level")
        for k in range(minutes)
    ]
    return flight_of({"pitch_deg": (time_s, pitch)}, segments)


def likelihoods(ratio: float, rate_hz: float, minutes: int, place: int) -> list[float]:
    """Likelihood of a limit cycle in each flight; one half where none is told."""
    found = []
    for index in range(FLIGHTS):
        rng = np.random.default_rng([SEED, place, index])
        said = observe(pitch_flight(rng, ratio, rate_hz, minutes))
        values = [] if isinstance(said, NotMeasured) else said
        found.append(next((one.value for one in values if one.metric == "pitch_limit_cycle_likelihood"), 0.5))
    return found


def bounds(ratio: float, minutes: int) -> tuple[list[float], list[float]]:
    """Best evidence in flights with and without the cycle when all but the phases is known.

    Whitened by the mode's exact covariance; a sine of unknown phase in each stretch (H. L. Van Trees,
    Detection, Estimation, and Modulation Theory I, Wiley 1968, section 4.4).
    """
    rng = np.random.default_rng([SEED, 99, minutes])
    time_s = np.arange(int((STRETCH_S - 2.0 * SETTLED_S) * BOUND_HZ)) / BOUND_HZ
    sick, sound = [], []
    for _ in range(FLIGHTS):
        w, zeta = 2.0 * np.pi / float(rng.uniform(*PERIOD_S)), float(rng.uniform(*DAMPING))
        own, amplitude = w / float(rng.uniform(*OWN_OVER_MODE)), float(rng.uniform(*AMPLITUDE_DEG))
        damped = w * np.sqrt(1.0 - zeta**2)
        shape = np.exp(-zeta * w * time_s) * (
            np.cos(damped * time_s) + zeta * w / damped * np.sin(damped * time_s)
        )
        shape *= 0.5 * amplitude**2
        shape[0] += NOISE_DEG**2 * BOUND_HZ / 25.0
        root = linalg.cholesky(linalg.toeplitz(shape), lower=True)
        sines = np.stack([np.cos(own * time_s), np.sin(own * time_s)], axis=1)
        sines = ratio * amplitude * linalg.solve_triangular(root, sines, lower=True)
        noise = rng.standard_normal((2, minutes, time_s.size))
        turn = rng.uniform(0.0, 2.0 * np.pi, minutes)
        cycle = np.stack([np.cos(turn), np.sin(turn)], axis=1) @ sines.T
        for found, white in ((sick, noise[0] + cycle), (sound, noise[1])):
            pull = np.hypot(*(white @ sines).T)
            found.append(float(np.sum(np.log(special.i0e(pull)) + pull)))
    return sick, sound


def roc_area(sick: list[float], sound: list[float]) -> float:
    """Area under the curve of true against false alarms: the share of pairs in the right order."""
    return float(stats.mannwhitneyu(sick, sound).statistic) / (len(sick) * len(sound))


def oscillation_tables() -> str:
    """Area under the curve over the ratio and over the length, with the share past 0.9 and the bound."""
    cells = [(rate_hz, FULL_MINUTES, ratio) for rate_hz in RATES_HZ for ratio in RATIOS]
    cells += [(RATES_HZ[0], minutes, 1.0) for minutes in MINUTES if minutes != FULL_MINUTES]
    lines = [
        "| log | minutes | cycle over gust-driven | over its standard deviation | area under the curve "
        "| called | gusts alone | bound |",
        "|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    sounds: dict[tuple[float, int], list[float]] = {}
    for rate_hz, minutes, ratio in cells:
        if (rate_hz, minutes) not in sounds:
            sounds[rate_hz, minutes] = likelihoods(0.0, rate_hz, minutes, 0)
        sound = sounds[rate_hz, minutes]
        sick = likelihoods(ratio, rate_hz, minutes, 1 + round(100.0 * ratio))
        lines.append(
            f"| {rate_hz:g} Hz | {minutes} | {ratio:g} | {np.sqrt(2.0) * ratio:.1f} | "
            f"{roc_area(sick, sound):.3f} | "
            f"{sum(one > 0.9 for one in sick)} of {len(sick)} | {sum(one > 0.9 for one in sound)} of "
            f"{len(sound)} | {roc_area(*bounds(ratio, minutes)):.3f} |"
        )
    return ROC_INTRO + "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(oscillation_tables())
