"""Whether two quantities that physics ties together agree: in size, in sign, or not at all.

Differences in unit and sign are what is looked for, so nothing here may rest on either: a pair is
compared by its correlation, the ratio of its spreads, and by what else goes with it better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.runs import BoolArray

FEWEST = 60
"""Samples in common; at 4 Hz a quarter of a minute."""
CUT_PERCENT = 2.0
"""Beyond this percentile to either side values are drawn in: jumps of angles at a full turn, glitches."""
CUTS = (CUT_PERCENT, 50.0, 100.0 - CUT_PERCENT)
RIVAL = 0.75
RIVAL_AHEAD = 0.2
"""A rival must go together with the quantity clearly better; in turns pitch and yaw rate both do a little."""

OUTCLASSES, OUTCLASSED_BY = 0.9, 0.3
"""In steady turns pitch and yaw rate move together; the one that is meant leaves far less unexplained."""


class Agreement(Enum):
    """What a pair says. `SILENT`: the pair does not go together, but one of the two goes with another."""

    UNKNOWN = "unknown"
    AGREES = "agrees"
    DIFFERS = "differs"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a pair says, and how far its sizes are apart: |log of their ratio|, 0 where nothing tells."""

    said: Agreement
    apart: float = 0.0


NO_ANSWER = Answer(Agreement.UNKNOWN)


def drawn_in(value: FloatArray) -> FloatArray:
    """The values about their median with the outermost ones drawn in to the percentiles.

    Examples
    --------
    >>> [round(float(one), 9) for one in drawn_in(np.array([0.0, 1.0, 2.0, 3.0, 104.0]))]
    [-1.92, -1.0, 0.0, 1.0, 93.92]
    """
    low, middle, high = percentiles(value, CUTS)
    return value.clip(low, high) - middle


def percentiles(value: FloatArray, percents: Sequence[float]) -> list[float]:
    """What `np.percentile` gives for finite values, to the last bit, in a third of its time.

    The check of a map asks for tens of thousands of percentiles of short series, most of whose time goes
    into what numpy makes ready for arrays of any shape.

    Parameters
    ----------
    value : ndarray of float64, shape (n,), n >= 1
    percents : sequence of float
        0 to 100.

    Examples
    --------
    >>> percentiles(np.array([4.0, 1.0, 3.0, 2.0]), (0.0, 50.0, 90.0, 100.0))
    [1.0, 2.5, 3.7, 4.0]
    """
    places = [(value.size - 1) * (percent / 100.0) for percent in percents]
    below = [int(place) for place in places]
    above = [min(index + 1, value.size - 1) for index in below]
    ordered = np.partition(value, sorted({*below, *above}))
    found = []
    for place, index, next_index in zip(places, below, above, strict=True):
        low, high, share = float(ordered[index]), float(ordered[next_index]), place - index
        # From the nearer of the two, as numpy does it.
        found.append(low + (high - low) * share if share < 0.5 else high - (high - low) * (1.0 - share))
    return found


@dataclass(frozen=True, slots=True)
class _Series:
    """One of two series where both are known: drawn in, with its mean and spread."""

    value: FloatArray
    mean: float
    spread: float

    @classmethod
    def of(cls, known: FloatArray) -> _Series:
        value = drawn_in(known)
        mean = value.mean()
        # The mean is at hand, and `std` would work it out again.
        return cls(value, float(mean), float(np.sqrt(np.square(value - mean).mean())))


class _Compared:
    """A series that others are compared with, kept ready for the next that is known at the same samples."""

    def __init__(self, one: FloatArray) -> None:
        self._one, self._finite = one, np.isfinite(one)
        self._known: BoolArray | None = None
        self._series: _Series | None = None

    def with_other(self, other: FloatArray) -> tuple[float, float, int]:
        """See `correlation`."""
        known = self._finite & np.isfinite(other)
        count = int(np.count_nonzero(known))
        if count < FEWEST:
            return 0.0, 0.0, count
        first, second = self._at(known), _Series.of(other[known])
        if not (first.spread > 0.0 and second.spread > 0.0):
            return 0.0, 0.0, count
        product = float((first.value * second.value).mean()) - first.mean * second.mean
        return product / (first.spread * second.spread), first.spread / second.spread, count

    def _at(self, known: BoolArray) -> _Series:
        if self._series is None or self._known is None or not np.array_equal(self._known, known):
            self._known, self._series = known, _Series.of(self._one[known])
        return self._series


