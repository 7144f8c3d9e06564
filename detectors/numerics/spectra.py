"""Spectra and cross-spectra of short pieces: Hann windows, half overlapped, never across a gap.

One-sided densities: the integral from 0 to half the sample rate is the variance.

References
----------
.. [1] P. D. Welch, The use of fast Fourier transform for the estimation of power spectra, IEEE Trans.
   Audio Electroacoust. 15, 1967.
.. [2] F. J. Harris, On the use of windows for harmonic analysis, Proc. IEEE 66, 1978, Table 1.
.. [3] J. S. Bendat, A. G. Piersol, Random Data, 4th ed., Wiley 2010, ch. 8 and 9.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from trimkeep.detectors.model import FloatArray

ComplexArray = NDArray[np.complex128]

HANN_NOISE_BANDWIDTH = 1.5
"""Equivalent noise bandwidth of the Hann window, bins [2]_."""
HANN_OVERLAP_CORRELATION = 1.0 / 6.0
"""Amplitude correlation of half-overlapped Hann windows on white noise [2]_."""


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Averaged density matrix of one or more signals.

    Parameters
    ----------
    frequency_hz : ndarray, shape (m,)
        Even steps from 0.
    density : ndarray of complex, shape (channels, channels, m)
        Entry (i, j) is the average of conj(X_i) X_j, one-sided, unit_i unit_j / Hz; the diagonal is real.
    resolution_hz : float
        Equivalent noise bandwidth of the window.
    averages : float
        Equivalent number of independent windows (half-overlapped ones count for less).
    seconds : float
        Data behind it.
    """

    frequency_hz: FloatArray
    density: ComplexArray
    resolution_hz: float
    averages: float
    seconds: float

    def power(self, channel: int = 0) -> FloatArray:
        """Density of one signal, unit^2 / Hz, shape (m,)."""
        return self.density[channel, channel].real

    @property
    def step_hz(self) -> float:
        """Spacing of the frequencies, Hz."""
        return float(self.frequency_hz[1] - self.frequency_hz[0])


