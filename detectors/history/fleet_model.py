"""What the fleet teaches about a metric: influence of the conditions, noise, memory, gross errors.

Learned from stretches in which nothing is being judged, each with its own level, so that no change
can leak into it. Frozen: the judge reads it and never writes it; its version is a hash of its
content.

References
----------
.. [1] Smyth, "Linear models and empirical Bayes methods", Stat. Appl. Genet. Mol. Biol. 3 (2004),
   section 6.2: the prior on the variances from their spread.
.. [2] DerSimonian and Laird, Controlled Clinical Trials 7 (1986) 177-188: spread of the slopes.
.. [3] Marriott and Pope, Biometrika 41 (1954) 390-402: bias of a short series' correlation.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from scipy import special, stats

from trimkeep.detectors.history.model import Change, Series
from trimkeep.detectors.history.preparation import CONDITION_NAMES, Prepared, filled_conditions, prepare
from trimkeep.detectors.history.step_fit import BISQUARE, MAD_TO_SIGMA
from trimkeep.detectors.model import FloatArray

SCHEMA = 1
UNDER_JUDGEMENT = 60
"""Flights after a change that the fleet does not learn from while they are judged."""
SHORTEST_STRETCH = 4
FEWEST_FLIGHTS = 12
USUAL_RHO = 0.25
"""Correlation from flight to flight taken until the fleet has shown its own."""
USUAL_OUTLIERS = 0.05
USUAL_SLOPE_FLIGHTS = 20.0
USUAL_SIGMA_FLIGHTS = 10.0
LEAST_NOISE = 0.02
"""Of what matters: noise below a fiftieth of it is as good as none, and held there."""
ODD = 3.5
"""Deviations from which a flight counts as a gross error; 0.05 % of normal flights."""


@dataclass(frozen=True, slots=True)
class MetricModel:
    """What is known of one metric in one context, on the transformed scale.

    `centre` and `spread` standardise the conditions of CONDITION_NAMES (spread 0: never measured);
    `slope` is the effect of one spread, worth `slope_flights` flights; `sigma` the flight-to-flight
    deviation with the conditions removed, worth `sigma_flights`.
    """

    metric: str
    context: str
    centre: tuple[float, ...]
    spread: tuple[float, ...]
    slope: tuple[float, ...]
    slope_flights: tuple[float, ...]
    sigma: float
    sigma_flights: float
    rho: float
    outlier_share: float
    n_airframes: int
    n_flights: int


@dataclass(frozen=True, slots=True)
class FleetModel:
    """All metrics' models. `prior_change_share` is what the fleet's history says of changes."""

    metrics: tuple[MetricModel, ...] = ()
    n_flights: int = 0
    prior_change_share: float | None = None
    schema: int = SCHEMA
    _index: Mapping[tuple[str, str], MetricModel] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )

    def __post_init__(self) -> None:
        object.__setattr__(self, "_index", {(m.metric, m.context): m for m in self.metrics})

    @property
    def version(self) -> str:
        """First 12 hex digits of the SHA-256 of the content."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()[:12]

    def of(self, metric: str, context: str) -> MetricModel:
        """The model of a metric in a context; one that knows nothing when the fleet has none."""
        return self._index.get((metric, context)) or unknown_metric(metric, context)

    def to_json(self) -> str:
        """One line of JSON with sorted keys; `from_json` gives an equal model."""
        content = {
            "schema": self.schema,
            "n_flights": self.n_flights,
            "prior_change_share": self.prior_change_share,
            "conditions": list(CONDITION_NAMES),
            "metrics": [asdict(m) for m in self.metrics],
        }
        return json.dumps(content, sort_keys=True, allow_nan=False)

    @classmethod
    def from_json(cls, text: str) -> FleetModel:
        """Read what `to_json` wrote.

        Raises
        ------
        ValueError
            Another schema, or other conditions, than this code knows: fit the model anew.
        """
        content: dict[str, Any] = json.loads(text)
        if content.get("schema") != SCHEMA or content.get("conditions") != list(CONDITION_NAMES):
            raise ValueError(f"fleet model of schema {content.get('schema')!r}, this code knows {SCHEMA}")
        metrics = []
        for entry in content["metrics"]:
            values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in entry.items()}
            metrics.append(MetricModel(**values))
        return cls(tuple(metrics), content["n_flights"], content["prior_change_share"])