def correlation(one: FloatArray, other: FloatArray) -> tuple[float, float, int]:
    """Correlation of two series, ratio of their spreads (one over other), and samples in common.

    Zeros where either stands still or fewer than `FEWEST` samples are known in common.
    """
    return _Compared(one).with_other(other)


def moves_alike(
    expected: FloatArray,
    found: FloatArray,
    rivals: Sequence[FloatArray] = (),
    at_least: float = 0.6,
    gains: tuple[float, float] = (0.4, 2.5),
) -> Answer:
    """Whether a quantity moves as another one demands.

    Parameters
    ----------
    expected, found : ndarray, shape (n,)
        NaN means no sample.
    rivals : sequence of ndarray
        What else the expected movement may be found in, when columns were exchanged.
    at_least : float
        Correlation from which on the pair counts as tied.
    gains : (low, high)
        Expected over found: ratio of spreads that still agrees.

    Examples
    --------
    >>> wave = np.sin(np.arange(300.0) / 5.0)
    >>> [moves_alike(wave, factor * wave).said.value for factor in (1.0 / 57.3, -1.0, 1.0)]
    ['differs', 'differs', 'agrees']
    """
    compared = _Compared(expected)
    tied, ratio, _ = compared.with_other(found)
    others = [abs(compared.with_other(rival)[0]) for rival in rivals]
    if any(other > OUTCLASSES and 1.0 - other < OUTCLASSED_BY * (1.0 - abs(tied)) for other in others):
        return Answer(Agreement.SILENT)
    if abs(tied) >= at_least:
        agrees = tied > 0.0 and gains[0] < ratio < gains[1]
        apart = abs(float(np.log(ratio))) if np.isfinite(gains[1]) else 0.0
        return Answer(Agreement.AGREES if agrees else Agreement.DIFFERS, apart)
    clear = max(RIVAL, abs(tied) + RIVAL_AHEAD)
    if any(other >= clear for other in others):
        return Answer(Agreement.SILENT)
    return NO_ANSWER


def same_size(
    expected: FloatArray, found: FloatArray, ratios: tuple[float, float], steady: float = np.inf
) -> Answer:
    """Whether two positive quantities have the same level, by the median of their ratio.

    No answer where half of the ratios lie further from it than the share `steady`.
    """
    known = np.isfinite(expected) & np.isfinite(found) & (found != 0.0)
    if known.sum() < FEWEST:
        return NO_ANSWER
    all_ratios = expected[known] / found[known]
    ratio = float(np.median(all_ratios))
    if ratio == 0.0 or np.median(np.abs(all_ratios / ratio - 1.0)) > steady:
        return NO_ANSWER
    agrees = ratios[0] < ratio < ratios[1]
    return Answer(Agreement.AGREES if agrees else Agreement.DIFFERS, abs(float(np.log(abs(ratio)))))


def same_spread(expected: FloatArray, found: FloatArray, ratios: tuple[float, float]) -> Answer:
    """Whether two quantities move by the same order of size, whether together or not."""
    _, ratio, _ = correlation(expected, found)
    if ratio == 0.0:
        return NO_ANSWER
    agrees = ratios[0] < ratio < ratios[1]
    return Answer(Agreement.AGREES if agrees else Agreement.DIFFERS, abs(float(np.log(ratio))))


def same_direction(one_deg: FloatArray, other_deg: FloatArray, within_deg: float = 45.0) -> Answer:
    """Whether two directions are the same on the whole; unknown where their difference wanders."""
    known = np.isfinite(one_deg) & np.isfinite(other_deg)
    if known.sum() < FEWEST:
        return NO_ANSWER
    mean = np.mean(np.exp(1j * np.radians(one_deg[known] - other_deg[known])))
    if abs(mean) < 0.8:
        return NO_ANSWER
    agrees = abs(np.degrees(np.angle(mean))) < within_deg
    return Answer(Agreement.AGREES if agrees else Agreement.DIFFERS)


def within(value: FloatArray, low: float, high: float) -> Answer:
    """Whether nearly all values lie in a range."""
    known = value[np.isfinite(value)]
    if known.size < FEWEST:
        return NO_ANSWER
    bottom, top = percentiles(known, (1.0, 99.0))
    return Answer(Agreement.AGREES if low <= bottom and top <= high else Agreement.DIFFERS)
