"""Scanning spans in batches, and weighing what was found against the known changes nearby."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration_scan import ScanLimits
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.model import Series
from trimkeep.detectors.history.preparation import Preparer, filled_conditions, flight_weights
from trimkeep.detectors.history.spans import Span
from trimkeep.detectors.history.steps_unknown import (
    NAMED,
    Hypotheses,
    Scan,
    difference_scale,
    posterior,
    scan,
)
from trimkeep.detectors.model import FloatArray

DECISIVE = 0.1
"""Posterior share below which the known changes nearby do not explain what was found."""


@dataclass(frozen=True, slots=True)
class SpanScan:
    """The scan of one span: one row of `steps_unknown.Scan`, with the limit that its evidence must pass."""

    hypotheses: Hypotheses
    log_evidence: float
    log_limit: float
    log_place: FloatArray
    rise: FloatArray
    rise_error: FloatArray
    level: FloatArray
    sigma: FloatArray
    gross: np.ndarray

    @classmethod
    def of(cls, found: Scan, row: int, log_limit: float) -> SpanScan:
        """One row of a batch."""
        return cls(
            found.hypotheses,
            float(found.log_evidence[row]),
            log_limit,
            found.log_place[row],
            found.rise[row],
            found.rise_error[row],
            found.level[row],
            found.sigma[row],
            found.gross[row],
        )

    @property
    def alarms(self) -> bool:
        """Whether anything is found at all."""
        return self.log_evidence > self.log_limit


@dataclass(frozen=True, slots=True)
class Place:
    """What is likeliest besides the known changes: which hypothesis, and bounds of its start."""

    hypothesis: int
    drift: bool
    start: int
    earliest: int
    latest: int


class Scanner:
    """Scans spans under one fleet model; conditions are taken out of each series once."""

    def __init__(
        self, model: FleetModel, limits: ScanLimits, settings: JudgeSettings, preparer: Preparer
    ) -> None:
        self._model, self._limits, self._settings = model, limits, settings
        self._preparer = preparer
        self._adjusted: dict[int, FloatArray] = {}

    def __call__(self, spans: Sequence[Span], held: Sequence[Collection[int]]) -> list[SpanScan]:
        """Scan each span with steps held at the places that go with it."""
        groups: dict[tuple[int, bool], list[int]] = defaultdict(list)
        for number, (span, places) in enumerate(zip(spans, held, strict=True)):
            groups[len(span.points), bool(places)].append(number)
        result: dict[int, SpanScan] = {}
        for numbers in groups.values():
            chosen = [spans[n] for n in numbers]
            result.update(zip(numbers, self._batch(chosen, [held[n] for n in numbers]), strict=True))
        return [result[number] for number in range(len(spans))]

    def _batch(self, spans: Sequence[Span], held: Sequence[Collection[int]]) -> list[SpanScan]:
        models = [self._model.of(s.series.metric, s.series.context) for s in spans]
        both = np.stack([self._values(s.series)[:, list(s.points)] for s in spans])
        rho = np.array([m.rho for m in models])
        sigma_flights = np.array([m.sigma_flights for m in models])
        most = max(len(places) for places in held)
        columns = np.zeros((len(spans), both.shape[2], most))
        for row, (span, places) in enumerate(zip(spans, held, strict=True)):
            for column, place in enumerate(sorted(places)):
                columns[row, :, column] = span.step_at(place)
        found = scan(
            both[:, 0],
            np.maximum(both[:, 1], 1e-6),
            sigma=np.array([m.sigma for m in models]),
            sigma_flights=sigma_flights,
            rho=rho,
            held=columns if most else None,
        )
        flights = np.full(len(spans), float(both.shape[2]))
        shares = np.array([m.outlier_share for m in models])
        limit = self._limits.at(self._settings.unexplained_level, flights, rho, shares, sigma_flights)
        return [SpanScan.of(found, row, float(limit[row])) for row in range(len(spans))]

    def _values(self, series: Series) -> FloatArray:
        """Values with the fleet's influence of the conditions removed, and weights, shape (2, n)."""
        known = self._adjusted.get(id(series))
        if known is None:
            known = self._adjusted[id(series)] = _adjusted(series, self._preparer, self._model)
        return known


def _adjusted(series: Series, preparer: Preparer, model: FleetModel) -> FloatArray:
    ready = preparer(series)
    one = model.of(series.metric, series.context)
    slope = np.array(one.slope)
    filled, known = filled_conditions(ready.conditions, np.array(one.centre), np.array(one.spread), ())
    sigma = one.sigma
    if sigma <= 0.0 and ready.value.size > 2:
        sigma = float(difference_scale(ready.value[None], np.array([one.rho]))[0])
    weight = flight_weights(ready.error, max(sigma, 1e-9), known, slope)
    return np.stack([ready.value - filled @ slope, weight])


def near_known(one: SpanScan, span: Span, tolerance: int) -> np.ndarray:
    """Steps within `tolerance` flights of a known change: they are that change, a flight or two off."""
    start, ramp = one.hypotheses.start, one.hypotheses.ramp
    near = np.zeros(start.size, dtype=bool)
    for known in span.known:
        near |= ~ramp & (np.abs(start - known.place) <= tolerance)
    return near


def known_share(one: SpanScan, span: Span, tolerance: int) -> float:
    """Posterior share of the known changes among all that may have happened.

    Somebody did something just there: that place weighs as much as a hundred others.
    """
    logs = one.log_place + one.hypotheses.log_prior
    for known in span.known:
        exact = ~one.hypotheses.ramp & (one.hypotheses.start == known.place)
        logs = np.where(exact, one.log_place, logs)
    return float(posterior(logs)[near_known(one, span, tolerance)].sum())


def likeliest_place(one: SpanScan, span: Span, tolerance: int, *, steps_only: bool = False) -> Place:
    """The step or drift that explains best what the known changes do not.

    `steps_only` names the best step even where a drift is likelier; a drift only where no step is left.
    """
    start, ramp = one.hypotheses.start, one.hypotheses.ramp
    logs = np.where(near_known(one, span, tolerance), -np.inf, one.log_place + one.hypotheses.log_prior)
    if steps_only and np.isfinite(logs[~ramp]).any():
        logs = np.where(ramp, -np.inf, logs)
    share = posterior(logs)
    steps = share * ~ramp
    drift = bool(share[ramp].sum() >= NAMED) or not steps.any()
    best = int(np.argmax(share * ramp if drift else steps))
    cumulative = np.cumsum(np.bincount(start, share))
    tail = 0.5 * (1.0 - NAMED)
    return Place(
        best,
        drift,
        int(start[best]),
        int(np.argmax(cumulative >= tail)),
        int(np.argmax(cumulative >= 1.0 - tail)),
    )
