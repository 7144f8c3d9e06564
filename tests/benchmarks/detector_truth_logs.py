"""What the detectors measure on freshly flown sample fleets against what was planted.

`python -m tests.benchmarks.detector_truth_logs [--style STYLE] [--plan PLAN] [--airframes N] [--seed S]`
from the top folder writes the logs, reads them and prints one line per figure: flights, range of the truth,
median and 90th percentile of the error, rank correlation, and the median error over the stated standard
error (0.67 for an honest one).
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from trimkeep.config.cards import load_card
from trimkeep.config.load import load_fleet
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Observation
from trimkeep.detectors.numerics.circular import wrap_180
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_all
from trimkeep.sample_fleet.make import build_fleet
from trimkeep.sample_fleet.random_scenarios import random_scenario
from trimkeep.service.readers.registry import read_log

Figures = dict[tuple[str, str], Observation]


@dataclass(frozen=True, slots=True)
class Check:
    """A figure, its context, and how the planted truth says it."""

    metric: str
    context: str
    truth: str
    turned: Callable[[float], float] = float


CHECKS = (
    Check("wind_mps", "flight", "wind_mps"),
    Check("wind_from_deg", "flight", "wind_from_deg"),
    Check("gust_edr", "flight", "gust_edr"),
    Check("rough_air_mps2", "flight", "gust_edr"),
    Check("air_density_kgpm3", "flight", "air_density_kgm3"),
    Check("altitude_error_rms_m", "held_level", "level_altitude_error_rms_m"),
    Check("airspeed_scale_error", "flight", "airspeed_scale", lambda shown: 1.0 / shown - 1.0),
    Check("battery_resistance_mohm", "flight", "battery_resistance_ohm", lambda ohm: 1000.0 * ohm),
    Check("armed_after_landing_s", "ground", "armed_after_landing_s"),
)
KINDS = (None, "battery_ageing", "airspeed_scale", "left_armed", "propulsion_loss", "rate_limit_too_high")


def measured(style: str, plan: str, airframes: int, seed: int) -> Iterator[tuple[dict[str, float], Figures]]:
    """Planted truth and figures of every flight that flew."""
    scenario = random_scenario(
        np.random.default_rng(seed),
        airframes=airframes,
        flights=3,
        change_at=1,
        kinds=KINDS,
        size=2.0,
        styles=(style,),
        plan=plan,
    )
    with tempfile.TemporaryDirectory() as folder:
        built = build_fleet(Path(folder), scenario, seed=seed, workers=1)
        fleet = load_fleet(built.fleet)
        for truth in built.flights:
            own = built.fleet / truth.order.identity.id
            card = load_card(fleet, own)
            recording = read_log(next(own.rglob(Path(truth.order.file).name)), card)
            for flight in split(recording, card)[:1]:
                said = [one for run in run_all(flight, DETECTORS) for one in run.observations]
                yield dict(truth.planted), {(one.metric, one.context): one for one in said}  # type: ignore[arg-type]


def _line(check: Check, flights: list[tuple[dict[str, float], Figures]]) -> str:
    pairs = [
        (check.turned(truth[check.truth]), figures[check.metric, check.context])
        for truth, figures in flights
        if check.truth in truth and (check.metric, check.context) in figures
    ]
    if len(pairs) < 3:
        return f"| {check.metric} | {check.context} | {len(pairs)} of {len(flights)} | | | | | |"
    true = np.array([one for one, _ in pairs])
    found = np.array([one.value for _, one in pairs])
    off = found - true
    if check.metric.endswith("_from_deg"):
        off = np.array([wrap_180(one) for one in off])
    stated = np.array([one.standard_error or np.nan for _, one in pairs])
    rank = stats.spearmanr(true, found).statistic if np.ptp(true) > 0 else np.nan
    return (
        f"| {check.metric} | {check.context} | {len(pairs)} of {len(flights)} | {true.min():.3g} to "
        f"{true.max():.3g} | {np.median(off):.3g} | {np.quantile(np.abs(off), 0.9):.3g} | {rank:.3f} | "
        f"{np.nanmedian(np.abs(off) / stated):.2f} |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--style", default="on_board")
    parser.add_argument("--plan", default="survey")
    parser.add_argument("--airframes", type=int, default=12)
    parser.add_argument("--seed", type=int, default=101)
    asked = parser.parse_args()
    flights = list(measured(asked.style, asked.plan, asked.airframes, asked.seed))
    print("| figure | context | flights | truth | median error | 90 % within | rank | error / stated |")
    print("|---|---|---:|---|---:|---:|---:|---:|")
    for check in CHECKS:
        print(_line(check, flights))


if __name__ == "__main__":
    main()
