"""A known change: did the metric become worse, better, stay the same, or can it not be told yet?

All series of an airframe are compared in one batch. The comparison is a robust regression on a step
(`step_fit`), its evidence an e-value (`evidence`), the limit calibrated for looking after every flight
(`calibration`). The steps that are not rejected form an interval that holds at all looks together, and
the verdict is read off that interval alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import WIDTH, Limits, log_call_evidence
from trimkeep.detectors.history.evidence import critical_t, log_e_value
from trimkeep.detectors.history.fleet_model import FleetModel, MetricModel
from trimkeep.detectors.history.model import Effect, Verdict
from trimkeep.detectors.history.preparation import (
    CONDITION_NAMES,
    Preparer,
    filled_conditions,
    flight_weights,
)
from trimkeep.detectors.history.step_fit import MAD_TO_SIGMA, BoolArray, StepFit, fit_steps
from trimkeep.detectors.history.windows import Window
from trimkeep.detectors.model import Better, FloatArray, Scale

LOW_WEIGHT = 0.25
"""A flight that counts for less than this in the fit is listed: it may itself be the finding."""
FORECAST_CHANCE = 0.45
"""Chance of being settled at the forecast flight; by then or earlier it is about three in four."""
DRIFT_UNIT = 10.0
"""Flights; a drift is fitted as so much for ten flights."""
DRIFT_FLIGHTS = 1e-3
"""What the rate of a drift, as it was found, counts in the fit: a place to start from, no more."""
LARGEST_LOG_E = 300.0
ENDLESS = 1e100


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


@dataclass(frozen=True, slots=True)
class _Batch:
    """Windows of different lengths, padded at the end, as arrays of shape (B, n).

    `conditions` has one column for each of CONDITION_NAMES that a model of this batch allows for and,
    where a window drifts, one for the drift; `names`, `slope` and `slope_flights` go with the columns.
    """

    value: FloatArray
    conditions: FloatArray
    names: tuple[str, ...]
    after: BoolArray
    weight: FloatArray
    sigma: FloatArray
    slope: FloatArray
    slope_flights: FloatArray
    models: tuple[MetricModel, ...]

    def column(self, name: str) -> FloatArray:
        """One number of every series' metric model."""
        return np.array([getattr(m, name) for m in self.models], dtype=np.float64)


