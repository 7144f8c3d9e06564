"""The bank that the flight path demands: what the wings must have been at for the aeroplane to fly as it did.

The path's acceleration across the air velocity, by the wind-free derivative of the ground velocity (a
steady wind has none), is V times the turn rate; with gravity it gives the direction of the total force,
which in a coordinated turn stands upright on the wings: tan(bank) = V rate / g.

References
----------
.. [1] Any text on flight mechanics: bank of the coordinated turn, n = 1/cos(bank).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.air import G_MPS2
from trimkeep.detectors.numerics.resample import running_mean
from trimkeep.detectors.numerics.runs import BoolArray, filled, runs

TURNING_DEG = 12.0
"""Gusts bank an aeroplane by 5 to 10 degrees, and not for seconds on end."""
HOLE_S = 1.0
ROLLED_OUT = 0.5
"""Of the turn's bank. Not a fixed angle: an estimate that leans keeps the wings banked after the turn."""


@dataclass(frozen=True, slots=True)
class Turn:
    """A stretch of one-sided turning: first sample, the one after the last, +1 right or -1 left."""

    first: int
    last: int
    side: int


def path_bank_deg(
    north_mps: FloatArray,
    east_mps: FloatArray,
    climb_mps: FloatArray,
    direction_deg: FloatArray,
    step_s: float,
) -> FloatArray:
    """Bank by the flight path's acceleration, deg, right positive, shape (n,).

    Parameters
    ----------
    north_mps, east_mps : ndarray, shape (n,)
        Ground velocity, even samples; NaN means no sample.
    climb_mps : ndarray, shape (n,)
        Up positive; NaN counts as steady.
    direction_deg : ndarray, shape (n,)
        Direction of the air velocity or the nose. Its error counts by its cosine only.
    step_s : float

    Examples
    --------
    20 m/s and 16.22 deg/s make 30 degrees, whatever the wind:

    >>> time_s = np.arange(0.0, 10.0, 0.1)
    >>> way = np.radians(16.22 * time_s)
    >>> bank = path_bank_deg(20 * np.cos(way) + 7, 20 * np.sin(way), 0 * way, np.degrees(way), 0.1)
    >>> round(float(bank[50]), 1)
    30.0
    """
    if north_mps.size < 3:
        return np.full(north_mps.shape, np.nan)
    way = np.radians(direction_deg)
    across = np.gradient(east_mps, step_s) * np.cos(way) - np.gradient(north_mps, step_s) * np.sin(way)
    upward = np.nan_to_num(np.gradient(climb_mps, step_s))
    return np.degrees(np.arctan2(across, np.maximum(G_MPS2 + upward, 0.3 * G_MPS2)))


def prolonged_turns(bank_deg: FloatArray, step_s: float, shortest_s: float) -> list[Turn]:
    """Turns to one side of at least `shortest_s`, from smoothed bank by the path; NaN ends a turn.

    A turn lasts while the bank is above half of its upper quartile, so that what an estimate leaves
    standing after the roll-out is not taken for more of the turn.

    Examples
    --------
    >>> bank = np.concatenate((np.zeros(20), np.full(40, -30.0), np.full(40, -13.0)))
    >>> prolonged_turns(bank, 0.5, 15.0)
    [Turn(first=20, last=60, side=-1)]
    """
    found = []
    for side in (1, -1):
        sided = side * bank_deg
        for first, last in zip(*runs(filled(sided >= TURNING_DEG, round(HOLE_S / step_s))), strict=True):
            part = sided[first:last]
            if (last - first) * step_s < shortest_s or not np.isfinite(part).all():
                continue
            inside: BoolArray = part >= ROLLED_OUT * np.percentile(part, 75.0)
            for begin, end in zip(*runs(filled(inside, round(HOLE_S / step_s))), strict=True):
                if (end - begin) * step_s >= shortest_s:
                    found.append(Turn(int(first + begin), int(first + end), side))
    return sorted(found, key=lambda turn: turn.first)


def smoothed(value: FloatArray, seconds: float, step_s: float) -> FloatArray:
    """Running mean that stays unknown where the value is."""
    width = 2 * (round(seconds / step_s) // 2) + 1
    return np.where(np.isfinite(value), running_mean(value, width), np.nan)
