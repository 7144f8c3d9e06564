"""Steps and drift that nobody wrote down.

Between known changes an airframe should stay as it is. After every flight the same evidence as for a
known change is computed for every possible first flight of a step, and of a ramp, and averaged: each
start has a hundredth of the weight, four fifths of it for a step and one for a ramp. The sum is
compared with a limit that unchanged series pass at an even rate (`scan_limits.toml`, made as the
limits of known changes are).

A step is called a drift only when ramps hold nine tenths of the posterior: alarm early, name the
shape later.

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
START_WEIGHT = 0.01
RAMP_SHARE = 0.2
"""Prior share of ramps among what may have happened."""
RAMP_WIDTH = 2.0
"""Prior deviation of a ramp's rise up to now, in flight-to-flight deviations."""
NAMED = 0.9
"""Posterior share from which a shape is named, and that the interval of the start holds."""
GROSS = 2.5
"""Deviations a flight must lie off both its sides to be set aside. Low, because a flight that is
set aside wrongly costs little and one gross error looks like a step."""


@dataclass(frozen=True, slots=True)
class Scan:
    """The scan of a batch of windows of n flights, one entry per series.

    `log_evidence` (B,); `start` the likeliest first flight after; `earliest`, `latest` bound it with
    nine tenths of the posterior; `ramp_share` the posterior share of ramps; `rise` the fitted change
    up to the last flight and `rise_error` its standard error; `level` before; `sigma`; `gross`
    (B, n) flights set aside.
    """

    log_evidence: FloatArray
    start: np.ndarray
    earliest: np.ndarray
    latest: np.ndarray
    ramp_share: FloatArray
    rise: FloatArray
    rise_error: FloatArray
    level: FloatArray
    sigma: FloatArray
    gross: np.ndarray


def gross_errors(value: FloatArray, sigma: FloatArray) -> np.ndarray:
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
def _designs(n: int) -> tuple[FloatArray, np.ndarray]:
    """Step and ramp regressors for every start, shape (2 S, n), ramps rising to one; and the starts."""
    starts = np.arange(FIRST_START, n - LAST_START + 1)
    flight = np.arange(n)
    steps = (flight >= starts[:, None]).astype(np.float64)
    ramps = np.maximum(flight - starts[:, None] + 1.0, 0.0) / (n - starts[:, None])
    return np.vstack([steps, ramps]), starts


@functools.lru_cache(maxsize=1024)
def _inflation(n: int, rho_hundredths: int) -> FloatArray:
    """Variance of each regressor's coefficient under lag-one correlation over that without."""
    design, _ = _designs(n)
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

    Returns
    -------
    Scan
    """
    n = value.shape[1]
    design, starts = _designs(n)
    own = difference_scale(value, rho)
    scale = np.sqrt((sigma_flights * sigma**2 + 0.3 * n * own**2) / np.maximum(sigma_flights + 0.3 * n, 1e-9))
    scale = np.maximum(scale, 1e-9 * (1.0 + np.abs(value).max(axis=1)))
    gross = gross_errors(value, scale)
    w = np.where(gross, 0.0, weight)
    total = np.maximum(w.sum(axis=1), 1e-12)
    centred = value - ((w * value).sum(axis=1) / total)[:, None]
    mean = w @ design.T / total[:, None]
    power = np.maximum(w @ (design**2).T - total[:, None] * mean**2, 1e-9)
    along = (w * centred) @ design.T
    step = along / power
    square = (w * centred**2).sum(axis=1)[:, None]
    count = (w > 0.0).sum(axis=1)[:, None]
    freedom = sigma_flights[:, None] + np.maximum(count - 2.0, 1.0)
    floor = (1e-9 * (1.0 + np.abs(value).max(axis=1))[:, None]) ** 2
    left = np.maximum(square - along * step, 0.0)
    variance = np.maximum((sigma_flights[:, None] * sigma[:, None] ** 2 + left) / freedom, floor)
    hundredths = np.round(100.0 * rho).astype(np.int64)
    inflation = np.stack([_inflation(n, int(h)) for h in hundredths])
    information = power / inflation
    t = step * np.sqrt(information / variance)
    half = starts.size
    width = np.r_[np.full(half, WIDTH), np.full(half, RAMP_WIDTH)]
    log_e = _log_e(t, freedom, information, width)
    log_e = log_e + np.log(np.r_[np.full(half, 1.0 - RAMP_SHARE), np.full(half, RAMP_SHARE)])
    largest = log_e.max(axis=1, keepdims=True)
    share = np.exp(log_e - largest)
    log_evidence = largest[:, 0] + np.log(START_WEIGHT * share.sum(axis=1))
    posterior = share / share.sum(axis=1, keepdims=True)
    by_start = posterior[:, :half] + posterior[:, half:]
    ramp_share = posterior[:, half:].sum(axis=1)
    best = np.where(
        ramp_share >= NAMED,
        half + posterior[:, half:].argmax(axis=1),
        posterior[:, :half].argmax(axis=1),
    )
    rows = np.arange(value.shape[0])
    cumulative = np.cumsum(by_start, axis=1)
    tail = 0.5 * (1.0 - NAMED)
    chosen = step[rows, best]
    return Scan(
        log_evidence=log_evidence,
        start=starts[best % half],
        earliest=starts[np.argmax(cumulative >= tail, axis=1)],
        latest=starts[np.argmax(cumulative >= 1.0 - tail, axis=1)],
        ramp_share=ramp_share,
        rise=chosen,
        rise_error=np.sqrt(variance[rows, best] / information[rows, best]),
        level=(w * value).sum(axis=1) / total - chosen * mean[rows, best],
        sigma=np.sqrt(variance[rows, best]),
        gross=gross,
    )


def _log_e(t: FloatArray, freedom: FloatArray, information: FloatArray, width: FloatArray) -> FloatArray:
    # `log_e_value` with one width per column: the width only enters with the information
    return log_e_value(t, freedom, information * width**2, 1.0)
