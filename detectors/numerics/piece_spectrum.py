"""Power over frequency of a channel's pieces, for showing two flights on one axis."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import signal

from trimkeep.detectors.model import FloatArray

FEWEST_SAMPLES = 8


def longest_window(pieces: Sequence[FloatArray], rate_hz: float, most_s: float) -> float:
    """Length of window that the longest piece allows, seconds; at most `most_s`, 0 without pieces."""
    longest_s = max((piece.size for piece in pieces), default=0) / rate_hz
    return min(longest_s, most_s)


def piece_spectrum(
    pieces: Sequence[FloatArray], rate_hz: float, window_s: float
) -> tuple[FloatArray, FloatArray] | None:
    """One-sided density averaged over the pieces that hold a whole window, each by its number of samples.

    Parameters
    ----------
    pieces : sequence of ndarray, each of shape (n_i,)
        Gapless; no NaN. A straight line is taken off each window.
    rate_hz : float
    window_s : float
        Length of the Hann windows, half overlapped. The same window gives the same frequencies, so
        that two flights can be set beside each other.

    Returns
    -------
    tuple of ndarray, or None
        Frequencies (Hz, from 0) and density (unit^2 / Hz), both of shape (m,); None when no piece is long
        enough.

    Examples
    --------
    >>> time_s = np.arange(2000) / 10.0
    >>> frequency, density = piece_spectrum([np.sin(2 * np.pi * 0.5 * time_s)], 10.0, 40.0)
    >>> float(frequency[np.argmax(density)])
    0.5

    References
    ----------
    .. [1] P. D. Welch, The use of fast Fourier transform for the estimation of power spectra, IEEE Trans.
       Audio Electroacoust. 15, 1967; as scipy.signal.welch.
    """
    length = int(window_s * rate_hz + 0.5)
    used = [piece for piece in pieces if piece.size >= length]
    if length < FEWEST_SAMPLES or not used:
        return None
    total = np.zeros(length // 2 + 1)
    frequency = np.zeros_like(total)
    for piece in used:
        frequency, density = signal.welch(piece, fs=rate_hz, window="hann", nperseg=length, detrend=_level)
        total += piece.size * density
    return frequency, total / sum(piece.size for piece in used)


def _level(windows: FloatArray) -> FloatArray:
    """Each window less its least-squares straight line."""
    return np.asarray(signal.detrend(windows, axis=-1, type="linear"))
