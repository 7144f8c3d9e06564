"""Scanning spans in batches, and weighing what was found against the known changes nearby."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration_scan import ScanLimits
from trimkeep.detectors.history.fleet_model import FleetModel, MetricModel
from trimkeep.detectors.history.memory import Recall, digest
from trimkeep.detectors.history.preparation import Preparer, fill_groups, weigh_flights
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

NOTHING = np.zeros(0)
DECISIVE = 0.1
"""Posterior share below which the known changes nearby do not explain what was found."""


@dataclass(frozen=True, slots=True)
class SpanScan:
    """The scan of one span: one row of `steps_unknown.Scan`, with the limit that its evidence must pass.

    Of one that does not pass it nothing more is asked, and nothing more is kept: its arrays are empty.
    """

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
        log_evidence = float(found.log_evidence[row])
        arrays = (found.log_place, found.rise, found.rise_error, found.level, found.sigma, found.gross)
        # copies, so that a row which is remembered does not hold on to its whole batch
        kept = [array[row].copy() for array in arrays] if log_evidence > log_limit else [NOTHING] * 6
        return cls(found.hypotheses, log_evidence, log_limit, *kept)

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
    """Scans spans under one fleet model.

    Conditions are taken out of each span, and its flights weighed, by itself: what an old window shows does
    not move with flights that came long after it.

    Parameters
    ----------
    model, limits, settings
    preparer : Preparer
    recall : Recall, optional
        What was scanned before.
    """

    def __init__(
        self,
        model: FleetModel,
        limits: ScanLimits,
        settings: JudgeSettings,
        preparer: Preparer,
        recall: Recall[SpanScan] | None = None,
    ) -> None:
        self._model, self._limits, self._settings = model, limits, settings
        self._preparer, self._recall = preparer, recall

    def __call__(self, spans: Sequence[Span], held: Sequence[Collection[int]]) -> list[SpanScan]:
        """Scan each span with steps held at the places that go with it."""
        groups: dict[tuple[int, int], list[int]] = defaultdict(list)
        for number, (span, places) in enumerate(zip(spans, held, strict=True)):
            groups[len(span.points), len(places)].append(number)
        result: dict[int, SpanScan] = {}
        for numbers in groups.values():
            chosen = [spans[n] for n in numbers]
            result.update(zip(numbers, self._batch(chosen, [held[n] for n in numbers]), strict=True))
        return [result[number] for number in range(len(spans))]

    def _batch(self, spans: Sequence[Span], held: Sequence[Collection[int]]) -> list[SpanScan]:
        def anew(rows: Sequence[int]) -> list[SpanScan]:
            return self._scan([spans[row] for row in rows], [held[row] for row in rows])

        if self._recall is None:
            return anew(range(len(spans)))
        return self._recall(self._keys(spans, held), anew)

    def _keys(self, spans: Sequence[Span], held: Sequence[Collection[int]]) -> list[bytes]:
        """A digest of everything that the scan of each span rests on."""
        flights: dict[int, tuple[FloatArray, str]] = {}
        keys = []
        for span, steps in zip(spans, held, strict=True):
            series = span.series
            if id(series) not in flights:
                ready, learned = self._preparer(series), self._model.of(series.metric, series.context)
                used = np.array(learned.spread) > 0.0
                rows = np.column_stack([ready.value, ready.error, ready.conditions[:, used]])
                flights[id(series)] = rows, f"{self._settings.unexplained_level}{learned}"
            rows, words = flights[id(series)]
            first, last = span.points[0], span.points[-1]
            unbroken = last - first + 1 == len(span.points)
            shown = rows[first : last + 1] if unbroken else rows[np.array(span.points)]
            keys.append(digest(shown, f"{words}{sorted(steps)}"))
        return keys

    def _scan(self, spans: Sequence[Span], held: Sequence[Collection[int]]) -> list[SpanScan]:
        models = [self._model.of(s.series.metric, s.series.context) for s in spans]
        value, weight = _adjusted(spans, models, self._preparer)
        count, flights = value.shape
        sigma, sigma_flights, rho, shares = np.array(
            [(m.sigma, m.sigma_flights, m.rho, m.outlier_share) for m in models]
        ).T
        columns = np.zeros((count, flights, len(held[0])))
        for row, steps in enumerate(held):
            for column, place in enumerate(sorted(steps)):
                columns[row, place:, column] = 1.0
        found = scan(
            value,
            np.maximum(weight, 1e-6),
            sigma=sigma,
            sigma_flights=sigma_flights,
            rho=rho,
            held=columns if columns.size else None,
        )
        lengths = np.full(count, float(flights))
        limit = self._limits.at(self._settings.unexplained_level, lengths, rho, shares, sigma_flights)
        return [SpanScan.of(found, row, float(limit[row])) for row in range(count)]


def _adjusted(
    spans: Sequence[Span], models: Sequence[MetricModel], preparer: Preparer
) -> tuple[FloatArray, FloatArray]:
    """Values with the fleet's influence of the conditions removed, and weights, of spans of one length."""
    points = {id(span.points): np.array(span.points) for span in spans}
    rows = [(preparer(span.series), points[id(span.points)]) for span in spans]
    value = np.stack([ready.value[picked] for ready, picked in rows])
    error = np.stack([ready.error[picked] for ready, picked in rows])
    conditions = np.stack([ready.conditions[picked] for ready, picked in rows])
    slope, centre, spread = (
        np.array([getattr(m, name) for m in models]) for name in ("slope", "centre", "spread")
    )
    everything = np.ones((len(spans), 1, value.shape[1]), dtype=bool)
    filled, known = fill_groups(conditions, centre, spread, everything)
    sigma = np.array([m.sigma for m in models])
    alone = sigma <= 0.0
    if alone.any():
        sigma = np.where(alone, difference_scale(value, np.array([m.rho for m in models])), sigma)
    weight = weigh_flights(error, np.maximum(sigma, 1e-9), known, slope, everything[:, 0])
    return value - np.einsum("bnp,bp->bn", filled, slope), weight


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
