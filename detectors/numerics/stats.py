"""Means, levels and quantiles with errors that know how slowly the samples forget each other.

Everything takes pieces: even stretches of samples on one step, never joined across a gap. Neighbours
resemble each other, so that an hour at 50 Hz is not 180,000 measurements; the standard errors use
the effective number of samples.

References
----------
.. [1] J. S. Bendat, A. G. Piersol, Random Data, 4th ed., Wiley 2010, section 8.2.
.. [2] C. J. Geyer, Practical Markov chain Monte Carlo, Statistical Science 7, 1992 (where to stop the
   sum of autocorrelations).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft

from trimkeep.detectors.model import FloatArray

AT_A_TIME = 1 << 16
FEWEST = 2.0
"""Below two effective samples nothing is known of the scatter."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and its standard error (same unit); the error is None where it cannot be told."""

    value: float
    error: float | None


def pieces_of(value: FloatArray, wanted: FloatArray | None = None, fewest: int = 2) -> list[FloatArray]:
    """The stretches of an even series without NaN (and where `wanted`), at least `fewest` long.

    >>> [piece.tolist() for piece in pieces_of(np.array([1.0, 2.0, np.nan, 4.0, 5.0, 6.0]), fewest=3)]
    [[4.0, 5.0, 6.0]]
    """
    good = np.isfinite(value) if wanted is None else np.isfinite(value) & (wanted != 0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(np.int8), [0]))))
    return [
        value[first:last]
        for first, last in zip(edges[::2], edges[1::2], strict=True)
        if last - first >= fewest
    ]


def effective_samples(pieces: Sequence[FloatArray], mean: float | None = None) -> float:
    """How many independent samples carry as much as these, between 1 and their number.

    N / (1 + 2 sum of autocorrelations), the autocovariances pooled over the pieces about the common
    mean, the sum stopped where a pair of successive ones is no longer positive [2]_.

    Parameters
    ----------
    pieces : sequence of ndarray
        No NaN.
    mean : float, optional
        Level about which they scatter; the common mean when not given.
    """
    count = sum(piece.size for piece in pieces)
    if count < 2:
        return float(count)
    level = float(np.concatenate(list(pieces)).mean()) if mean is None else mean
    longest = max(piece.size for piece in pieces)
    # A correlation that lasts longer than a third of the longest piece cannot be told from a trend.
    lags = max(longest // 3, 1)
    total = _autocovariance(pieces, level, lags)
    if total[0] <= 0.0:
        return float(count)
    rho = total[: total.size // 2 * 2] / total[0]
    pairs = rho.reshape(-1, 2).sum(axis=1)
    ended = np.flatnonzero(pairs <= 0.0)
    kept = pairs[: ended[0]] if ended.size else pairs
    memory = 2.0 * kept.sum() - 1.0
    return float(np.clip(count / memory if memory > 0.0 else count, 1.0, count))


def _autocovariance(pieces: Sequence[FloatArray], level: float, lags: int) -> FloatArray:
    """Summed products at lags of 0 to `lags`, shape (lags + 1,), by the spectra of zero-padded pieces."""
    total = np.zeros(lags + 1)
    groups: dict[int, list[int]] = defaultdict(list)
    for place, piece in enumerate(pieces):
        groups[fft.next_fast_len(piece.size + lags + 1, real=True)].append(place)
    products: dict[int, FloatArray] = {}
    for size, places in groups.items():
        # Pieces of about the same length go through one call, as many at a time as stay in the cache.
        many = max(AT_A_TIME // size, 1)
        for begin in range(0, len(places), many):
            chunk = places[begin : begin + many]
            found = _products([pieces[place] for place in chunk], level, size)
            for place, product in zip(chunk, found, strict=True):
                products[place] = product[: min(lags + 1, pieces[place].size)].copy()
    # In the order of the pieces: on samples of 0 and 1 a sum may be zero but for rounding, and ends there.
    for place in range(len(pieces)):
        total[: products[place].size] += products[place]
    return total


def _products(pieces: Sequence[FloatArray], level: float, size: int) -> FloatArray:
    """Each piece's products with itself at every lag, shape (pieces, size)."""
    padded = np.zeros((len(pieces), size))
    for row, piece in zip(padded, pieces, strict=True):
        np.subtract(piece, level, out=row[: piece.size])
    spectrum = fft.rfft(padded, axis=-1)
    return np.asarray(fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=-1))


def mean_of(pieces: Sequence[FloatArray]) -> Estimate:
    """Mean of all samples. ValueError when there are none."""
    joined = _joined(pieces)
    level = float(joined.mean())
    number = effective_samples(pieces, level)
    error = float(joined.std()) / np.sqrt(number - 1.0) if number >= FEWEST else None
    return Estimate(level, None if error is None else float(error))


def rms_of(pieces: Sequence[FloatArray]) -> Estimate:
    """Root mean square; its error from that of the mean square."""
    square = mean_of([piece * piece for piece in pieces])
    level = float(np.sqrt(square.value))
    if square.error is None:
        return Estimate(level, None)
    return Estimate(level, square.error / (2.0 * level) if level > 0.0 else 0.0)


def quantile_of(pieces: Sequence[FloatArray], share: float) -> Estimate:
    """A quantile; its error is half the span of the order statistics one binomial deviation away."""
    joined = _joined(pieces)
    level = float(np.quantile(joined, share))
    number = effective_samples([(piece > level).astype(np.float64) for piece in pieces])
    if number < FEWEST:
        return Estimate(level, None)
    reach = float(np.sqrt(share * (1.0 - share) / number))
    low, high = np.quantile(joined, (max(share - reach, 0.0), min(share + reach, 1.0)))
    return Estimate(level, float(high - low) / 2.0)


def share_of(pieces: Sequence[FloatArray]) -> Estimate:
    """Share of samples that are true (pieces of 0 and 1)."""
    return mean_of(pieces)


def _joined(pieces: Sequence[FloatArray]) -> FloatArray:
    if not pieces:
        raise ValueError("pieces: none given")
    return np.concatenate(list(pieces))
