"""A known change: did the metric become worse, better, stay the same, or can it not be told yet?

All series of an airframe are compared in one batch. The comparison is a robust regression on a step
(`step_fit`), its evidence an e-value (`evidence`), the limit calibrated for looking after every flight
(`calibration`). The steps that are not rejected form an interval that holds at all looks together, and
the verdict is read off that interval alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import (
    WIDTH,
    Limits,
    call_handicap,
    handicap,
    log_call_evidence,
)
from trimkeep.detectors.history.evidence import critical_t, log_e_value
from trimkeep.detectors.history.fleet_model import FleetModel, MetricModel
from trimkeep.detectors.history.forecasts import ENDLESS, flights_needed, material_steps
from trimkeep.detectors.history.known_batches import WindowBatch, alike, assemble, window_keys
from trimkeep.detectors.history.memory import Recall
from trimkeep.detectors.history.model import Effect, Series, Verdict
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.step_fit import StepFit
from trimkeep.detectors.history.windows import Window, WindowFinder
from trimkeep.detectors.model import Better, FloatArray, Scale

LOW_WEIGHT = 0.25
"""A flight that counts for less than this in the fit is listed: it may itself be the finding."""
LARGEST_LOG_E = 300.0
FEWEST_ALONE = 5
"""Flights before that are asked for in any case, unless the fleet knows the noise well."""
KNOWN_WELL = 8.0
"""Flights' worth of the fleet's noise from which three flights of an airframe are a level."""


def fewest_before(learned: MetricModel, settings: JudgeSettings) -> int:
    """Flights before a change with which an airframe alone can be judged."""
    known = learned.sigma_flights >= KNOWN_WELL
    return settings.min_flights_before if known else max(settings.min_flights_before, FEWEST_ALONE)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything from the flights to the verdict, for one series and one change.

    `step`, `standard_error` and `sigma` on the transformed scale; `log_e` the evidence of the verdict,
    `log_call` that for calling over the fleet; `log_limit` the calibrated limit at this look and
    `critical` the |t| that reaches it. None of them is given (NaN) when there are too few flights for
    a comparison; then `effect` is None.
    """

    window: Window
    verdict: Verdict
    effect: Effect | None
    step: float
    standard_error: float
    sigma: float
    freedom: float
    log_e: float
    log_call: float
    log_limit: float
    critical: float
    rho: float
    flights_needed: int | None
    down_weighted: tuple[str, ...]
    evidence_flights: tuple[str, ...]

    @property
    def judged(self) -> bool:
        """True when there were flights enough to compare."""
        return self.effect is not None

    @property
    def e_value(self) -> float | None:
        """The evidence itself; None when nothing was compared."""
        return float(np.exp(min(self.log_e, LARGEST_LOG_E))) if self.judged else None


