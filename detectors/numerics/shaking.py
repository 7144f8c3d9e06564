"""Shaking in an accelerometer's samples: its level second by second, and the tone that stands out.

References
----------
.. [1] A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, 3rd ed., Pearson 2010, ch. 7
   (Butterworth filters; filtering both ways leaves no delay).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.signal import butter, sosfiltfilt

from trimkeep.detectors.model import Channel, FloatArray, Window
from trimkeep.detectors.numerics.pieces import uniform_pieces
from trimkeep.detectors.numerics.resample import on_grid
from trimkeep.detectors.numerics.spectra import averaged_spectrum, band_variance

HIGH_PASS_HZ = 5.0
"""Above what gusts and controls do to airframes of 1 to 4 m span (short period 1 to 3 Hz)."""
LOWEST_RATE_HZ = 50.0
SHORTEST_S = 2.0
HOLE_STEPS = 1.6
"""A missing sample: the filter must not run across it."""
TONE_WINDOW_S = 2.0
TONE_BAND = 0.05
"""Of the frequency to either side: a propeller's speed wanders that much in level flight."""
TONE_SHARE = 0.3
TONE_OVER_FLAT = 3.0
"""Flat noise puts into the band what the band is wide; a tone puts there three times that."""


@dataclass(frozen=True, slots=True)
class Tone:
    """The tone of a signal.

    Parameters
    ----------
    frequency_hz, error_hz : float
        Where it is; error from the width of its line over the independent windows.
    share : float
        Of the variance above `HIGH_PASS_HZ`, 0..1.
    seconds : float
        Data behind it.
    """

    frequency_hz: float
    error_hz: float
    share: float
    seconds: float


def shaking_level(channel: Channel, grid_s: FloatArray) -> FloatArray | None:
    """Root mean square above `HIGH_PASS_HZ` around each time.

    Parameters
    ----------
    channel : Channel
        One axis of an accelerometer, m/s2; NaN means no sample.
    grid_s : ndarray, shape (n,)
        Even times, seconds; each figure is over one step.

    Returns
    -------
    ndarray, shape (n,), or None
        m/s2, NaN in gaps. None: the channel is slower than `LOWEST_RATE_HZ` or does not move.
    """
    rate_hz = channel.rate_hz
    known = np.isfinite(channel.value)
    if rate_hz < 0.95 * LOWEST_RATE_HZ or not known.any() or np.ptp(channel.value[known]) == 0.0:
        return None
    time_s, value = channel.time_s[known], channel.value[known]
    # The samples stay as they are: joining them onto another grid would take off a part of the shaking.
    filtered = butter(4, HIGH_PASS_HZ, "highpass", fs=rate_hz, output="sos")
    square = np.full(value.shape, np.nan)
    holes = np.flatnonzero(np.diff(time_s) * rate_hz > HOLE_STEPS) + 1
    edges = [0, *holes.tolist(), value.size]
    for first, last in pairwise(edges):
        if last - first >= SHORTEST_S * rate_hz:
            square[first:last] = sosfiltfilt(filtered, value[first:last]) ** 2
    step_s = float(grid_s[1] - grid_s[0]) if grid_s.size > 1 else 1.0
    return np.sqrt(np.maximum(on_grid(Channel(time_s, square), grid_s, 2.0 * step_s), 0.0))


def strongest_tone(channels: Sequence[Channel], windows: Iterable[Window]) -> Tone | None:
    """The tone that stands out of the shaking, all axes together; None where none does.

    Parameters
    ----------
    channels : sequence of Channel
        Axes of an accelerometer, m/s2.
    windows : iterable of (start_s, end_s)
        Where to look.
    """
    rate_hz = channels[0].rate_hz
    pieces = uniform_pieces(channels, windows, rate_hz, TONE_WINDOW_S)
    spectrum = averaged_spectrum([piece.values for piece in pieces], rate_hz, TONE_WINDOW_S)
    if spectrum is None:
        return None
    frequency = spectrum.frequency_hz
    density = np.sum([spectrum.power(axis) for axis in range(len(channels))], axis=0)
    density = np.where(frequency >= HIGH_PASS_HZ, density, 0.0)
    peak_hz = float(frequency[np.argmax(density)])
    half_hz = max(TONE_BAND * peak_hz, 2.0 * spectrum.resolution_hz)
    low_hz, high_hz = max(peak_hz - half_hz, HIGH_PASS_HZ), min(peak_hz + half_hz, 0.5 * rate_hz)
    whole = band_variance(frequency, density, HIGH_PASS_HZ, 0.5 * rate_hz)
    if not whole > 0.0:
        return None
    share = band_variance(frequency, density, low_hz, high_hz) / whole
    flat = (high_hz - low_hz) / (0.5 * rate_hz - HIGH_PASS_HZ)
    if share < max(TONE_SHARE, TONE_OVER_FLAT * flat):
        return None
    near = (frequency >= low_hz) & (frequency <= high_hz)
    centre_hz = float(np.average(frequency[near], weights=density[near]))
    width_hz = float(np.sqrt(np.average((frequency[near] - centre_hz) ** 2, weights=density[near])))
    return Tone(centre_hz, width_hz / float(np.sqrt(spectrum.averages)), share, spectrum.seconds)
