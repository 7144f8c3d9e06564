"""Steps and drift that nobody wrote down.

Between known changes an airframe should stay as it is. After every flight the same evidence as for a
known change is computed for every possible first flight of a step, and of a ramp, and averaged: each
start has a hundredth of the weight, four fifths of it for a step and one for a ramp. The sum is
compared with a limit that unchanged series pass at an even rate (`scan_limits.toml`, made as the
limits of known changes are).

An effect of a usual size is weighed under a narrow law, which keeps it quick for two deviations but
lets a step of fifty look hardly more certain than one of five. So a tenth of the weight is on a much
wider law, which a large effect cannot exhaust; and the place and the shape are weighed under that one
alone. A step is called a drift only when ramps hold nine tenths of the posterior: alarm early, name
the shape later.

Known changes that have shown an effect of their own are fitted beside (`held`), so that what is looked
for is what they leave over.

References
----------
.. [1] Shin, Ramdas, Rinaldo, "E-detectors: a nonparametric framework for sequential change
   detection", New England J. Stat. Data Sci. 2 (2024) 229-260: averaging over starts.
.. [2] Hampel, JASA 69 (1974) 383-393: the identifier of gross errors.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.detectors.history.calibration import WIDTH
from trimkeep.detectors.history.evidence import log_e_value
from trimkeep.detectors.history.step_fit import MAD_TO_SIGMA
from trimkeep.detectors.model import FloatArray

WINDOW = 80
"""Flights looked at together; a step further back is found by an earlier window."""
SHORTEST = 12
"""Flights of a stretch before anything is looked for."""
FIRST_START, LAST_START = 5, 3
"""Flights that must lie before a start, and after it (the first flight after included)."""
LEAST_WEIGHT = 2.0
"""Flights' worth of weight that must lie on either side of a start: one flight is no level."""
IMPOSSIBLE = -1e3
START_WEIGHT = 0.01
RAMP_SHARE = 0.2
"""Prior share of ramps among what may have happened."""
RAMP_WIDTH = 2.0
"""Prior deviation of a ramp's rise up to now, in flight-to-flight deviations."""
FIRST_RAMP = 1
"""Wear may be as old as the history: ramps may start right after its first flight."""
WIDE, WIDE_SHARE = 10.0, 0.1
"""Prior deviation of an effect beyond the usual, and how much of the weight is on it."""
SHORTEST_RAMP = 10
"""Flights a drift must have gone on for: what is shorter looks like a step, or like two gross errors."""
NAMED = 0.9
"""Posterior share from which a shape is named, and that the interval of the start holds."""
GROSS = 2.5
"""Deviations a flight must lie off both its sides to be set aside. Low, because a flight that is
set aside wrongly costs little and one gross error looks like a step."""


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """Every step and every ramp that a window of n flights may hold, H of them.

    `design` (H, n), steps of one, ramps rising to one at the last flight; `start` (H,) the first
    flight after, or the first that shows the ramp; `ramp` (H,); `log_prior` (H,).
    """

    design: FloatArray
    start: NDArray[np.int64]
    ramp: NDArray[np.bool_]
    log_prior: FloatArray


@dataclass(frozen=True, slots=True)
class Scan:
    """The scan of a batch of windows of equal length, B series against H hypotheses.

    `log_evidence` (B,) over all hypotheses; `log_place` (B, H) the weight of each for place and shape,
    before any prior; `rise` (B, H) the fitted change up to the last flight, `rise_error` its standard
    error, `level` the level right before it, `sigma` the flight-to-flight deviation beside it;
    `gross` (B, n) flights set aside.
    """

    hypotheses: Hypotheses
    log_evidence: FloatArray
    log_place: FloatArray
    rise: FloatArray
    rise_error: FloatArray
    level: FloatArray
    sigma: FloatArray
    gross: NDArray[np.bool_]

    @property
    def ramp_share(self) -> FloatArray:
        """Posterior share of ramps, shape (B,)."""
        share = posterior(self.log_place + self.hypotheses.log_prior)
        return np.asarray(share[:, self.hypotheses.ramp].sum(axis=1))


def posterior(log_weight: FloatArray) -> FloatArray:
    """Shares that sum to one along the last axis."""
    share = np.exp(log_weight - log_weight.max(axis=-1, keepdims=True))
    return np.asarray(share / share.sum(axis=-1, keepdims=True))