def compare(
    windows: Sequence[Window],
    model: FleetModel,
    limits: Limits,
    settings: JudgeSettings,
    preparer: Preparer | None = None,
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

    Returns
    -------
    tuple of Comparison
        In the order of `windows`. Too few flights on either side: `too_early` without an effect.
    """
    result: list[Comparison | None] = [None] * len(windows)
    enough = []
    for number, window in enumerate(windows):
        if len(window.before) < settings.min_flights_before or len(window.after) < settings.min_flights_after:
            result[number] = _too_few(window, settings)
        else:
            enough.append(number)
    if enough:
        chosen = [windows[number] for number in enough]
        for number, comparison in zip(
            enough, _compare_batch(chosen, model, limits, settings, preparer or Preparer()), strict=True
        ):
            result[number] = comparison
    return tuple(one for one in result if one is not None)


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
    batch = _assemble(windows, model, preparer)
    fit = _fit(batch)
    removed = np.einsum("bnp,bp->bn", batch.conditions, fit.slope)
    return Estimate(fit, batch.names, batch.conditions, removed, batch.weight)


def _too_few(window: Window, settings: JudgeSettings) -> Comparison:
    nan = float("nan")
    missing = max(settings.min_flights_after - len(window.after), 0)
    settled_by = missing if len(window.before) >= settings.min_flights_before else None
    return Comparison(
        window, Verdict.TOO_EARLY, None, nan, nan, nan, nan, nan, nan, nan, nan, nan, settled_by, (), ()
    )


def _assemble(windows: Sequence[Window], model: FleetModel, preparer: Preparer) -> _Batch:
    count = len(windows)
    longest = max(len(w.before) + len(w.after) for w in windows)
    own_models = [model.of(w.series.metric, w.series.context) for w in windows]
    pick = [k for k in range(len(CONDITION_NAMES)) if any(m.spread[k] > 0.0 for m in own_models)]
    columns = len(pick) + any(w.drift is not None for w in windows)
    value = np.zeros((count, longest))
    conditions = np.zeros((count, longest, columns))
    slopes = np.zeros((count, columns))
    slope_flights = np.full((count, columns), DRIFT_FLIGHTS)
    after = np.zeros((count, longest), dtype=bool)
    weight = np.zeros((count, longest))
    sigma = np.zeros(count)
    for row, window in enumerate(windows):
        one = own_models[row]
        slope = np.array(one.slope)[pick]
        ready = preparer(window.series)
        picked = np.array(window.before + window.after)
        n, late = picked.size, np.arange(picked.size) >= len(window.before)
        value[row, :n] = ready.value[picked]
        after[row, :n] = late
        filled, known = filled_conditions(
            ready.conditions[picked][:, pick],
            np.array(one.centre)[pick],
            np.array(one.spread)[pick],
            (~late, late),
        )
        conditions[row, :n, : len(pick)] = filled
        slopes[row, : len(pick)], slope_flights[row, : len(pick)] = slope, np.array(one.slope_flights)[pick]
        if window.drift is not None:
            risen = window.drift.rise([*picked, window.after[0]]) / DRIFT_UNIT
            conditions[row, :n, -1] = risen[:-1] - risen[-1]
            slopes[row, -1] = window.drift.rate * DRIFT_UNIT
        sigma[row] = one.sigma if one.sigma > 0.0 else _own_sigma(value[row, :n], late)
        weight[row, :n] = flight_weights(ready.error[picked], sigma[row], known, slope)
    names = [CONDITION_NAMES[k] for k in pick] + ["drift"] * (columns - len(pick))
    return _Batch(
        value, conditions, tuple(names), after, weight, sigma, slopes, slope_flights, tuple(own_models)
    )


def _own_sigma(value: FloatArray, late: BoolArray) -> float:
    """Noise of a series that the fleet knows nothing of; only for the relative weights."""
    deviation = np.concatenate([np.abs(part - np.median(part)) for part in (value[~late], value[late])])
    return max(MAD_TO_SIGMA * float(np.median(deviation)), 1e-9)


def _fit(batch: _Batch) -> StepFit:
    return fit_steps(
        batch.value,
        batch.conditions,
        batch.after,
        batch.weight,
        sigma=batch.sigma,
        sigma_flights=batch.column("sigma_flights"),
        slope=batch.slope,
        slope_flights=batch.slope_flights,
        rho=batch.column("rho"),
    )


def _compare_batch(
    windows: Sequence[Window],
    model: FleetModel,
    limits: Limits,
    settings: JudgeSettings,
    preparer: Preparer,
) -> list[Comparison]:
    batch = _assemble(windows, model, preparer)
    fit = _fit(batch)
    n_before = np.array([len(w.before) for w in windows], dtype=np.float64)
    n_after = np.array([len(w.after) for w in windows], dtype=np.float64)
    rho, shares = batch.column("rho"), batch.column("outlier_share")
    prior_flights = batch.column("sigma_flights")
    log_limit = limits.at(settings.level, n_before, n_after, rho, shares, prior_flights)
    critical = critical_t(log_limit, fit.freedom, fit.information, WIDTH)
    log_e = log_e_value(fit.step / fit.standard_error, fit.freedom, fit.information, WIDTH)
    log_call = log_call_evidence(fit.step / fit.standard_error, fit.freedom, fit.information)
    needed = _forecast(windows, batch, fit, limits, settings)
    result = []
    for row, window in enumerate(windows):
        effect = _effect(window, fit, critical, row)
        if effect is None:
            result.append(replace(_too_few(window, settings), flights_needed=needed[row]))
            continue
        verdict = verdict_of(effect, window.series.better, window.series.matters)
        result.append(
            Comparison(
                window,
                verdict,
                effect,
                float(fit.step[row]),
                float(fit.standard_error[row]),
                float(fit.sigma[row]),
                float(fit.freedom[row]),
                float(log_e[row]),
                float(log_call[row]),
                float(log_limit[row]),
                float(critical[row]),
                float(rho[row]),
                0 if verdict is not Verdict.TOO_EARLY else needed[row],
                *_flights(window, batch, fit, row),
            )
        )
    return result


def _level(value: float, scale: Scale) -> float:
    return float(np.exp(min(value, 700.0))) if scale == "log" else value


def _effect(window: Window, fit: StepFit, critical: FloatArray, row: int) -> Effect | None:
    """Step and interval in the metric's own unit, at the level before the change.

    None where the interval has no end: so few flights cannot reach the limit whatever they show.
    """
    series = window.series
    base, step = float(fit.before[row]), float(fit.step[row])
    half = float(critical[row] * fit.standard_error[row])
    before, after = _level(base, series.scale), _level(base + step, series.scale)
    low = _level(base + step - half, series.scale) - before
    high = _level(base + step + half, series.scale) - before
    if not np.isfinite(half) or max(abs(low), abs(high)) > ENDLESS:
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


def _forecast(
    windows: Sequence[Window], batch: _Batch, fit: StepFit, limits: Limits, settings: JudgeSettings
) -> list[int | None]:
    """Further flights after which the interval will probably settle the matter; None: not in a season.

    The estimate after m more flights is predicted from what is believed of the true step now and from
    the noise still to come; its error shrinks as flights after the change are added while those before
    stay as they are.
    """
    more = np.arange(1.0, settings.season_flights + 1.0)
    n_before = np.array([len(w.before) for w in windows], dtype=np.float64)[:, None]
    n_after = np.array([len(w.after) for w in windows], dtype=np.float64)[:, None]
    later = n_after + more
    shrink = (1.0 / n_before + 1.0 / later) / (1.0 / n_before + 1.0 / n_after)
    error = fit.standard_error[:, None] * np.sqrt(shrink)
    sigma = fit.sigma[:, None]
    freedom = fit.freedom[:, None] + more
    columns = [batch.column(name)[:, None] for name in ("rho", "outlier_share", "sigma_flights")]
    shape = later.shape
    points = [np.broadcast_to(column, shape) for column in (n_before, later, *columns)]
    log_limit = limits.at(settings.level, *points)
    # a limit that so few flights cannot reach at all: an interval as good as without end
    half = np.minimum(critical_t(log_limit, freedom, (sigma / error) ** 2, WIDTH) * error, ENDLESS)
    now = fit.standard_error[:, None]
    # what is believed of the true step, under the same prior as the evidence
    trust = (fit.information / (1.0 + fit.information))[:, None]
    step = fit.step[:, None]
    share = 1.0 - (error / now) ** 2  # of the future estimate that rests on flights still to come
    expected = step + share * (trust - 1.0) * step
    deviation = np.sqrt(np.maximum(share * (share * trust * now**2 + error**2), 1e-300))
    low_margin, high_margin = (margin[:, None] for margin in _margins(windows, fit))

    def chance(low: FloatArray, high: FloatArray) -> FloatArray:
        above, below = (high - expected) / deviation, (low - expected) / deviation
        return np.asarray(np.maximum(special.ndtr(above) - special.ndtr(below), 0.0))

    unsettled = chance(-half, half) - chance(low_margin + half, high_margin - half)
    probably = 1.0 - unsettled >= FORECAST_CHANCE
    allowed = later <= settings.horizon_flights
    settled = probably & allowed
    return [int(more[np.argmax(row)]) if row.any() else None for row in settled]


def _margins(windows: Sequence[Window], fit: StepFit) -> tuple[FloatArray, FloatArray]:
    """Material margins as steps on the transformed scale, below and above zero."""
    low, high = np.zeros(len(windows)), np.zeros(len(windows))
    for row, window in enumerate(windows):
        matters = window.series.matters
        if window.series.scale == "linear":
            low[row], high[row] = -matters, matters
        else:
            level = _level(float(fit.before[row]), "log")
            high[row] = np.log1p(matters / level)
            low[row] = np.log1p(-matters / level) if matters < level else -np.inf
    return low, high


def _flights(
    window: Window, batch: _Batch, fit: StepFit, row: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Flights that hardly count, and flights that show the level before and after best."""
    picked = window.before + window.after
    points = window.series.points
    weight = fit.weight[row, : len(picked)]
    odd = tuple(points[k].flight_id for k, w in zip(picked, weight, strict=True) if w < LOW_WEIGHT)
    adjusted = batch.value[row] - batch.conditions[row] @ fit.slope[row]
    split = len(window.before)
    shown: list[str] = []
    for indices, level, offset in (
        (window.after, fit.before[row] + fit.step[row], split),
        (window.before, fit.before[row], 0),
    ):
        distance = np.abs(adjusted[offset : offset + len(indices)] - level)
        nearest = np.argsort(distance, kind="stable")[:2]
        shown += [points[indices[k]].flight_id for k in nearest]
    return odd, tuple(shown)