def unknown_metric(metric: str, context: str) -> MetricModel:
    """A model that adjusts nothing and has no opinion on the noise."""
    zeros = (0.0,) * len(CONDITION_NAMES)
    flights = (USUAL_SLOPE_FLIGHTS,) * len(CONDITION_NAMES)
    return MetricModel(
        metric, context, zeros, zeros, zeros, flights, 0.0, 0.0, USUAL_RHO, USUAL_OUTLIERS, 0, 0
    )


def refit_due(model: FleetModel, n_flights: int, growth: float) -> bool:
    """Whether the fleet has grown enough (by the share `growth`) since the model was fitted."""
    return n_flights > 0 and n_flights >= model.n_flights * (1.0 + growth)


def fit_fleet_model(series: Sequence[Series], changes: Sequence[Change]) -> FleetModel:
    """Learn the fleet's model from the stretches between changes.

    Parameters
    ----------
    series : sequence of Series
        All airframes, all metrics, in any order.
    changes : sequence of Change
        All changes: they bound the stretches. The flights after the last change of an airframe are
        left out until UNDER_JUDGEMENT of them have been flown.

    Returns
    -------
    FleetModel
        A function of the set of flights only, not of the order in which they are given.
    """
    bounds: dict[str, list[int]] = defaultdict(list)
    for change in changes:
        bounds[change.airframe].append(change.first_order)
    grouped: dict[tuple[str, str], list[Series]] = defaultdict(list)
    for one in series:
        if one.better != "none" and one.points:
            grouped[one.metric, one.context].append(one)
    metrics = []
    for metric, context in sorted(grouped):
        members = sorted(grouped[metric, context], key=lambda s: s.airframe)
        metrics.append(_fit_metric(metric, context, members, bounds))
    flights = {(s.airframe, p.flight_id) for s in series for p in s.points}
    return FleetModel(tuple(metrics), len(flights))


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Flights of all airframes that may be learned from; each stretch has its own level."""

    value: FloatArray
    conditions: FloatArray
    stretch: FloatArray
    airframe: FloatArray


def _learnable(members: Sequence[Series], bounds: Mapping[str, list[int]]) -> _Stretches:
    parts: list[tuple[Prepared, FloatArray]] = []
    labels: list[int] = []
    stretches: list[FloatArray] = []
    count = 0
    for number, one in enumerate(members):
        ready = prepare(one)
        cuts = sorted(set(bounds.get(one.airframe, ())))
        stretch = np.searchsorted(cuts, ready.order, side="right").astype(np.float64)
        keep = np.ones(stretch.size, dtype=bool)
        for label in np.unique(stretch):
            inside = stretch == label
            judged = label == len(cuts) > 0 and inside.sum() < UNDER_JUDGEMENT
            if judged or inside.sum() < SHORTEST_STRETCH:
                keep &= ~inside
        if keep.any():
            picked = Prepared(ready.value[keep], ready.error[keep], ready.conditions[keep], ready.order[keep])
            parts.append((picked, stretch[keep] + count))
            labels.append(number)
        count += len(cuts) + 1
    if not parts:
        empty = np.zeros(0)
        return _Stretches(empty, np.zeros((0, len(CONDITION_NAMES))), empty, empty)
    stretches = [s for _, s in parts]
    return _Stretches(
        np.concatenate([p.value for p, _ in parts]),
        np.concatenate([p.conditions for p, _ in parts]),
        np.unique(np.concatenate(stretches), return_inverse=True)[1].astype(np.float64),
        np.concatenate([np.full(p.value.size, float(k)) for (p, _), k in zip(parts, labels, strict=True)]),
    )


def _fit_metric(
    metric: str, context: str, members: Sequence[Series], bounds: Mapping[str, list[int]]
) -> MetricModel:
    data = _learnable(members, bounds)
    if data.value.size < FEWEST_FLIGHTS:
        return unknown_metric(metric, context)
    centre, spread = _standards(data.conditions)
    filled, _ = filled_conditions(data.conditions, centre, spread, ())
    index = data.stretch.astype(np.int64)
    airframe = data.airframe.astype(np.int64)
    slope, residual, robust = _within_slopes(data.value, filled, index)
    freedom = data.value.size - np.unique(index).size
    sigma_all = _scale(residual, freedom)
    slope, slope_flights = _slope_spread(filled, residual, robust, index, airframe, slope, sigma_all)
    floor = LEAST_NOISE * _typical_margin(members)
    sigma, sigma_flights = _sigma_prior(residual, index, airframe, max(sigma_all, floor), floor)
    return MetricModel(
        metric,
        context,
        tuple(centre.tolist()),
        tuple(spread.tolist()),
        tuple(slope.tolist()),
        tuple(slope_flights.tolist()),
        sigma,
        sigma_flights,
        _memory(residual / max(sigma_all, 1e-300), index),
        _outlier_share(residual, sigma_all),
        int(np.unique(airframe).size),
        int(data.value.size),
    )


def _typical_margin(members: Sequence[Series]) -> float:
    """What matters, on the transformed scale, at the members' median level."""
    first = members[0]
    if first.scale == "linear":
        return first.matters
    level = float(np.median([p.value for s in members for p in s.points]))
    return float(np.log1p(first.matters / max(level, first.matters)))