def gross_errors(value: FloatArray, sigma: FloatArray) -> NDArray[np.bool_]:
    """Flights that agree neither with the three before nor with the three after them.

    A step's first flights disagree with those before but not with those after, so they stay; only
    the newest flight must wait for the next one.

    Parameters
    ----------
    value : ndarray, shape (B, n)
    sigma : ndarray, shape (B,)

    Returns
    -------
    ndarray of bool, shape (B, n)
    """
    count, n = value.shape
    edge = np.full((count, 3), np.nan)
    padded = np.hstack([edge, value, edge])
    views = np.lib.stride_tricks.sliding_window_view(padded, 3, axis=1)
    earlier, later = _median3(views[:, :n]), _median3(views[:, 4 : n + 4])
    limit = GROSS * sigma[:, None]
    from_earlier = ~(np.abs(value - earlier) <= limit)
    from_later = ~(np.abs(value - later) <= limit)
    # no flight on one side is no witness: then the other side decides
    from_earlier[:, 0], from_later[:, -1] = True, True
    return np.asarray(from_earlier & from_later)


def _median3(views: FloatArray) -> FloatArray:
    """Median of three with NaN left out; one of two or one is their mean."""
    ordered = np.sort(views, axis=2)  # NaN last
    known = np.isfinite(ordered).sum(axis=2)
    two = 0.5 * (ordered[..., 0] + np.where(known > 1, ordered[..., 1], ordered[..., 0]))
    return np.where(known == 3, ordered[..., 1], two)


def difference_scale(value: FloatArray, rho: FloatArray) -> FloatArray:
    """Flight-to-flight deviation from the differences of neighbours, which no single step moves.

    The variance of a difference is 2 (1 - rho) sigma^2.
    """
    middle = np.median(np.abs(np.diff(value, axis=1)), axis=1)
    return np.asarray(MAD_TO_SIGMA * middle / np.sqrt(2.0 * np.maximum(1.0 - rho, 0.2)))


@functools.lru_cache(maxsize=256)
def hypotheses(n: int) -> Hypotheses:
    """All that may have happened in n flights."""
    steps = np.arange(FIRST_START, n - LAST_START + 1)
    ramps = np.arange(FIRST_RAMP, n - SHORTEST_RAMP + 1)
    flight = np.arange(n)
    rising = np.maximum(flight - ramps[:, None] + 1.0, 0.0) / (n - ramps[:, None])
    ramp = np.r_[np.zeros(steps.size, dtype=bool), np.ones(ramps.size, dtype=bool)]
    return Hypotheses(
        np.vstack([(flight >= steps[:, None]).astype(np.float64), rising]),
        np.r_[steps, ramps],
        ramp,
        np.log(START_WEIGHT * np.where(ramp, RAMP_SHARE, 1.0 - RAMP_SHARE)),
    )


@functools.lru_cache(maxsize=1024)
def _inflation(n: int, rho_hundredths: int) -> FloatArray:
    """Variance of each hypothesis' coefficient under lag-one correlation over that without.

    Columns held beside it take slow movement away and could only lower it.
    """
    design = hypotheses(n).design
    centred = design - design.mean(axis=1, keepdims=True)
    rho = rho_hundredths / 100.0
    correlation = rho ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    return np.asarray(((centred @ correlation) * centred).sum(axis=1) / (centred**2).sum(axis=1))


