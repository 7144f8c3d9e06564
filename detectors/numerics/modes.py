"""One oscillation in a spectrum: where it is, how strong, how damped, how steady.

References
----------
.. [1] P. Whittle, Estimation and information in stationary time series, Ark. Mat. 2, 1953.
.. [2] S. O. Rice, Mathematical analysis of random noise, Bell Syst. Tech. J. 24, 1945, section 3.10.
.. [3] J. S. Bendat, A. G. Piersol, Random Data, 4th ed., Wiley 2010, section 8.3.2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, optimize

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.spectra import (
    HANN_NOISE_BANDWIDTH,
    Spectrum,
    running_variance,
    statistical_bandwidth,
    without_line,
)

RAYLEIGH_ENVELOPE_CV = float(np.sqrt(4.0 / np.pi - 1.0))
"""Envelope of narrow-band Gaussian noise: standard deviation over mean, 0.5227 [2]_."""

OCTAVE = 2.0
_MAX_DAMPING = 1.5
LEAST_DAMPING = 0.002
"""Below it a mode rings for longer than any flight: a steady cycle, whose damping means nothing."""


@dataclass(frozen=True, slots=True)
class Octave:
    """The octave of a band that holds the most variance.

    Parameters
    ----------
    low_hz, high_hz : float
        Its edges.
    peak_hz : float
        Frequency at which the density is largest, between the bins by a parabola through its logarithm.
    variance : float
        Variance in the octave, unit^2.
    share : float
        The same as a share of the whole band's.
    bandwidth_hz : float
        Statistical bandwidth inside the octave [3]_.
    """

    low_hz: float
    high_hz: float
    peak_hz: float
    variance: float
    share: float
    bandwidth_hz: float


def strongest_octave(spectrum: Spectrum, low_hz: float, high_hz: float, channel: int = 0) -> Octave | None:
    """The octave with the most variance inside a band.

    The largest octave moves smoothly with the data, so the figure is defined with and without a
    clear peak and a series of it can be judged; the top of a ragged spectrum jumps.

    Parameters
    ----------
    spectrum : Spectrum
    low_hz, high_hz : float
        The band; at least one octave wide.
    channel : int

    Returns
    -------
    Octave or None
        None when the band holds no variance.

    Raises
    ------
    ValueError
        The band is narrower than an octave.
    """
    if high_hz < OCTAVE * low_hz * (1.0 - 1e-9):
        raise ValueError(f"high_hz: must be at least {OCTAVE * low_hz}, is {high_hz}")
    frequency, density = spectrum.frequency_hz, spectrum.power(channel)
    running = running_variance(frequency, density)
    lows = np.geomspace(low_hz, high_hz / OCTAVE, 65)
    inside = np.interp(OCTAVE * lows, frequency, running) - np.interp(lows, frequency, running)
    best = int(np.argmax(inside))
    whole = float(np.interp(high_hz, frequency, running) - np.interp(low_hz, frequency, running))
    if not inside[best] > 0.0:
        return None
    bottom, top = float(lows[best]), float(OCTAVE * lows[best])
    fine = np.linspace(bottom, top, 257)
    shape = np.interp(fine, frequency, density)
    return Octave(
        low_hz=bottom,
        high_hz=top,
        peak_hz=_peak(frequency, density, bottom, top),
        variance=float(inside[best]),
        share=float(inside[best]) / whole,
        bandwidth_hz=max(statistical_bandwidth(fine, shape), spectrum.resolution_hz),
    )


def _peak(frequency_hz: FloatArray, density: FloatArray, low_hz: float, high_hz: float) -> float:
    """Place of the largest density in a band; the middle of the band when no bin lies in it."""
    inside = np.flatnonzero((frequency_hz >= low_hz) & (frequency_hz <= high_hz))
    if inside.size == 0:
        return float(np.sqrt(low_hz * high_hz))
    top = int(inside[np.argmax(density[inside])])
    if top in (0, density.size - 1) or density[top - 1 : top + 2].min() <= 0.0:
        return float(frequency_hz[top])
    before, at, after = np.log(density[top - 1 : top + 2])
    bend = before - 2.0 * at + after
    shift = 0.5 * float(before - after) / float(bend) if bend < 0.0 else 0.0
    step = float(frequency_hz[1] - frequency_hz[0])
    return float(frequency_hz[top] + np.clip(shift, -0.5, 0.5) * step)


@dataclass(frozen=True, slots=True)
class Envelope:
    """How steady an oscillation's amplitude is.

    Parameters
    ----------
    cv : float
        Standard deviation over mean of the envelope: 0 a steady cycle, 0.5227 gust-driven [2]_.
    power_cv : float
        The same of the squared envelope: 0 a steady cycle, 1 gust-driven.
    seconds : float
        Data behind it.
    """

    cv: float
    power_cv: float
    seconds: float


def envelope(signals: Sequence[FloatArray], rate_hz: float, low_hz: float, high_hz: float) -> Envelope | None:
    """Envelope statistics of a band, over pieces.

    Parameters
    ----------
    signals : sequence of ndarray, each of shape (n_i,)
        No NaN.
    rate_hz, low_hz, high_hz : float
        Samples per second and the band.

    Returns
    -------
    Envelope or None
        None when less than four periods of `low_hz` are left after the filter's ends are cut.

    Examples
    --------
    >>> time_s = np.arange(3000) / 10.0
    >>> steady = envelope([np.sin(2 * np.pi * 0.25 * time_s)], 10.0, 0.18, 0.36)
    >>> steady.cv < 0.01
    True
    """
    margin = int(rate_hz / low_hz + 0.5)
    kept = [
        np.abs(_analytic(signal, rate_hz, low_hz, high_hz))[margin:-margin]
        for signal in signals
        if signal.size > 3 * margin
    ]
    radius = np.concatenate(kept) if kept else np.zeros(0)
    if radius.size < 4 * margin:
        return None
    power = radius**2
    if not power.mean() > 0.0:
        return None
    return Envelope(
        cv=float(radius.std() / radius.mean()),
        power_cv=float(power.std() / power.mean()),
        seconds=radius.size / rate_hz,
    )


def _analytic(signal: FloatArray, rate_hz: float, low_hz: float, high_hz: float) -> np.ndarray:
    """Analytic signal of a band with edges a tenth of an octave soft, complex, shape (n,)."""
    size = fft.next_fast_len(2 * signal.size)
    frequency = np.arange(size // 2 + 1) * (rate_hz / size)
    soft = np.log2(np.maximum(frequency, 1e-9))
    edge = 0.1
    rise = np.clip((soft - np.log2(low_hz)) / edge + 0.5, 0.0, 1.0)
    fall = np.clip((np.log2(high_hz) - soft) / edge + 0.5, 0.0, 1.0)
    half = fft.rfft(without_line(signal), n=size) * (2.0 * rise * fall)
    full = np.zeros(size, dtype=np.complex128)
    full[: half.size] = half
    return fft.ifft(full)[: signal.size]


@dataclass(frozen=True, slots=True)
class Mode:
    """A second-order mode under random excitation, read off a spectrum.

    Parameters
    ----------
    frequency_hz : float
        Undamped natural frequency.
    damping : float
        Damping ratio.
    frequency_error_hz, damping_error : float
        Standard errors.
    prominence : float
        Top of the mode over the background at its frequency, a ratio of densities.
    """

    frequency_hz: float
    damping: float
    frequency_error_hz: float
    damping_error: float
    prominence: float

    @property
    def damped_hz(self) -> float:
        """Frequency at which it rings, Hz."""
        return self.frequency_hz * float(np.sqrt(max(0.0, 1.0 - self.damping**2)))


def fit_mode(
    spectrum: Spectrum, low_hz: float, high_hz: float, start_hz: float, channel: int = 0
) -> Mode | None:
    """Frequency and damping of one mode by Whittle's likelihood of the averaged spectrum.

    Model: S(f) = a / ((1 - x^2)^2 + (2 zeta x)^2) + b x^-2, x = f / f0, smeared by the Hann window
    (a short window would otherwise be read as damping).

    Parameters
    ----------
    spectrum : Spectrum
    low_hz, high_hz : float
        Band that is fitted.
    start_hz : float
        First guess of the frequency.
    channel : int

    Returns
    -------
    Mode or None
        None when the fit does not converge or ends at the edge of what is allowed.
    """
    frequency = spectrum.frequency_hz
    use = (frequency >= low_hz) & (frequency <= high_hz) & (spectrum.power(channel) > 0.0)
    f, density = frequency[use], spectrum.power(channel)[use]
    if f.size < 8:
        return None
    scale = float(np.exp(np.mean(np.log(density))))
    seen = density / scale
    offsets, kernel = _hann_smear(spectrum.resolution_hz)
    smeared = np.maximum(f[:, None] + offsets, 0.25 * f[0])
    # Neighbouring bins of a tapered, padded spectrum repeat each other.
    weight = min(1.0, spectrum.step_hz / spectrum.resolution_hz) * spectrum.averages

    def cost(p: FloatArray) -> tuple[float, FloatArray]:
        expected, slopes = _mode_density(p, smeared, kernel)
        ratio = seen / expected
        value = weight * float(np.sum(np.log(expected) + ratio))
        return value, weight * (slopes @ ((1.0 - ratio) / expected))

    top = float(np.log(np.interp(start_hz, f, seen)))
    bounds = [
        (np.log(low_hz), np.log(high_hz)),
        (np.log(LEAST_DAMPING), np.log(_MAX_DAMPING)),
        (-25.0, 25.0),
        (-25.0, 25.0),
    ]
    best = None
    for zeta in (0.03, 0.25):
        start = np.array([np.log(start_hz), np.log(zeta), top + np.log(4.0 * zeta**2), -2.0])
        fit = optimize.minimize(cost, start, jac=True, method="L-BFGS-B", bounds=bounds)
        if np.isfinite(fit.fun) and (best is None or fit.fun < best.fun):
            best = fit
    if best is None:
        return None
    log_f0, log_zeta, log_a, log_b = best.x
    if not np.log(low_hz) + 1e-6 < log_f0 < np.log(high_hz) - 1e-6 or log_zeta > np.log(_MAX_DAMPING) - 1e-6:
        return None
    errors = _errors(best.x, smeared, kernel, weight).tolist()
    zeta, f0 = float(np.exp(log_zeta)), float(np.exp(log_f0))
    return Mode(
        frequency_hz=f0,
        damping=zeta,
        frequency_error_hz=f0 * errors[0],
        damping_error=zeta * errors[1],
        prominence=float(np.exp(log_a - log_b)) / (4.0 * zeta**2),
    )


def _mode_density(
    p: FloatArray, frequency_hz: FloatArray, kernel: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Smeared density of mode and background, shape (m,), and its slopes, shape (4, m).

    `p`: logarithms of frequency, damping ratio, strength of the mode, strength of the background.
    """
    x2 = (frequency_hz * np.exp(-p[0])) ** 2
    zeta2 = np.exp(2.0 * p[1])
    denominator = (1.0 - x2) ** 2 + 4.0 * zeta2 * x2
    mode = np.exp(p[2]) / denominator
    background = np.exp(p[3]) / x2
    by_frequency = mode * (4.0 * x2 * (2.0 * zeta2 - 1.0 + x2)) / denominator + 2.0 * background
    by_damping = -mode * (8.0 * zeta2 * x2) / denominator
    slopes = np.stack([part @ kernel for part in (by_frequency, by_damping, mode, background)])
    return slopes[2] + slopes[3], slopes


def _hann_smear(resolution_hz: float) -> tuple[FloatArray, FloatArray]:
    """Offsets (Hz) and weights that stand for the spectral window of a Hann taper."""
    bins = np.linspace(-1.75, 1.75, 8)
    # The Hann transform is three shifted sinc functions; in bins of 1 / window length.
    shape = np.sinc(bins) + 0.5 * (np.sinc(bins - 1.0) + np.sinc(bins + 1.0))
    kernel = shape**2
    return bins * resolution_hz / HANN_NOISE_BANDWIDTH, kernel / kernel.sum()


def _errors(p: FloatArray, frequency_hz: FloatArray, kernel: FloatArray, weight: float) -> FloatArray:
    """Standard errors of the logarithms in `p` from Fisher's information of the averaged spectrum."""
    expected, slopes = _mode_density(p, frequency_hz, kernel)
    relative = slopes / expected
    variance = np.diag(np.linalg.pinv(weight * relative @ relative.T, hermitian=True))
    return np.sqrt(np.maximum(variance, 0.0))
