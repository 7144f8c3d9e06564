"""Steps and drift at unknown times: false alarms, how soon they are found, whether drift is named."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.judging_paths import SEED, WIND, ever, learned, parts_of, upper_bound
from tests.benchmarks.judging_series import SCENARIOS, Scenario, make
from trimkeep.detectors.history.calibration_scan import shipped_scan_limits
from trimkeep.detectors.history.steps_unknown import NAMED, WINDOW, scan
from trimkeep.detectors.model import FloatArray

FIRST, LAST = 21, 80
"""Flights of the series at the first and at the last look; what happens, happens after the twentieth."""


def alarms(scenario: Scenario, count: int, effect: float, rate: float) -> tuple[np.ndarray, FloatArray]:
    """Whether the limit is passed at each look, shape (B, 60), and ramps' share of the posterior at the end.

    Parameters
    ----------
    scenario : Scenario
    count : int
        Series.
    effect, rate : float
        Step, and drift per flight, in the airframe's flight-to-flight deviations.
    """
    limits = shipped_scan_limits()
    drift = np.maximum(np.arange(LAST) - 19.0, 0.0)
    batch = make(scenario, np.random.default_rng((SEED, 6)), count, 20, 60, effect)
    hits, ramps = [], []
    for number, part in enumerate(parts_of(batch)):
        _, known = learned(scenario, number)
        spread = known.spread[WIND] or np.inf
        wind = np.clip((part.wind - known.centre[WIND]) / spread, -4.0, 4.0)
        value = part.value + rate * part.sigma[:, None] * drift - known.slope[WIND] * wind
        full = np.ones(part.value.shape[0])
        columns = []
        for n in range(FIRST, LAST + 1):
            seen = value[:, max(n - WINDOW, 0) : n]
            found = scan(
                seen, np.ones_like(seen),
                sigma=known.sigma * full, sigma_flights=known.sigma_flights * full, rho=known.rho * full,
            )  # fmt: skip
            limit = limits.at(
                0.05, n * full, known.rho * full, known.outlier_share * full, known.sigma_flights * full
            )
            columns.append(found.log_evidence > limit)
        hits.append(np.stack(columns, axis=1))
        ramps.append(found.ramp_share)
    return np.vstack(hits), np.concatenate(ramps)


def unknown_steps(count: int) -> None:
    """Steps and drift on the series called real, and what other noise does to the false alarms."""
    print("\n| series | alarm by 10 / 20 / 40 / 60 flights, % (upper bound at 60) |"
          " drift named at flight 60, % of alarms |")  # fmt: skip
    print("|---|---|---|")
    for words, name, effect, rate in (
        ("no change, real", "real", 0.0, 0.0),
        ("no change, clean", "clean", 0.0, 0.0),
        ("no change, ar4", "ar4", 0.0, 0.0),
        ("no change, real ar4", "real ar4", 0.0, 0.0),
        ("no change, stress", "stress", 0.0, 0.0),
        ("1 σ step", "real", 1.0, 0.0),
        ("2 σ step", "real", 2.0, 0.0),
        ("3 σ step", "real", 3.0, 0.0),
        ("0.03 σ per flight", "real", 0.0, 0.03),
        ("0.05 σ per flight", "real", 0.0, 0.05),
        ("0.1 σ per flight", "real", 0.0, 0.1),
    ):
        hit, ramps = alarms(SCENARIOS[name], count, effect, rate)
        said, last = ever(hit), hit[:, -1]
        shares = " / ".join(f"{100 * said[:, k - 1].mean():.1f}" for k in (10, 20, 40, 60))
        bound = upper_bound(int(said[:, -1].sum()), said.shape[0])
        named = 100 * (ramps[last] >= NAMED).mean() if last.any() else 0.0
        print(f"| {words} | {shares} ({bound:.1f}) | {named:.0f} |", flush=True)
