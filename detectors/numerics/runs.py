"""Runs of a flag on a grid: finding them, dropping short ones, filling short holes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trimkeep.detectors.model import FloatArray, Window

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


def runs(flag: BoolArray) -> tuple[IntArray, IntArray]:
    """First index and index after the last of every run of True.

    >>> [array.tolist() for array in runs(np.array([True, False, True, True]))]
    [[0, 2], [1, 4]]
    """
    if flag.size == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    edges = np.flatnonzero(flag[1:] != flag[:-1]) + 1
    if flag[0]:
        edges = np.concatenate(([0], edges))
    if flag[-1]:
        edges = np.append(edges, flag.size)
    return edges[::2], edges[1::2]


def without_short(flag: BoolArray, shortest: int) -> BoolArray:
    """The flag without runs of fewer than `shortest` samples.

    >>> without_short(np.array([True, False, True, True]), 2).tolist()
    [False, False, True, True]
    """
    kept = flag.copy()
    first, last = runs(flag)
    short = last - first < shortest
    for begin, end in zip(first[short].tolist(), last[short].tolist(), strict=True):
        kept[begin:end] = False
    return kept


def filled(flag: BoolArray, longest: int) -> BoolArray:
    """The flag with holes of at most `longest` samples between two runs filled.

    >>> filled(np.array([False, True, False, True]), 1).tolist()
    [False, True, True, True]
    """
    first, last = runs(flag)
    full = flag.copy()
    close = first[1:] - last[:-1] <= longest
    for end, begin in zip(last[:-1][close].tolist(), first[1:][close].tolist(), strict=True):
        full[end:begin] = True
    return full


def hysteresis(value: FloatArray, on: float, off: float) -> BoolArray:
    """True from where the value passes `on` until it falls below `off`; NaN leaves it as it was."""
    state = np.where(value >= on, 1, np.where(value < off, -1, 0))
    return last_known(state) > 0


def last_known(state: IntArray) -> IntArray:
    """Zeros replaced by the last nonzero entry; zeros before the first stay zero."""
    index = np.maximum.accumulate(np.where(state != 0, np.arange(state.size), -1))
    return np.where(index >= 0, state[np.maximum(index, 0)], 0)


def inside(grid_s: FloatArray, windows: list[Window]) -> BoolArray:
    """True where a time lies in one of the windows, shape of `grid_s`."""
    flag = np.zeros(grid_s.shape, dtype=bool)
    starts_s, ends_s = np.array(windows, dtype=np.float64).reshape(-1, 2).T
    firsts = np.searchsorted(grid_s, starts_s)
    lasts = np.searchsorted(grid_s, np.nextafter(ends_s, np.inf))
    for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
        flag[first:last] = True
    return flag


def windows_of(grid_s: FloatArray, flag: BoolArray) -> list[Window]:
    """Start and end times of every run of True."""
    return [(float(grid_s[first]), float(grid_s[last - 1])) for first, last in zip(*runs(flag), strict=True)]