def averaged_spectrum(
    signals: Sequence[FloatArray], rate_hz: float, window_s: float, min_window_s: float | None = None
) -> Spectrum | None:
    """Average of windowed periodograms and cross-periodograms over pieces.

    Pieces shorter than a window are used whole, with a window of their own length, down to
    `min_window_s`; every window counts by its length. A straight line is taken off each window.

    Parameters
    ----------
    signals : sequence of ndarray, each of shape (channels, n_i)
        The pieces. No NaN.
    rate_hz : float
    window_s : float
        Longest window.
    min_window_s : float, optional
        Shortest piece that is used; by default `window_s`.

    Returns
    -------
    Spectrum or None
        None when no piece is long enough.

    Raises
    ------
    ValueError
        A window of fewer than 8 samples.

    Examples
    --------
    A sine on a bin has its variance, half its amplitude squared, under the peak:

    >>> time_s = np.arange(4000) / 10.0
    >>> sine = 2.0 * np.sin(2 * np.pi * 0.5 * time_s)[None, :]
    >>> spectrum = averaged_spectrum([sine], rate_hz=10.0, window_s=40.0)
    >>> round(float(spectrum.power().sum() * spectrum.step_hz), 2)
    2.0
    """
    longest = int(window_s * rate_hz + 0.5)
    shortest = longest if min_window_s is None else int(min_window_s * rate_hz + 0.5)
    if shortest < 8:
        raise ValueError(f"min_window_s: needs 8 samples, has {shortest}")
    used = [piece for piece in signals if piece.shape[1] >= shortest]
    if not used:
        return None
    longest = min(longest, max(piece.shape[1] for piece in used))
    size = fft.next_fast_len(longest, real=True)
    channels = used[0].shape[0]
    total = np.zeros((channels, channels, size // 2 + 1), dtype=np.complex128)
    weight = weighted_length = inverse_averages = 0.0
    for piece in used:
        length = min(longest, piece.shape[1])
        windows = _windows(piece, length)
        count = windows.shape[1]
        taper = _hann(length)
        transform = fft.rfft(without_line(windows) * taper, n=size, axis=-1)
        scale = 2.0 * length / (rate_hz * float(taper @ taper))
        for row in range(channels):
            for column in range(row, channels):
                entry = scale * np.einsum("wf,wf->f", transform[row].conj(), transform[column])
                total[row, column] += entry
                if column != row:
                    total[column, row] += entry.conj()
        weight += count * length
        weighted_length += count * length * length
        inverse_averages += length**2 * _overlap_variance(count)
    density = total / weight
    density[:, :, 0] /= 2.0
    if size % 2 == 0:
        density[:, :, -1] /= 2.0
    return Spectrum(
        frequency_hz=(np.arange(size // 2 + 1) * (rate_hz / size)).astype(np.float64),
        density=density,
        resolution_hz=HANN_NOISE_BANDWIDTH * rate_hz / (weighted_length / weight),
        averages=weight**2 / inverse_averages,
        seconds=sum(piece.shape[1] for piece in used) / rate_hz,
    )


def coherence(spectrum: Spectrum, source: int = 0, answer: int = 1) -> FloatArray:
    """Squared coherence of two signals, 0..1, shape (m,); 0 where either has no power.

    Estimated from few windows it is too high by about (1 - coherence) / averages [3]_; that is taken off.
    """
    cross = np.abs(spectrum.density[source, answer]) ** 2
    both = spectrum.power(source) * spectrum.power(answer)
    raw = np.divide(cross, both, out=np.zeros_like(cross), where=both > 0.0)
    return np.clip(raw - (1.0 - raw) / max(spectrum.averages, 1.0), 0.0, 1.0)


def band_variance(frequency_hz: FloatArray, density: FloatArray, low_hz: float, high_hz: float) -> float:
    """Integral of a density over a band whose edges may lie between bins, unit^2.

    Examples
    --------
    >>> band_variance(np.arange(5.0), np.ones(5), 0.5, 2.0)
    1.5
    """
    running = running_variance(frequency_hz, density)
    return float(np.interp(high_hz, frequency_hz, running) - np.interp(low_hz, frequency_hz, running))


def running_variance(frequency_hz: FloatArray, density: FloatArray) -> FloatArray:
    """Integral of a density from its first frequency up to each frequency, unit^2, shape (m,)."""
    area = 0.5 * (density[1:] + density[:-1]) * np.diff(frequency_hz)
    return np.concatenate(([0.0], np.cumsum(area)))


def statistical_bandwidth(frequency_hz: FloatArray, density: FloatArray) -> float:
    """Width of the flat band that has the same variance and the same scatter of it, Hz.

    (integral of S)^2 / integral of S^2, ref. [3]_ section 8.3.2. Zero when there is no power.
    """
    squared = float(np.trapezoid(density**2, frequency_hz))
    return float(np.trapezoid(density, frequency_hz)) ** 2 / squared if squared > 0.0 else 0.0


def _windows(piece: FloatArray, length: int) -> FloatArray:
    """Half-overlapped windows that use the first and the last sample, shape (channels, w, length)."""
    spare = piece.shape[1] - length
    count = int(np.ceil(spare / (length / 2.0) - 1e-9)) + 1
    starts = np.round(np.linspace(0.0, spare, count)).astype(np.intp)
    return piece[:, starts[:, None] + np.arange(length)]


def without_line(windows: FloatArray) -> FloatArray:
    """Each window less its least-squares straight line, shape (..., n)."""
    line = np.arange(windows.shape[-1], dtype=np.float64)
    line -= line.mean()
    slope = windows @ line / float(line @ line)
    return np.asarray(windows - windows.mean(axis=-1, keepdims=True) - slope[..., None] * line)


def _hann(length: int) -> FloatArray:
    # The periodic form: a sine on a bin then leaks into its two neighbours only.
    return 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)


def _overlap_variance(count: int) -> float:
    """Variance of the sum of `count` half-overlapped windows' periodograms, one window's as unit."""
    return count + 2.0 * (count - 1) * HANN_OVERLAP_CORRELATION**2
