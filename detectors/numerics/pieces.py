"""Uniform pieces of a channel: even steps inside each stretch, never across a gap.

Everything that needs a fixed sample rate (spectra, filters, models in difference form) works on
these. A gap is never bridged: what lies before and after it are two pieces.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from trimkeep.detectors.model import Channel, FloatArray, Window
from trimkeep.detectors.numerics.resample import known_samples
from trimkeep.detectors.numerics.runs import IntArray

# A step longer than this many usual steps is a gap. Radio links drop single packets all the time
# (a hole of two steps); bridging one lost packet by a straight line changes nothing above five samples.
GAP_STEPS = 4.0


@dataclass(frozen=True, slots=True)
class Piece:
    """Evenly spaced samples of one or more channels.

    Parameters
    ----------
    start_s : float
        Time of the first sample.
    rate_hz : float
        Samples per second, even.
    values : ndarray of float64, shape (channels, n)
        One row per channel, unit of the channel.
    """

    start_s: float
    rate_hz: float
    values: FloatArray

    @property
    def seconds(self) -> float:
        """Length, seconds."""
        return self.values.shape[1] / self.rate_hz

    @property
    def window(self) -> Window:
        """Start and end, seconds from the recording's start."""
        return (self.start_s, self.start_s + (self.values.shape[1] - 1) / self.rate_hz)


def without_gaps(channel: Channel, windows: Iterable[Window]) -> list[Window]:
    """The parts of the windows in which the channel was logged without a gap.

    Parameters
    ----------
    channel : Channel
        NaN means no sample.
    windows : iterable of (start_s, end_s)

    Returns
    -------
    list of (start_s, end_s)
        Ends are times of samples; parts of a single sample are left out.
    """
    channel = known_samples(channel)
    time_s = channel.time_s
    if time_s.size < 2:
        return []
    breaks = channel.of_times.get("breaks", lambda: _breaks(time_s))
    parts: list[Window] = []
    for start_s, end_s in windows:
        first, last = np.searchsorted(time_s, (start_s, np.nextafter(end_s, np.inf)))
        within = slice(*np.searchsorted(breaks, (first + 1, last)))
        edges = [first, *breaks[within].tolist(), last]
        for begin, stop in pairwise(edges):
            if stop - begin >= 2 and time_s[stop - 1] > time_s[begin]:
                parts.append((float(time_s[begin]), float(time_s[stop - 1])))
    return parts


def _breaks(time_s: FloatArray) -> IntArray:
    """The samples before which there is a gap."""
    steps = np.diff(time_s)
    positive = steps > 0
    if not positive.all():
        usual_s = float(np.median(steps[positive])) if positive.any() else 0.0
    else:
        usual_s = float(np.median(steps))
    return np.flatnonzero(steps > GAP_STEPS * usual_s) + 1


def uniform_pieces(
    channels: Sequence[Channel], windows: Iterable[Window], rate_hz: float, min_seconds: float
) -> tuple[Piece, ...]:
    """Channels on one even time base, piece by piece.

    A channel faster than `rate_hz` is averaged over each step (which keeps what is faster than the
    new rate from folding back), a slower one is joined by straight lines.

    Parameters
    ----------
    channels : sequence of Channel
        At least one; NaN means no sample.
    windows : iterable of (start_s, end_s)
    rate_hz : float
        Samples per second of the result.
    min_seconds : float
        Shorter pieces are left out.

    Returns
    -------
    tuple of Piece
        In the order of the windows. Empty when nothing is long enough.

    Raises
    ------
    ValueError
        No channel, or a rate that is not positive.
    """
    if not channels:
        raise ValueError("channels: at least one is needed")
    if not rate_hz > 0.0:
        raise ValueError(f"rate_hz: must be positive, is {rate_hz}")
    parts = list(windows)
    for channel in channels:
        parts = without_gaps(channel, parts)
    pieces = []
    for start_s, end_s in parts:
        count = int((end_s - start_s) * rate_hz + 1e-6) + 1
        if count < 2 or count / rate_hz < min_seconds:
            continue
        grid_s = start_s + np.arange(count) / rate_hz
        values = np.stack([_on_grid(channel, grid_s, rate_hz) for channel in channels])
        pieces.append(Piece(start_s, rate_hz, values))
    return tuple(pieces)


def _on_grid(channel: Channel, grid_s: FloatArray, rate_hz: float) -> FloatArray:
    part = channel.between(grid_s[0] - 2.0 / rate_hz, grid_s[-1] + 2.0 / rate_hz)
    known = np.isfinite(part.value)
    time_s, value = part.time_s[known], part.value[known]
    if part.rate_hz < 1.5 * rate_hz:
        return np.interp(grid_s, time_s, value)
    # Mean over one step, as the difference of the running integral at the step's two edges.
    steps = np.diff(time_s)
    area = np.concatenate(([0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * steps)))
    edges = np.concatenate((grid_s - 0.5 / rate_hz, grid_s[-1:] + 0.5 / rate_hz))
    inside = np.clip(edges, time_s[0], time_s[-1])
    width = np.diff(inside)
    return np.diff(np.interp(inside, time_s, area)) / width
