"""Free play between a command and a body rate: the play operator, and its width by likelihood.

Model, in the order of the hardware: command -> first-order lag (servo) -> play of half-gap b ->
surface, times dynamic pressure -> body rate by a linear difference equation whose order is free. The
one-step errors of that equation are white whatever gusts and the loop do, so that its least squares
is the likelihood (prediction-error method [1]_); differentiating the rate is not needed. The command
itself stands in the equation too: what a linear path explains says nothing about play.

A half-gap in command units (-1 to 1) is the total gap as a fraction of the travel from stop to stop.

References
----------
.. [1] L. Ljung, System Identification, 2nd ed., Prentice Hall 1999, sections 7.2 and 13.4 (closed loop).
.. [2] A. Visintin, Differential Models of Hysteresis, Springer 1994, chapter III (play; from memory).
.. [3] G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10, 1973 (linear unknowns eliminated).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import ndimage, signal

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.runs import BoolArray

MEMORY_S = 0.32
"""Length of the difference equation: a short period or roll mode, a filter and a step of delay."""
WARM_UP_S = 2.0
"""Left out at the start of a piece: where the surface stood before is not known."""
GUST_WINDOW_S = 2.0
SCORE_BLOCK_S = 4.0
USUAL_LAG_S, LAG_SPREAD = 0.05, 0.5
"""Servos of models reach 63 % of a small step in 0.03 to 0.08 s (common practice, no source)."""
LARGEST_GAP = 0.3
WIDEST_SHARE = 0.5
"""Of the span that holds 90 % of the commands: a wider gap is crossed so rarely that nothing tells it
from a linkage that is tight for small commands and slow for large ones."""
LEAST_ALONE = 0.75
"""Share of what surface and linear path explain that the surface explains by itself: 0.8 and more with
planted gaps, 0.65 and less where a gap was imagined (flights of the tuning seeds)."""
FURTHEST_BEHIND = 0.15
"""Beyond it a servo that takes 0.15 to 0.3 s from stop to stop moves at its top speed, not by its lag."""
_COARSE_GAPS = np.concatenate(([0.0], np.geomspace(0.004, LARGEST_GAP, 13)))
_COARSE_LAGS_S = (0.03, 0.08)
SEARCH_STEPS = 6
AS_LIKELY, CONTEST = 6.0, 2.0
"""Log-likelihood. With a right model 2 would do for 95 %; corners make it rough by more than that."""
_LAGS_S = (0.02, 0.05, 0.08, 0.12)

# Errors of the model itself (its order, the sampling, the servo's rate limit), from flights of the
# tuning seeds; the scatter that the data show is added in squares.
MODEL_ERROR = 0.03
MODEL_FLOOR = 0.002


@dataclass(frozen=True, slots=True)
class Record:
    """One gapless piece.

    Parameters
    ----------
    command : ndarray, shape (n,)
        -1 to 1.
    rate : ndarray, shape (n,)
        Body rate, any unit.
    pressure : ndarray, shape (n,)
        Dynamic pressure over its usual value; ones where unknown.
    """

    command: FloatArray
    rate: FloatArray
    pressure: FloatArray


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


def play(command: FloatArray, half_gap: FloatArray) -> FloatArray:
    """Output of the play operator: the surface stays until the gap is crossed, then follows.

    Parameters
    ----------
    command : ndarray, shape (..., n)
        Time runs along the last axis.
    half_gap : ndarray
        Broadcasts against the leading axes of `command`; the output may stray this far from the command.

    Returns
    -------
    ndarray, shape (..., n)
        Begins in the middle of the gap. Each step clips the last output to command +- half_gap; clips
        compose to clips, so that the whole is a scan of log2(n) array operations at most: it ends when the
        longest stay inside the gap is spanned.

    Examples
    --------
    >>> play(np.array([0.0, 1.0, 0.5, -1.0]), np.array(0.25)).tolist()
    [0.0, 0.75, 0.75, -0.75]
    """
    gap = np.asarray(half_gap, dtype=np.float64)[..., None]
    low, high = command - gap, command + gap
    low[..., 0] = high[..., 0] = command[..., 0]
    reach = 1
    while reach < command.shape[-1] and (reach < 64 or np.any(low != high)):
        later_low, later_high = low[..., reach:], high[..., reach:]
        new_low = np.minimum(np.maximum(low[..., :-reach], later_low), later_high)
        later_high[...] = np.minimum(np.maximum(high[..., :-reach], later_low), later_high)
        later_low[...] = new_low
        reach *= 2
    return low


def lagged(command: FloatArray, lag_s: float, rate_hz: float) -> FloatArray:
    """First-order lag of a command that runs straight between samples; shape kept.

    >>> lagged(np.array([0.0, 0.0, 1.0, 1.0]), 0.0, 10.0).tolist()
    [0.0, 0.0, 1.0, 1.0]
    """
    steps = lag_s * rate_hz
    if steps < 1e-3:
        return command
    decay = float(np.exp(-1.0 / steps))
    hold = steps * (1.0 - decay)
    now, before = 1.0 - hold, hold - decay
    state = np.array([command[0] * (1.0 - now)])
    return np.asarray(signal.lfilter([now, before], [1.0, -decay], command, zi=state)[0])


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
    likelihood = _Likelihood.of(records, rate_hz)
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
class _Products:
    """Of the past of the surface with all other columns (gaps, order, columns) and with itself."""

    cross: FloatArray
    own: FloatArray


class _Likelihood:
    """Negative log-likelihood over gap and lag, every linear unknown solved for [3]_.

    The part of the equation that no candidate changes is prepared once.
    """

    def __init__(self, records: Sequence[Record], rate_hz: float) -> None:
        self.records, self.rate_hz = records, rate_hz
        self.order = max(round(MEMORY_S * rate_hz), 2)
        self.first = max(round(WARM_UP_S * rate_hz), self.order)
        self.target = np.concatenate([one.rate[self.first :] for one in records])
        own = np.concatenate([self._past(one.rate) for one in records])
        path = np.concatenate([self._past(one.command) for one in records])
        self.known = np.hstack([own, np.ones((own.shape[0], 1)), path])
        low, high = np.percentile(np.concatenate([one.command for one in records]), (5.0, 95.0))
        self.widest = min(LARGEST_GAP, WIDEST_SHARE * float(high - low))
        self.kept = np.concatenate([self._unhurried(one.command) for one in records])
        self.count = max(int(self.kept.sum()), 1)
        self.weight = self.kept.astype(np.float64)
        self._prepare()
        # Gusts come in bursts: each sample counts by the calm around it.
        for _ in range(2):
            error = np.where(self.kept, self.errors(0.02, USUAL_LAG_S) / np.maximum(self.weight, 1e-9), 0.0)
            local = ndimage.uniform_filter1d(error**2, round(GUST_WINDOW_S * rate_hz) | 1)
            weight = self.kept / np.sqrt(0.5 * local + 0.5 * float(np.median(local)) + 1e-30)
            self.weight = weight / np.sqrt(np.sum(weight**2) / self.count)
            self._prepare()

    @classmethod
    def of(cls, records: Sequence[Record], rate_hz: float) -> _Likelihood | None:
        """None where there are fewer samples than unknowns, or either signal stands still."""
        shortest = round(WARM_UP_S * rate_hz) + 2 * max(round(MEMORY_S * rate_hz), 2)
        used = [one for one in records if one.rate.size > shortest]
        still = all(np.ptp(one.command) < 1e-6 or np.ptp(one.rate) < 1e-9 for one in used)
        if still or sum(one.rate.size - shortest for one in used) < 20 * shortest // 2:
            return None
        return cls(used, rate_hz)

    def _past(self, value: FloatArray) -> FloatArray:
        """Rows of the samples before each target, newest first, shape (..., rows, order)."""
        windows = sliding_window_view(value, self.order, axis=-1)
        return windows[..., self.first - self.order : value.shape[-1] - self.order, ::-1]

    def _unhurried(self, command: FloatArray) -> BoolArray:
        """Targets in whose memory the servo was not left behind so far that its top speed counts."""
        behind = np.abs(command - lagged(command, USUAL_LAG_S, self.rate_hz)) > FURTHEST_BEHIND
        memory = self.order + round(3.0 * USUAL_LAG_S * self.rate_hz)
        lately = ndimage.maximum_filter1d(behind, memory, origin=(memory - 1) // 2)
        return ~lately[self.first :]

    def _prepare(self) -> None:
        rows = np.column_stack([self.known, self.target]) * self.weight[:, None]
        self.rows = rows
        self.products = rows.T @ rows

    def _products(self, moved: FloatArray) -> _Products:
        across = np.swapaxes(moved, 1, 2)
        return _Products(across @ self.rows, across @ moved)

    def _moved(self, gaps: FloatArray, lag_s: float) -> FloatArray:
        """Weighted past of the surface for each gap, shape (gaps, rows, order)."""
        parts = []
        for one in self.records:
            late = lagged(one.command, lag_s, self.rate_hz)
            parts.append(self._past(play(late[None, :], gaps) * one.pressure))
        joined = np.concatenate(parts, axis=1) if len(parts) > 1 else parts[0]
        return joined * self.weight[:, None]

    def _solve(self, products: _Products, known: int) -> tuple[FloatArray, FloatArray]:
        """Unknowns (gaps, known + order) and squares left (gaps,), with the first `known` columns."""
        count, size = products.cross.shape[0], known + self.order
        gram = np.empty((count, size, size))
        gram[:, :known, :known] = self.products[:known, :known]
        gram[:, known:, :known] = products.cross[:, :, :known]
        gram[:, :known, known:] = np.swapaxes(products.cross[:, :, :known], 1, 2)
        gram[:, known:, known:] = products.own
        fixed = np.broadcast_to(self.products[:known, -1], (count, known))
        right = np.concatenate([fixed, products.cross[:, :, -1]], axis=1)
        scale = np.sqrt(np.maximum(np.diagonal(gram, axis1=1, axis2=2), 1e-30))
        # The ridge holds candidates that repeat the command itself (no gap, no lag).
        even = gram / scale[:, :, None] / scale[:, None, :] + 1e-9 * np.eye(size)
        unknowns = np.linalg.solve(even, (right / scale)[..., None])[..., 0] / scale
        return unknowns, self.products[-1, -1] - np.sum(right * unknowns, axis=1)

    def _cost(self, squares: FloatArray, lag_s: float) -> FloatArray:
        prior = 0.5 * (np.log(max(lag_s, 1e-3) / USUAL_LAG_S) / LAG_SPREAD) ** 2
        return 0.5 * self.count * np.log(np.maximum(squares, 1e-30)) + prior

    def costs(self, gaps: FloatArray, lag_s: float) -> FloatArray:
        """Negative log-likelihood at each gap, shape of `gaps`."""
        products = self._products(self._moved(gaps, lag_s))
        return self._cost(self._solve(products, self.rows.shape[1] - 1)[1], lag_s)

    def costs_and_alone(self, gaps: FloatArray, lag_s: float) -> tuple[FloatArray, FloatArray]:
        """The same, and what it is without the linear path beside the gap."""
        products = self._products(self._moved(gaps, lag_s))
        both = self._solve(products, self.rows.shape[1] - 1)[1]
        alone = self._solve(products, self.order + 1)[1]
        return self._cost(both, lag_s), self._cost(alone, lag_s)

    def silent_cost(self) -> float:
        """The same for a rate that no command moves."""
        own = self.rows[:, : self.order + 1]
        inside = np.linalg.lstsq(own, self.rows[:, -1], rcond=None)[0]
        left = self.rows[:, -1] - own @ inside
        return 0.5 * self.count * float(np.log(max(float(left @ left), 1e-30)))

    def errors(self, gap: float, lag_s: float) -> FloatArray:
        """Weighted one-step errors, shape (rows,)."""
        moved = self._moved(np.array([gap]), lag_s)
        fixed = self.rows.shape[1] - 1
        unknowns = self._solve(self._products(moved), fixed)[0][0]
        return self.rows[:, fixed] - self.rows[:, :fixed] @ unknowns[:fixed] - moved[0] @ unknowns[fixed:]


@dataclass(frozen=True, slots=True)
class _Found:
    """The minimum; of the coarse grid the gap farthest from it that is about as likely, and the least cost
    where the surface alone does not bear the gap out."""

    cost: float
    gap: float
    lag_s: float
    farthest: float
    rival: float


def _search(likelihood: _Likelihood) -> _Found:
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
    likelihood: _Likelihood, gaps: FloatArray, lag_s: float, silent: float
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


def _slopes(likelihood: _Likelihood, gap: float, lag_s: float) -> tuple[FloatArray, FloatArray]:
    """Slopes of the one-step errors by gap and by lag, shape (2, rows), and the errors themselves."""
    low, high = max(gap - max(0.06 * gap, 0.0015), 0.0), gap + max(0.06 * gap, 0.0015)
    late = 0.2 * lag_s
    by_gap = (likelihood.errors(high, lag_s) - likelihood.errors(low, lag_s)) / (high - low)
    by_lag = (likelihood.errors(gap, lag_s + late) - likelihood.errors(gap, lag_s - late)) / (2.0 * late)
    return np.stack([by_gap, by_lag]), likelihood.errors(gap, lag_s)


def _curvature(
    slopes: FloatArray, left: FloatArray, count: int, lag_s: float
) -> tuple[FloatArray, FloatArray]:
    """Of the negative log-likelihood, shape (2, 2), and its slope, shape (2,), with the lag's prior."""
    variance = float(left @ left) / count
    curvature, slope = slopes @ slopes.T / variance, slopes @ left / variance
    curvature[1, 1] += 1.0 / (LAG_SPREAD * lag_s) ** 2
    slope[1] += np.log(lag_s / USUAL_LAG_S) / (LAG_SPREAD**2 * lag_s)
    return curvature, slope


def _errors(likelihood: _Likelihood, gap: float, lag_s: float) -> tuple[float, float]:
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
