"""Every number from the flights to a verdict, so that a sceptic can work it out again.

Nothing is computed here that the judge did not compute: the rows are what went into the regression, the
steps are the formulas with their numbers in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import WIDTH, shipped_limits
from trimkeep.detectors.history.comparisons import blocks_by_airframe, judge_series
from trimkeep.detectors.history.fleet_model import FleetModel, MetricModel
from trimkeep.detectors.history.known_changes import Comparison, estimate
from trimkeep.detectors.history.model import Change, Finding, Series
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.step_fit import FLATTENED, LEAST_CORRELATION, StepFit


@dataclass(frozen=True, slots=True)
class ExplainedFlight:
    """One row: the value as measured, on the judged scale, the part of it that the conditions account
    for (and a drift, where one was found), the rest; what its own standard error leaves it to count,
    what its agreement with the others leaves (1 full, 0 nothing), and by how much it moves the step;
    `conditions` in the order of the explanation's slopes."""

    flight_id: str
    after: bool
    value: float
    transformed: float
    conditions: tuple[float, ...]
    conditions_part: float
    adjusted: float
    error_weight: float
    agreement: float
    pull: float


@dataclass(frozen=True, slots=True)
class ExplainedStep:
    """One line of the working: a code, the formula in plain letters, the result."""

    code: str
    formula: str
    result: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """Flights and working of one known-change finding.

    `slopes`: by condition, in spreads from the fleet's median (and for a drift, in rises of ten
    flights), what one of them adds on the judged scale. For each measured condition there is one more,
    over many flights: by how much its mean after differs, and what the flattened slope leaves out.
    """

    finding_id: str
    scale: str
    unit: str
    model_version: str
    limits_version: str
    learned: MetricModel
    slopes: tuple[tuple[str, float], ...]
    flights: tuple[ExplainedFlight, ...]
    steps: tuple[ExplainedStep, ...]


def explain(
    finding: Finding,
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
) -> Explanation | None:
    """The working behind a known-change finding of one airframe.

    Parameters
    ----------
    finding : Finding
    series, changes, model, settings
        What it was judged from; of its airframe at least.

    Returns
    -------
    Explanation or None
        None for other kinds of findings, and where too few flights were there to compare.
    """
    comparison = _comparison(finding, series, changes, model, settings)
    if comparison is None or comparison.effect is None:
        return None
    window = comparison.window
    preparer = Preparer()
    shown = estimate([window], model, preparer)
    fit, part = shown.fit, shown.removed[0]
    ready = preparer(window.series)
    picked = np.array(window.before + window.after)
    late = np.arange(picked.size) >= len(window.before)
    learned = model.of(window.series.metric, window.series.context)
    over_many = [k for k, name in enumerate(shown.names) if name != "drift"]
    apart = fit.apart[0, over_many]
    flights = tuple(
        ExplainedFlight(
            window.series.points[index].flight_id,
            bool(late[k]),
            window.series.points[index].value,
            float(ready.value[index]),
            (*shown.conditions[0, k].tolist(), *(apart if late[k] else 0.0 * apart).tolist()),
            float(part[k]),
            float(ready.value[index] - part[k]),
            float(shown.error_weight[0, k]),
            float(fit.weight[0, k]),
            float(fit.pull[0, k]),
        )
        for k, index in enumerate(picked.tolist())
    )
    return Explanation(
        finding.id,
        window.series.scale,
        window.series.unit,
        model.version,
        shipped_limits().version,
        learned,
        (
            *zip(shown.names, fit.slope[0].tolist(), strict=True),
            *((f"{shown.names[k]} over many flights", FLATTENED * float(fit.slope[0, k])) for k in over_many),
        ),
        flights,
        _working(comparison, fit, learned),
    )


def _comparison(
    finding: Finding,
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
) -> Comparison | None:
    if finding.kind != "known_change" or finding.scope != "airframe" or finding.change is None:
        return None
    mine = [
        s
        for s in series
        if (s.airframe, s.metric, s.context) == (finding.airframes[0], finding.metric, finding.context)
    ]
    blocks = blocks_by_airframe([c for c in changes if c.airframe == finding.airframes[0]], settings)
    compared, _ = judge_series(mine, blocks, model, settings)
    return next((c for c in compared if c.window.block.change.id == finding.change.id), None)


def _working(one: Comparison, fit: StepFit, learned: MetricModel) -> tuple[ExplainedStep, ...]:
    assert one.effect is not None
    before, own = float(fit.before[0]), float(fit.own_sigma[0])
    information = (one.sigma / one.standard_error) ** 2
    t = one.step / one.standard_error
    half = one.critical * one.standard_error
    return (
        ExplainedStep(
            "level_before", "mean of adjusted before, weighted by w = error weight x agreement", before
        ),
        ExplainedStep("level_after", "the same after", before + one.step),
        ExplainedStep("step", "level_after - level_before", one.step),
        ExplainedStep(
            "own_sigma",
            "of d = adjusted - level: sqrt(sum(error weight (agreement d)^2) / (flights - 2))"
            " / max(0.2, mean((1 - u)(1 - 5 u))), u = 1 - sqrt(agreement)",
            own,
        ),
        ExplainedStep("fleet_sigma", "flight-to-flight deviation that the fleet shows", learned.sigma),
        ExplainedStep("fleet_flights", "flights that it is worth", learned.sigma_flights),
        ExplainedStep("freedom", "flights - 2 + fleet_flights", one.freedom),
        ExplainedStep(
            "sigma", "sqrt((fleet_flights fleet_sigma^2 + (flights - 2) own_sigma^2) / freedom)", one.sigma
        ),
        ExplainedStep("rho", "correlation from flight to flight allowed for", one.rho),
        ExplainedStep(
            "slope_doubt", "added for not knowing the influence of conditions", float(fit.slope_doubt[0])
        ),
        ExplainedStep(
            "standard_error",
            "sigma sqrt(sum over pairs i, j of c_i c_j rho^|i - j| + slope_doubt),"
            f" c = pull / sqrt(error weight), powers below {LEAST_CORRELATION:g} left out",
            one.standard_error,
        ),
        ExplainedStep("t", "step / standard_error", t),
        ExplainedStep("information", "(sigma / standard_error)^2", information),
        ExplainedStep(
            "log_e",
            f"0.5 ln r - (freedom + 1) / 2 (ln(1 + r t^2 / freedom) - ln(1 + t^2 / freedom)),"
            f" r = 1 / (1 + {WIDTH:g}^2 information)",
            one.log_e,
        ),
        ExplainedStep("log_limit", "calibrated limit at this many flights", one.log_limit),
        ExplainedStep("critical_t", "the t at which log_e = log_limit", one.critical),
        ExplainedStep("low_step", "step - critical_t standard_error", one.step - half),
        ExplainedStep("high_step", "step + critical_t standard_error", one.step + half),
        ExplainedStep("low", "low_step in the metric's unit", one.effect.low),
        ExplainedStep("high", "high_step in the metric's unit", one.effect.high),
        ExplainedStep("matters", "material change", one.window.series.matters),
    )