def _standards(conditions: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Median and robust spread of each condition; spread 0 where it is rarely measured or constant."""
    centre = np.zeros(conditions.shape[1])
    spread = np.zeros(conditions.shape[1])
    for k in range(conditions.shape[1]):
        column = conditions[:, k]
        column = column[np.isfinite(column)]
        if column.size < max(FEWEST_FLIGHTS, 0.3 * conditions.shape[0]):
            continue
        centre[k] = np.median(column)
        spread[k] = max(MAD_TO_SIGMA * np.median(np.abs(column - centre[k])), 0.5 * column.std())
    return centre, np.where(spread > 1e-6, spread, 0.0)


def _centre_by(value: FloatArray, weight: FloatArray, index: np.ndarray) -> FloatArray:
    """`value` minus the weighted mean of its stretch; value (n,) or (n, p)."""
    total = np.maximum(np.bincount(index, weight), 1e-300)
    if value.ndim == 1:
        return np.asarray(value - (np.bincount(index, weight * value) / total)[index])
    columns = [_centre_by(value[:, k], weight, index) for k in range(value.shape[1])]
    return np.stack(columns, axis=1)


def _within_slopes(
    value: FloatArray, filled: FloatArray, index: np.ndarray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Bisquare regression on the conditions within stretches: slopes, residuals, robust weights."""
    residual = value - _medians(value, index)[index]
    slope = np.zeros(filled.shape[1])
    weight = np.ones(value.size)
    freedom = value.size - index.max() - 1
    for _ in range(20):
        scale = max(_scale(residual, freedom), 1e-12)
        weight = (1.0 - np.minimum(np.abs(residual) / (BISQUARE * scale), 1.0) ** 2) ** 2
        columns = _centre_by(filled, weight, index)
        centred = _centre_by(value, weight, index)
        # five flights' worth of "no influence" keep a young fleet from learning nonsense
        normal = (columns * weight[:, None]).T @ columns + 5.0 * np.eye(filled.shape[1])
        slope = np.linalg.solve(normal, columns.T @ (weight * centred))
        residual = centred - columns @ slope
    return slope, residual, weight


def _medians(value: FloatArray, index: np.ndarray) -> FloatArray:
    return np.array([np.median(value[inside]) for inside in _members(index)])


def _members(index: np.ndarray) -> list[np.ndarray]:
    """Places of each label, smallest label first.

    Sorted once: a mask for each label would cost the square of the fleet.
    """
    order = np.argsort(index, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(index[order])) + 1)


def _scale(residual: FloatArray, freedom: int) -> float:
    """Robust deviation, corrected for the levels that were fitted."""
    if residual.size == 0 or freedom < 1:
        return 0.0
    raw = MAD_TO_SIGMA * float(np.median(np.abs(residual)))
    if raw == 0.0:
        return 0.0
    u = np.minimum(np.abs(residual) / (BISQUARE * raw), 1.0)
    psi = residual * (1.0 - u**2) ** 2
    mean_slope = max(float(np.mean((1.0 - u**2) * (1.0 - 5.0 * u**2))), 0.2)
    return float(np.sqrt((psi**2).sum() / freedom) / mean_slope)


