"""How likely a gap and a lag are, given a command and the body rate that followed it.

Model, in the order of the hardware: command -> first-order lag (servo) -> play of half-gap b ->
surface, times dynamic pressure -> body rate by a linear difference equation whose order is free. The
one-step errors of that equation are white whatever gusts and the loop do, so that its least squares
is the likelihood (prediction-error method [1]_); differentiating the rate is not needed. The command
itself stands in the equation too: what a linear path explains says nothing about play.

References
----------
.. [1] L. Ljung, System Identification, 2nd ed., Prentice Hall 1999, sections 7.2 and 13.4 (closed loop).
.. [2] G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10, 1973 (linear unknowns eliminated).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import ndimage

from trimkeep.detectors.kept import Kept
from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.play import lagged, play
from trimkeep.detectors.numerics.runs import BoolArray

MEMORY_S = 0.32
"""Length of the difference equation: a short period or roll mode, a filter and a step of delay."""
WARM_UP_S = 2.0
"""Left out at the start of a piece: where the surface stood before is not known."""
GUST_WINDOW_S = 2.0
USUAL_LAG_S, LAG_SPREAD = 0.05, 0.5
"""Servos of models reach 63 % of a small step in 0.03 to 0.08 s (common practice, no source)."""
LARGEST_GAP = 0.3
WIDEST_SHARE = 0.5
"""Of the span that holds 90 % of the commands: a wider gap is crossed so rarely that nothing tells it
from a linkage that is tight for small commands and slow for large ones."""
FURTHEST_BEHIND = 0.15
"""Beyond it a servo that takes 0.15 to 0.3 s from stop to stop moves at its top speed, not by its lag."""


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
class _Products:
    """Of the past of the surface with all other columns (gaps, order, columns) and with itself."""

    cross: FloatArray
    own: FloatArray


class PlayLikelihood:
    """Negative log-likelihood over gap and lag, every linear unknown solved for [2]_.

    The part of the equation that no candidate changes is prepared once.
    """

    def __init__(self, records: Sequence[Record], rate_hz: float) -> None:
        self.records, self.rate_hz, self.kept = records, rate_hz, Kept()
        self.order = max(round(MEMORY_S * rate_hz), 2)
        self.first = max(round(WARM_UP_S * rate_hz), self.order)
        # The records end to end, so that one call moves the surface through them all.
        self.pressure = np.concatenate([one.pressure for one in records])
        self.begins = np.cumsum([0, *(one.command.size for one in records)]).tolist()
        self.target = np.concatenate([one.rate[self.first :] for one in records])
        own = np.concatenate([self._past(one.rate) for one in records])
        path = np.concatenate([self._past(one.command) for one in records])
        self.known = np.hstack([own, np.ones((own.shape[0], 1)), path])
        low, high = np.percentile(np.concatenate([one.command for one in records]), (5.0, 95.0))
        self.widest = min(LARGEST_GAP, WIDEST_SHARE * float(high - low))
        self.used = np.concatenate([self._unhurried(one.command) for one in records])
        self.count = max(int(self.used.sum()), 1)
        self.weight = self.used.astype(np.float64)
        self._prepare()
        # Gusts come in bursts: each sample counts by the calm around it.
        for _ in range(2):
            (error,) = self.errors(np.array([0.02]), USUAL_LAG_S)
            error = np.where(self.used, error / np.maximum(self.weight, 1e-9), 0.0)
            local = ndimage.uniform_filter1d(error**2, round(GUST_WINDOW_S * rate_hz) | 1)
            weight = self.used / np.sqrt(0.5 * local + 0.5 * float(np.median(local)) + 1e-30)
            self.weight = weight / np.sqrt(np.sum(weight**2) / self.count)
            self._prepare()

    @classmethod
    def of(cls, records: Sequence[Record], rate_hz: float) -> PlayLikelihood | None:
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
        late = self.kept.get(("late", lag_s), lambda: self._late(lag_s))
        surface = play(late[None, :], gaps, self.begins[:-1])
        windows = sliding_window_view(surface * self.pressure, self.order, axis=-1)
        moved = np.empty((gaps.size, self.weight.size, self.order))
        row = 0
        for begin, end in pairwise(self.begins):
            past = windows[:, begin + self.first - self.order : end - self.order, ::-1]
            rows = slice(row, row + past.shape[1])
            np.multiply(past, self.weight[rows, None], out=moved[:, rows])
            row = rows.stop
        return moved

    def _late(self, lag_s: float) -> FloatArray:
        return np.concatenate([lagged(one.command, lag_s, self.rate_hz) for one in self.records])

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
        return self.kept.get("silent", self._silent_cost)

    def _silent_cost(self) -> float:
        own = self.rows[:, : self.order + 1]
        inside = np.linalg.lstsq(own, self.rows[:, -1], rcond=None)[0]
        left = self.rows[:, -1] - own @ inside
        return 0.5 * self.count * float(np.log(max(float(left @ left), 1e-30)))

    def errors(self, gaps: FloatArray, lag_s: float) -> list[FloatArray]:
        """Weighted one-step errors at each gap, each of shape (rows,)."""
        moved = self._moved(gaps, lag_s)
        fixed = self.rows.shape[1] - 1
        unknowns = self._solve(self._products(moved), fixed)[0]
        return [
            self.rows[:, fixed] - self.rows[:, :fixed] @ one[:fixed] - past @ one[fixed:]
            for one, past in zip(unknowns, moved, strict=True)
        ]
