"""What the parts of the judge's benchmark share: fleets that teach, and all series at all looks.

The arrays here are the judge's own regression without its bookkeeping; `check_against_the_judge` holds
that both agree, or a table would be about something else.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
from scipy import stats

from tests.benchmarks.judging_series import Batch, Scenario, make
from tests.detectors.history.builders import change, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import WIDTH, shipped_limits
from trimkeep.detectors.history.evidence import critical_t, log_e_value
from trimkeep.detectors.history.fleet_model import FleetModel, MetricModel, fit_fleet_model
from trimkeep.detectors.history.judge import judge_airframe
from trimkeep.detectors.history.preparation import CONDITION_NAMES
from trimkeep.detectors.history.step_fit import fit_steps
from trimkeep.detectors.model import FloatArray

LOOKS = np.arange(3, 61)
SEED = int(os.environ.get("TRIMKEEP_BENCHMARK_SEED", "424242"))
"""Limits and their margins were set with other seeds; a seed nobody looked at before can be given."""
FLEETS = 8
"""Fleets in a cell: what one fleet has taught is right or wrong for all of its series together."""
WIND = CONDITION_NAMES.index("wind_mps")
SETTINGS = JudgeSettings()


def learned(scenario: Scenario, number: int = 0) -> tuple[FleetModel, MetricModel]:
    """What sixty other airframes of thirty flights teach; fleets differ by `number`."""
    batch = make(scenario, np.random.default_rng((SEED, 1, number)), 60, 30, 0)
    fleet = [
        history(v, airframe=f"other-{k}", wind=w)
        for k, (v, w) in enumerate(zip(batch.value, batch.wind, strict=True))
    ]
    model = fit_fleet_model(fleet, [])
    return model, model.of("altitude_error_rms_m", "held_level")


@dataclass(frozen=True, slots=True)
class Paths:
    """Per series and look: step, its error, evidence, freedom, information."""

    step: FloatArray
    error: FloatArray
    log_e: FloatArray
    freedom: FloatArray
    information: FloatArray
    sigma: FloatArray

    def half_width(self, limit: FloatArray) -> FloatArray:
        """Half of the interval at each look."""
        return critical_t(limit, self.freedom, self.information, WIDTH) * self.error


def paths(batch: Batch, known: MetricModel, looks: np.ndarray = LOOKS) -> Paths:
    """All series at all looks, by the judge's own regression."""
    count = batch.value.shape[0]
    wind = (batch.wind - known.centre[WIND]) / known.spread[WIND]
    fields = {
        n: np.empty((count, looks.size))
        for n in ("step", "error", "log_e", "freedom", "information", "sigma")
    }
    for column, look in enumerate(looks):
        n = batch.before + int(look)
        for start in range(0, count, 500):
            part = slice(start, min(start + 500, count))
            size = part.stop - part.start
            fit = fit_steps(
                batch.value[part, :n],
                np.clip(wind[part, :n, None], -4.0, 4.0),
                np.broadcast_to(np.arange(n) >= batch.before, (size, n)),
                np.ones((size, n)),
                sigma=np.full(size, known.sigma),
                sigma_flights=np.full(size, known.sigma_flights),
                slope=np.full((size, 1), known.slope[WIND]),
                slope_flights=np.full((size, 1), known.slope_flights[WIND]),
                rho=np.full(size, known.rho),
                measured=np.ones(1, dtype=bool),
            )
            log_e = log_e_value(fit.step / fit.standard_error, fit.freedom, fit.information, WIDTH)
            for name, value in (
                ("step", fit.step), ("error", fit.standard_error), ("log_e", log_e),
                ("freedom", fit.freedom), ("information", fit.information), ("sigma", fit.sigma),
            ):  # fmt: skip
                fields[name][part, column] = value
    return Paths(**fields)


def limit_at(known: MetricModel, before: int, level: float, looks: np.ndarray = LOOKS) -> FloatArray:
    """The shipped limit at each look."""
    full = np.full(looks.size, 1.0)
    return shipped_limits().at(
        level, before * full, looks.astype(float), known.rho * full, known.outlier_share * full,
        known.sigma_flights * full,
    )  # fmt: skip


def check_against_the_judge(model: FleetModel, known: MetricModel, batch: Batch) -> None:
    """The arrays here and the judge must agree, or the table is about something else."""
    ours = paths(batch, known, np.array([10]))
    half = ours.half_width(limit_at(known, batch.before, SETTINGS.level, np.array([10])))
    for k in range(8):
        n = batch.before + 10
        series = history(batch.value[k, :n], wind=batch.wind[k, :n])
        effect = judge_airframe([series], [change(batch.before)], model, SETTINGS)[0].effect
        assert effect is not None
        assert abs(effect.difference - ours.step[k, 0]) < 1e-9
        assert abs(effect.high - effect.difference - half[k, 0]) < 1e-9


def parts_of(batch: Batch) -> list[Batch]:
    """The series of a batch shared out to the fleets."""
    splits = np.array_split(np.arange(batch.value.shape[0]), FLEETS)
    return [Batch(batch.value[k], batch.wind[k], batch.sigma[k], batch.before) for k in splits]


def ever(hit: np.ndarray) -> np.ndarray:
    """Whether it was ever said up to each look."""
    return np.maximum.accumulate(hit, axis=1)


def percent(hit: np.ndarray, look: int) -> float:
    """Share of series in which it was said by a look, %."""
    return 100.0 * float(ever(hit)[:, look - 3].mean())


def upper_bound(count: int, total: int) -> float:
    """95 % one-sided Clopper-Pearson bound, %."""
    return 100.0 * float(stats.beta.ppf(0.95, count + 1, total - count)) if count < total else 100.0