def _slope_spread(
    filled: FloatArray,
    residual: FloatArray,
    robust: FloatArray,
    index: np.ndarray,
    airframe: np.ndarray,
    slope: FloatArray,
    sigma: float,
) -> tuple[FloatArray, FloatArray]:
    """How much the airframes' slopes differ, as flights' worth of the fleet's slope."""
    flights = np.full(slope.size, USUAL_SLOPE_FLIGHTS)
    members = _members(airframe)
    if len(members) < 4 or sigma <= 0.0:
        return slope, flights
    columns = _centre_by(filled, robust, index)
    for k in range(slope.size):
        weighted = robust * columns[:, k]
        power = np.array([(weighted * columns[:, k])[own].sum() for own in members])
        inner = np.array([(weighted * residual)[own].sum() for own in members])
        usable = power > 2.0
        if usable.sum() < 4:
            continue
        own, variance = inner[usable] / power[usable], sigma**2 / power[usable]
        w = 1.0 / variance
        mean = (w * own).sum() / w.sum()
        q = (w * (own - mean) ** 2).sum()
        spread_square = max((q - usable.sum() + 1.0) / (w.sum() - (w**2).sum() / w.sum()), 0.0)
        # the fleet's slope is itself uncertain by 1 / sum of w; and a condition is measured with an
        # error that flattens the slope, so it is never trusted further than the usual
        flights[k] = float(
            np.clip(sigma**2 / (spread_square + 1.0 / w.sum() + 1e-12), 4.0, USUAL_SLOPE_FLIGHTS)
        )
    return slope, flights


def _sigma_prior(
    residual: FloatArray, index: np.ndarray, airframe: np.ndarray, sigma_all: float, floor: float
) -> tuple[float, float]:
    """Scaled inverse chi-square prior on an airframe's variance: its scale and its flights' worth.

    An airframe without any noise, as one whose linkage has no play at all, counts with the floor: that
    it is quiet is known of it too.
    """
    logs, freedoms = [], []
    for mine in _members(airframe):
        freedom = int(mine.size - np.unique(index[mine]).size)
        own = max(_scale(residual[mine], freedom), floor)
        if freedom >= 3:
            half = 0.5 * freedom
            logs.append(2.0 * np.log(own) - special.digamma(half) + np.log(half))
            freedoms.append(freedom)
    if len(logs) < 4:
        # one airframe's noise is no prior for itself; two or three say little of the next one
        return sigma_all, (0.0, 0.0, 3.0, 5.0)[len(logs)]
    mean = float(np.median(logs))
    excess = float(np.var(logs, ddof=1) - np.mean(special.polygamma(1, 0.5 * np.array(freedoms))))
    if excess <= 0.02:
        return float(np.exp(0.5 * mean)), USUAL_SIGMA_FLIGHTS
    flights = 2.0 * _inverse_trigamma(excess)
    scale = np.exp(0.5 * (mean + special.digamma(0.5 * flights) - np.log(0.5 * flights)))
    # a few airframes cannot tell 10 from 100: never worth more than the usual
    return max(float(scale), floor), float(np.clip(flights, 2.0, USUAL_SIGMA_FLIGHTS))


def _inverse_trigamma(value: float) -> float:
    """Newton's iteration of Smyth (2004), appendix."""
    x = 0.5 + 1.0 / value
    for _ in range(50):
        step = float(
            special.polygamma(1, x) * (1.0 - special.polygamma(1, x) / value) / special.polygamma(2, x)
        )
        x += step
        if abs(step) < 1e-10 * x:
            break
    return x


def _memory(standard: FloatArray, index: np.ndarray) -> float:
    """Lag-one correlation within stretches, plus one standard error, between 0 and 0.6.

    From the ranks (Kendall's tau, sin(pi tau / 2) under the normal law), because a gross error
    agrees with neither neighbour and would hide the memory of the flights around it.
    """
    together = index[1:] == index[:-1]
    pairs = int(together.sum())
    if pairs < FEWEST_FLIGHTS:
        return USUAL_RHO
    tau = float(stats.kendalltau(standard[:-1][together], standard[1:][together]).statistic)
    if not np.isfinite(tau):
        return USUAL_RHO
    raw = float(np.sin(0.5 * np.pi * tau))
    length = standard.size / np.unique(index).size
    unbiased = (raw + 1.0 / length) / (1.0 - min(4.0 / length, 0.5))
    return float(np.clip(unbiased + np.sqrt(max(1.0 - unbiased**2, 0.1) / pairs), 0.0, 0.6))


def _outlier_share(residual: FloatArray, sigma: float) -> float:
    """Share of gross errors, with one expected in forty flights before any was seen."""
    if sigma <= 0.0:
        return USUAL_OUTLIERS
    odd = float((np.abs(residual) > ODD * sigma).sum())
    return float(np.clip((odd + 1.0) / (residual.size + 40.0), 0.0, 0.15))
