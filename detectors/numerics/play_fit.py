"""Free play between a command and a body rate: the gap's width at the greatest likelihood, with its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.play_likelihood import (
    LAG_SPREAD,
    LARGEST_GAP,
    USUAL_LAG_S,
    PlayLikelihood,
    Record,
)

SCORE_BLOCK_S = 4.0
LEAST_ALONE = 0.75
"""Share of what surface and linear path explain that the surface explains by itself: 0.8 and more with
planted gaps, 0.65 and less where a gap was imagined (flights of the tuning seeds)."""
SEARCH_STEPS = 6
AS_LIKELY, CONTEST = 6.0, 2.0
"""Log-likelihood. With a right model 2 would do for 95 %; corners make it rough by more than that."""
_COARSE_GAPS = np.concatenate(([0.0], np.geomspace(0.004, LARGEST_GAP, 13)))
_COARSE_LAGS_S = (0.03, 0.08)
_LAGS_S = (0.02, 0.05, 0.08, 0.12)

# Errors of the model itself (its order, the sampling, the servo's rate limit), from flights of the
# tuning seeds; the scatter that the data show is added in squares.
MODEL_ERROR = 0.03
MODEL_FLOOR = 0.0017


@dataclass(frozen=True, slots=True)
class PlayFit:
    """What command and response say about play.

    Parameters
    ----------
    gap, gap_error : float
        Total gap as a fraction of full travel, and its standard error.
    lag_s, lag_error_s : float
        Time constant ahead of the gap.
    gain_over_none : float
        Log-likelihood gained over a linkage without play.
    gain_over_silence : float
        Log-likelihood gained over a command that moves nothing.
    contested : bool
        A gap that the surface alone does not bear out would fit better still: then neither is believed.
    """

    gap: float
    gap_error: float
    lag_s: float
    lag_error_s: float
    gain_over_none: float
    gain_over_silence: float
    contested: bool


def fit_play(records: Sequence[Record], rate_hz: float) -> PlayFit | None:
    """Width of the gap and lag ahead of it, by likelihood.

    Parameters
    ----------
    records : sequence of Record
        Even samples, no NaN.
    rate_hz : float
        20 or more.

    Returns
    -------
    PlayFit or None
        None where a piece longer than the warm-up is missing, or nothing moves.
    """
    likelihood = PlayLikelihood.of(records, rate_hz)
    if likelihood is None:
        return None
    found = _search(likelihood)
    gap, lag_s = found.gap, found.lag_s
    none = min(float(likelihood.costs(np.zeros(1), one)[0]) for one in (*_LAGS_S, lag_s))
    gap_error, lag_error = _errors(likelihood, gap, lag_s)
    parts = (gap_error, MODEL_ERROR * gap, MODEL_FLOOR)
    return PlayFit(
        gap=gap,
        # The slope at one place does not know of another place that is as likely.
        gap_error=max(float(np.linalg.norm(parts)), 0.5 * abs(found.farthest - gap)),
        lag_s=lag_s,
        lag_error_s=lag_error,
        gain_over_none=max(none - found.cost, 0.0),
        gain_over_silence=likelihood.silent_cost() - found.cost,
        contested=found.rival < found.cost - CONTEST,
    )


@dataclass(frozen=True, slots=True)
class _Found:
    """The minimum; of the coarse grid the gap farthest from it that is about as likely, and the least cost
    where the surface alone does not bear the gap out."""

    cost: float
    gap: float
    lag_s: float
    farthest: float
    rival: float


def _search(likelihood: PlayLikelihood) -> _Found:
    """Gap and lag at the minimum: coarse over both, then downhill.

    A gap that is hardly ever crossed beside a linear path for all that is small fits any linkage that
    is slow for large commands; so the surface alone must explain most of what both explain.
    """
    widest = max(likelihood.widest, float(_COARSE_GAPS[1]))
    gaps = _COARSE_GAPS[: int(np.searchsorted(_COARSE_GAPS, widest, side="right"))]
    silent = likelihood.silent_cost()
    coarse = [_borne_out(likelihood, gaps, late, silent) for late in _COARSE_LAGS_S]
    best = min(_least(gaps, cost, late) for (cost, _), late in zip(coarse, _COARSE_LAGS_S, strict=True))
    for _ in range(SEARCH_STEPS):
        cost, gap, lag_s = best
        slopes, left = _slopes(likelihood, gap, lag_s)
        curvature, score = _curvature(slopes, left, likelihood.count, lag_s)
        # Gap and lag make up for each other, so they are moved together; Gauss and Newton, held back.
        move = np.linalg.lstsq(curvature, score, rcond=1e-9)[0]
        move /= max(1.0, abs(move[0]) / (0.3 * gap + 0.004), abs(move[1]) / (0.6 * lag_s))
        for share in (1.0, 0.4, 0.1):
            to_gap = np.array([abs(gap - share * move[0])])
            to_lag = float(np.clip(lag_s - share * move[1], 0.005, 0.25))
            best = min(best, _least(to_gap, _borne_out(likelihood, to_gap, to_lag, silent)[0], to_lag))
            if best[0] < cost:
                break
        if best[0] > cost - 0.05:
            break
    cost, gap, lag_s = best
    likely = gaps[np.min([kept for kept, _ in coarse], axis=0) < cost + AS_LIKELY]
    farthest = float(likely[np.argmax(np.abs(likely - gap))]) if likely.size else gap
    return _Found(cost, gap, lag_s, farthest, min(float(np.min(refused)) for _, refused in coarse))


def _borne_out(
    likelihood: PlayLikelihood, gaps: FloatArray, lag_s: float, silent: float
) -> tuple[FloatArray, FloatArray]:
    """Costs of the gaps that the surface alone bears out and of those that it does not, shapes of `gaps`;
    infinite in the other."""
    both, alone = likelihood.costs_and_alone(gaps, lag_s)
    refused = (silent - alone < LEAST_ALONE * (silent - both)) & (gaps > 0.0)
    return np.where(refused, np.inf, both), np.where(refused, both, np.inf)


def _least(gaps: FloatArray, cost: FloatArray, lag_s: float) -> tuple[float, float, float]:
    """Cost, gap and lag of the best of the gaps at one lag."""
    place = int(np.argmin(cost))
    return float(cost[place]), float(gaps[place]), lag_s


def _slopes(likelihood: PlayLikelihood, gap: float, lag_s: float) -> tuple[FloatArray, FloatArray]:
    """Slopes of the one-step errors by gap and by lag, shape (2, rows), and the errors themselves."""
    return likelihood.kept.get(("slopes", gap, lag_s), lambda: _slopes_at(likelihood, gap, lag_s))


def _slopes_at(likelihood: PlayLikelihood, gap: float, lag_s: float) -> tuple[FloatArray, FloatArray]:
    low, high = max(gap - max(0.06 * gap, 0.0015), 0.0), gap + max(0.06 * gap, 0.0015)
    late = 0.2 * lag_s
    below, left, above = likelihood.errors(np.array([low, gap, high]), lag_s)
    (sooner,), (later,) = (likelihood.errors(np.array([gap]), one) for one in (lag_s - late, lag_s + late))
    return np.stack([(above - below) / (high - low), (later - sooner) / (2.0 * late)]), left


def _curvature(
    slopes: FloatArray, left: FloatArray, count: int, lag_s: float
) -> tuple[FloatArray, FloatArray]:
    """Of the negative log-likelihood, shape (2, 2), and its slope, shape (2,), with the lag's prior."""
    variance = float(left @ left) / count
    curvature, slope = slopes @ slopes.T / variance, slopes @ left / variance
    curvature[1, 1] += 1.0 / (LAG_SPREAD * lag_s) ** 2
    slope[1] += np.log(lag_s / USUAL_LAG_S) / (LAG_SPREAD**2 * lag_s)
    return curvature, slope


def _errors(likelihood: PlayLikelihood, gap: float, lag_s: float) -> tuple[float, float]:
    """Standard errors of gap and lag: curvature by the slopes of the one-step errors, scatter of the
    score by blocks (which what the model does not explain makes larger than the curvature says)."""
    slopes, left = _slopes(likelihood, gap, lag_s)
    curvature, _ = _curvature(slopes, left, likelihood.count, lag_s)
    edges = np.arange(0, left.size, round(SCORE_BLOCK_S * likelihood.rate_hz))
    scores = np.add.reduceat(slopes * left, edges, axis=1) * likelihood.count / float(left @ left)
    inverse = np.linalg.pinv(curvature, hermitian=True)
    spread = inverse @ (scores @ scores.T) @ inverse
    largest = np.maximum(np.diag(spread), np.diag(inverse))
    return float(np.sqrt(largest[0])), float(np.sqrt(largest[1]))