Numbers = tuple[float, float, float, float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Measured:
    """A comparison's numbers without any names, as they are remembered: `odd` and `shown` are places in
    the window, `numbers` the fields of `Comparison` from `step` to `rho`."""

    verdict: Verdict
    effect: Effect | None
    numbers: Numbers
    flights_needed: int | None
    odd: tuple[int, ...]
    shown: tuple[int, ...]


def compare(
    windows: Sequence[Window],
    model: FleetModel,
    limits: Limits,
    settings: JudgeSettings,
    preparer: Preparer | None = None,
    recall: Recall[Measured] | None = None,
) -> tuple[Comparison, ...]:
    """Compare flights after with flights before, for all windows together.

    Parameters
    ----------
    windows : sequence of Window
        Of any airframes.
    model : FleetModel
    limits : Limits
    settings : JudgeSettings
    preparer : Preparer, optional
        Shared with other calls on the same series.
    recall : Recall, optional
        What was compared before.

    Returns
    -------
    tuple of Comparison
        In the order of `windows`. Too few flights on either side: `too_early` without an effect.
    """
    result = {}
    for number, window in enumerate(windows):
        fewest = fewest_before(model.of(window.series.metric, window.series.context), settings)
        if len(window.before) < fewest or len(window.after) < settings.min_flights_after:
            result[number] = _too_few(window, settings, fewest)
    enough = [number for number in range(len(windows)) if number not in result]
    if enough:
        chosen = [windows[number] for number in enough]
        ready = preparer or Preparer()

        def anew(rows: Sequence[int]) -> list[Measured]:
            return _measure([chosen[row] for row in rows], model, limits, settings, ready)

        if recall is None:
            measured = anew(range(len(chosen)))
        else:
            measured = recall(window_keys(chosen, model, ready, f"{settings}{limits.version}"), anew)
        result |= {
            number: _comparison(windows[number], one) for number, one in zip(enough, measured, strict=True)
        }
    return tuple(result[number] for number in range(len(windows)))


@dataclass(frozen=True, slots=True)
class Comparer:
    """Compares windows under one model, and finds them; `recall` holds what was compared before."""

    model: FleetModel
    limits: Limits
    settings: JudgeSettings
    preparer: Preparer
    window: WindowFinder
    recall: Recall[Measured] | None = None

    def __call__(self, windows: Sequence[Window]) -> dict[tuple[int, str], Comparison]:
        """The comparisons, by identity of the series and id of the change."""
        return {(id(c.window.series), c.window.block.change.id): c for c in self.each(windows)}

    def each(self, windows: Sequence[Window]) -> tuple[Comparison, ...]:
        """The comparisons in the order of the windows."""
        return compare(windows, self.model, self.limits, self.settings, self.preparer, self.recall)


def _comparison(window: Window, one: Measured) -> Comparison:
    """The numbers with the names of the flights they belong to."""
    if one.effect is None:
        return _not_judged(window, one.flights_needed)
    before, points = len(window.before), window.series.points
    odd, shown = (
        tuple(
            [points[window.before[k] if k < before else window.after[k - before]].flight_id for k in places]
        )
        for places in (one.odd, one.shown)
    )
    return Comparison(window, one.verdict, one.effect, *one.numbers, one.flights_needed, odd, shown)


@dataclass(frozen=True, slots=True)
class Estimate:
    """Steps and their errors without any verdict.

    `conditions`, shape (B, n, p), as they went into the fit, in the order of `names`: in spreads from
    the fleet's median, and the drift in rises of ten flights; `removed`, shape (B, n): what they account
    for; `error_weight`, shape (B, n): what each flight's own standard error leaves it to count.
    """

    fit: StepFit
    names: tuple[str, ...]
    conditions: FloatArray
    removed: FloatArray
    error_weight: FloatArray


def estimate(windows: Sequence[Window], model: FleetModel, preparer: Preparer) -> Estimate:
    """Steps for pooling over airframes, or to show the working.

    Each window needs at least one flight on either side; with two or fewer the fleet's noise is
    all there is.
    """
    batch = assemble(windows, model, preparer)
    fit = batch.fit()
    return Estimate(fit, batch.names, batch.conditions, batch.removed(fit), batch.weight)


def _too_few(window: Window, settings: JudgeSettings, fewest: int) -> Comparison:
    missing = max(settings.min_flights_after - len(window.after), 0)
    return _not_judged(window, missing if len(window.before) >= fewest else None)


def _not_judged(window: Window, flights_needed: int | None) -> Comparison:
    nan = float("nan")
    return Comparison(
        window, Verdict.TOO_EARLY, None, nan, nan, nan, nan, nan, nan, nan, nan, nan, flights_needed, (), ()
    )


def _measure(
    windows: Sequence[Window],
    model: FleetModel,
    limits: Limits,
    settings: JudgeSettings,
    preparer: Preparer,
) -> list[Measured]:
    result: dict[int, Measured] = {}
    for places in alike(windows, model):
        own = [windows[place] for place in places]
        batch = assemble(own, model, preparer)
        result.update(
            zip(places, _measure_batch([w.series for w in own], batch, limits, settings), strict=True)
        )
    return [result[place] for place in range(len(windows))]


def _measure_batch(
    series: Sequence[Series], batch: WindowBatch, limits: Limits, settings: JudgeSettings
) -> list[Measured]:
    fit = batch.fit()
    base_limit = limits.base(
        settings.level, batch.n_before, batch.rho, batch.outlier_share, batch.sigma_flights
    )
    log_limit = base_limit + handicap(batch.n_after)
    critical = critical_t(log_limit, fit.freedom, fit.information, WIDTH)
    t = fit.step / fit.standard_error
    log_e = log_e_value(t, fit.freedom, fit.information, WIDTH)
    log_call = log_call_evidence(t, fit.freedom, fit.information) - call_handicap(batch.n_after)
    half = critical * fit.standard_error
    effects = [
        _effect(one, *numbers)
        for one, *numbers in zip(series, fit.before.tolist(), fit.step.tolist(), half.tolist(), strict=True)
    ]
    verdicts = [
        Verdict.TOO_EARLY if effect is None else verdict_of(effect, one.better, one.matters)
        for one, effect in zip(series, effects, strict=True)
    ]
    open_rows = [row for row, verdict in enumerate(verdicts) if verdict is Verdict.TOO_EARLY]
    ahead = flights_needed(
        fit,
        open_rows,
        batch.n_before[open_rows],
        batch.n_after[open_rows],
        base_limit[open_rows],
        material_steps([series[row] for row in open_rows], fit.before[open_rows]),
        settings,
    )
    needed = dict(zip(open_rows, ahead, strict=True))
    columns = (fit.step, fit.standard_error, fit.sigma, fit.freedom, log_e, log_call, log_limit, critical)
    numbers: list[Numbers] = list(zip(*(column.tolist() for column in (*columns, batch.rho)), strict=True))
    odd, shown = _odd_flights(batch, fit), _shown_flights(batch, fit)
    return [
        Measured(verdicts[row], effects[row], numbers[row], needed.get(row, 0), odd[row], shown[row])
        for row in range(len(series))
    ]


def _level(value: float, scale: Scale) -> float:
    return math.exp(min(value, 700.0)) if scale == "log" else value


def _effect(series: Series, base: float, step: float, half: float) -> Effect | None:
    """Step and interval in the metric's own unit, at the level before the change.

    None where the interval has no end: so few flights cannot reach the limit whatever they show.
    """
    before, after = _level(base, series.scale), _level(base + step, series.scale)
    low = _level(base + step - half, series.scale) - before
    high = _level(base + step + half, series.scale) - before
    if not math.isfinite(half) or max(abs(low), abs(high)) > ENDLESS:
        return None
    ratio = after / before if series.scale == "log" and before > 0.0 else None
    return Effect(ratio, after - before, low, high, series.unit, before, after)


def verdict_of(effect: Effect, better: Better, matters: float) -> Verdict:
    """Read the verdict off an interval.

    Parameters
    ----------
    effect : Effect
        `low` and `high` bound the difference at all looks together.
    better : {"lower", "higher", "nearer_zero", "none"}
    matters : float
        Material change, unit of the metric.

    Examples
    --------
    >>> wide = Effect(None, 1.0, -0.5, 2.5, "m", 2.0, 3.0)
    >>> verdict_of(wide, "lower", 0.8).value, verdict_of(wide, "lower", 3.0).value
    ('too_early', 'no_material_change')
    """
    if -matters < effect.low and effect.high < matters:
        return Verdict.NO_MATERIAL_CHANGE
    if effect.low <= 0.0 <= effect.high:
        return Verdict.TOO_EARLY
    if better == "nearer_zero":
        worse = abs(effect.after) > abs(effect.before)
    else:
        worse = (effect.difference > 0.0) == (better != "higher")
    return Verdict.WORSE if worse else Verdict.BETTER


def _odd_flights(batch: WindowBatch, fit: StepFit) -> list[tuple[int, ...]]:
    """Flights that hardly count."""
    found: list[list[int]] = [[] for _ in range(batch.value.shape[0])]
    for row, column in np.argwhere((fit.weight < LOW_WEIGHT) & batch.present).tolist():
        found[row].append(column)
    return [tuple(one) for one in found]


def _shown_flights(batch: WindowBatch, fit: StepFit) -> list[tuple[int, ...]]:
    """Two flights that show the level after best, and two that show the one before."""
    adjusted = batch.value - batch.removed(fit)
    rows = np.arange(adjusted.shape[0])
    columns = []
    for inside, level in (
        (batch.after, fit.before + fit.step),
        (batch.present & ~batch.after, fit.before),
    ):
        distance = np.where(inside, np.abs(adjusted - level[:, None]), np.inf)
        for _ in range(2):
            nearest = np.argmin(distance, axis=1)
            columns.append(np.where(np.isfinite(distance[rows, nearest]), nearest, -1))
            distance[rows, nearest] = np.inf
    return [tuple(k for k in places if k >= 0) for places in np.stack(columns, axis=1).tolist()]