def scan(
    value: FloatArray,
    weight: FloatArray,
    *,
    sigma: FloatArray,
    sigma_flights: FloatArray,
    rho: FloatArray,
    held: FloatArray | None = None,
) -> Scan:
    """Look for a step or a ramp in windows of equal length.

    Parameters
    ----------
    value : ndarray, shape (B, n)
        Transformed metric with the conditions' influence removed; n at least SHORTEST.
    weight : ndarray, shape (B, n)
        Relative weight of each flight, above 0.
    sigma, sigma_flights, rho : ndarray, shape (B,)
        As in `fit_steps`.
    held : ndarray, shape (B, n, q), optional
        Columns that are fitted beside, steps at known changes; a column of zeros is none.

    Returns
    -------
    Scan
    """
    n = value.shape[1]
    known = hypotheses(n)
    own = difference_scale(value, rho)
    scale = np.sqrt((sigma_flights * sigma**2 + 0.3 * n * own**2) / np.maximum(sigma_flights + 0.3 * n, 1e-9))
    scale = np.maximum(scale, 1e-9 * (1.0 + np.abs(value).max(axis=1)))
    gross = gross_errors(value, scale)
    w = np.where(gross, 0.0, weight)
    total = w.sum(axis=1)
    beside = np.ones((*value.shape, 1))
    if held is not None:
        beside = np.concatenate([beside, held], axis=2)
    base = _Beside(w, beside)
    # beta[b, q]: what the columns beside take of the value, of each hypothesis
    taken, of_each = base.taken(value), base.taken_of(known.design)
    left = value - np.einsum("bnq,bq->bn", beside, taken)
    along = _each_times(w * left, known.design)
    power = np.maximum(_each_times(w, known.design**2) - base.power_of(known.design, of_each), 1e-9)
    step = along / power
    square = (w * left**2).sum(axis=1)[:, None]
    count = (w > 0.0).sum(axis=1)[:, None]
    columns = (np.abs(beside) > 0.0).any(axis=1).sum(axis=1)[:, None]
    freedom = sigma_flights[:, None] + np.maximum(count - columns - 1.0, 1.0)
    floor = (1e-9 * (1.0 + np.abs(value).max(axis=1))[:, None]) ** 2
    rest = np.maximum(square - along * step, 0.0)
    variance = np.maximum((sigma_flights[:, None] * sigma[:, None] ** 2 + rest) / freedom, floor)
    hundredths = np.round(100.0 * rho).astype(np.int64)
    information = power / np.stack([_inflation(n, int(h)) for h in hundredths])
    t = step * np.sqrt(information / variance)
    width = np.where(known.ramp, RAMP_WIDTH, WIDTH)
    # one width per column: the width only enters with the information
    until = np.cumsum(w, axis=1)[:, known.start - 1]
    enough = (until > LEAST_WEIGHT - 1e-9) | known.ramp
    enough &= total[:, None] - until > LEAST_WEIGHT - 1e-9
    usual = np.where(enough, log_e_value(t, freedom, information * width**2, 1.0), IMPOSSIBLE)
    wide = np.where(enough, log_e_value(t, freedom, information, WIDE), IMPOSSIBLE)
    log_e = np.logaddexp(usual + np.log1p(-WIDE_SHARE), wide + np.log(WIDE_SHARE)) + known.log_prior
    largest = log_e.max(axis=1)
    before = beside[:, known.start - 1]  # (B, H, q)
    level = np.einsum("bhq,bq->bh", before, taken) - step * np.einsum("bhq,bqh->bh", before, of_each)
    return Scan(
        hypotheses=known,
        log_evidence=largest + np.log(np.exp(log_e - largest[:, None]).sum(axis=1)),
        log_place=wide,
        rise=step,
        rise_error=np.sqrt(variance / information),
        level=level,
        sigma=np.sqrt(variance),
        gross=gross,
    )


def _each_times(rows: FloatArray, design: FloatArray) -> FloatArray:
    """rows @ design.T one row at a time: a series alone gives the same bits as in company."""
    return np.asarray(np.matmul(rows[:, None, :], design.T)[:, 0])


class _Beside:
    """Weighted projection on the columns that stand beside every hypothesis."""

    def __init__(self, weight: FloatArray, columns: FloatArray) -> None:
        self._weighted = weight[:, :, None] * columns  # (B, n, q)
        normal = np.matmul(self._weighted.transpose(0, 2, 1), columns)
        if columns.shape[2] == 1:
            self._inverse = 1.0 / np.maximum(normal, 1e-12)
        else:  # a column may be empty, or lie on flights that were set aside
            self._inverse = np.linalg.pinv(normal, rcond=1e-9, hermitian=True)

    def taken(self, value: FloatArray) -> FloatArray:
        """Coefficients of the columns in `value` (B, n): shape (B, q)."""
        inner = np.einsum("bnq,bn->bq", self._weighted, value)
        return np.asarray(np.einsum("bqr,br->bq", self._inverse, inner))

    def taken_of(self, design: FloatArray) -> FloatArray:
        """The same for each row of a design (H, n): shape (B, q, H)."""
        return np.asarray(np.matmul(self._inverse, np.matmul(self._weighted.transpose(0, 2, 1), design.T)))

    def power_of(self, design: FloatArray, taken: FloatArray) -> FloatArray:
        """Weighted square sum of each row that the columns account for: shape (B, H)."""
        inner = np.matmul(self._weighted.transpose(0, 2, 1), design.T)
        return np.asarray((inner * taken).sum(axis=1))
