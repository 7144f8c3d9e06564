"""Angles in degrees: the only place where full turns are taken care of."""

from __future__ import annotations

from typing import overload

import numpy as np

from trimkeep.detectors.model import FloatArray


@overload
def wrap_180(angle_deg: float) -> float: ...
@overload
def wrap_180(angle_deg: FloatArray) -> FloatArray: ...
def wrap_180(angle_deg: float | FloatArray) -> float | FloatArray:
    """The same direction within [-180, 180).

    >>> wrap_180(190.0)
    -170.0
    """
    return (angle_deg + 180.0) % 360.0 - 180.0


def unwrap(angle_deg: FloatArray) -> FloatArray:
    """Angles without jumps, shape (n,), starting where the first known one is; NaN stays NaN.

    Two successive known samples are taken to differ by less than half a turn.

    >>> unwrap(np.array([350.0, np.nan, 10.0])).tolist()
    [350.0, nan, 370.0]
    """
    known = np.isfinite(angle_deg)
    if known.all():
        return _unwrapped(angle_deg)
    smooth = np.full(angle_deg.shape, np.nan)
    smooth[known] = _unwrapped(angle_deg[known])
    return smooth


def _unwrapped(angle_deg: FloatArray) -> FloatArray:
    """As numpy's unwrap with a period of 360, which looks at every sample; jumps are few."""
    steps = np.diff(angle_deg)
    jumps = np.flatnonzero(np.abs(steps) >= 180.0)
    if jumps.size == 0:
        return angle_deg
    turned = wrap_180(steps[jumps])
    # Half a turn exactly keeps its sign.
    turned[(turned == -180.0) & (steps[jumps] > 0.0)] = 180.0
    offset = np.concatenate(([0.0], np.cumsum(turned - steps[jumps])))
    return angle_deg + np.repeat(offset, np.diff(np.concatenate(([0], jumps + 1, [angle_deg.size]))))


def direction_deg(north: float, east: float) -> float:
    """Direction a vector points to, clockwise from north, 0..360.

    >>> direction_deg(0.0, -1.0)
    270.0
    """
    return float(np.degrees(np.arctan2(east, north)) % 360.0)


def covered_deg(angle_deg: FloatArray, bin_deg: float = 10.0) -> float:
    """How much of the compass the angles visit, in steps of `bin_deg`; NaN is left out.

    >>> covered_deg(np.array([3.0, 5.0, 364.0, 95.0]))
    20.0
    """
    known = angle_deg[np.isfinite(angle_deg)] % 360.0
    return bin_deg * float(np.unique((known // bin_deg).astype(np.int64)).size)
