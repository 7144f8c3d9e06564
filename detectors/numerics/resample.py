"""Channels on a common time base: held for codes, joined or averaged for quantities, NaN across gaps."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from trimkeep.config.channels import CHANNELS
from trimkeep.detectors.model import Channel, Flight, FloatArray, Recording
from trimkeep.detectors.numerics.circular import unwrap
from trimkeep.detectors.numerics.runs import IntArray, runs

Number = TypeVar("Number", np.float64, np.int64)
MANY = 4
"""Samples in a step from which on their plain mean is good enough."""


def even_grid(start_s: float, end_s: float, step_s: float) -> FloatArray:
    """Times from start to end, both included where the step allows; shape (n,).

    >>> even_grid(1.0, 2.0, 0.25).tolist()
    [1.0, 1.25, 1.5, 1.75, 2.0]
    """
    steps = np.arange(int((end_s - start_s) / step_s + 1e-6) + 1, dtype=np.float64)
    return start_s + step_s * steps


def held(channel: Channel, at_s: FloatArray) -> FloatArray:
    """Last known value at each time, shape of `at_s`; NaN before the first sample. For codes and flags."""
    channel = known_samples(channel)
    time_s, value = channel.time_s, channel.value
    if time_s.size == 0:
        return np.full(at_s.shape, np.nan)
    index = np.searchsorted(time_s, at_s, side="right") - 1
    return np.where(index >= 0, value[np.maximum(index, 0)], np.nan)


def held_runs(channel: Channel, code: float, at_s: FloatArray) -> list[tuple[int, int]]:
    """The runs of increasing times at which the last known value is `code`, as by `held`, by their ends only.

    >>> held_runs(Channel(np.array([0.0, 2.0, 3.0]), np.array([0.0, 1.0, 0.0])), 1.0, np.arange(4.0))
    [(2, 3)]
    """
    channel = known_samples(channel)
    edges_s = np.append(channel.time_s, np.inf)
    first, last = (np.searchsorted(at_s, edges_s[edge]) for edge in runs(channel.value == code))
    some = last > first
    first, last = first[some], last[some]
    # What lies between two runs of the channel may hold at none of the times.
    apart = first[1:] > last[:-1]
    begun, over = np.append(True, apart), np.append(apart, True)
    return list(zip(first[begun[: first.size]].tolist(), last[over[: last.size]].tolist(), strict=True))


def on_grid(channel: Channel, grid_s: FloatArray, max_gap_s: float, *, average: bool = True) -> FloatArray:
    """A quantity on an even grid: the mean over each step where it is fast, straight joins where slow.

    Parameters
    ----------
    channel : Channel
        NaN means no sample. Angles that wrap must be unwrapped before.
    grid_s : ndarray, shape (n,)
        Even, increasing, seconds.
    max_gap_s : float
        Between two samples further apart the result is NaN, and so it is before the first and after
        the last sample (half a step of grace).
    average : bool
        False takes points even where the channel is fast: for statistics of differences, which
        averaging would make smaller.

    Returns
    -------
    ndarray, shape (n,)
    """
    channel = known_samples(channel)
    time_s, value = channel.time_s, channel.value
    if time_s.size == 0 or grid_s.size == 0:
        return np.full(grid_s.shape, np.nan)
    step_s = float(grid_s[1] - grid_s[0]) if grid_s.size > 1 else 1.0
    usual_s = channel.of_times.get("usual_step", lambda: _usual_step(time_s))
    # Averaging keeps what is faster than the grid from folding back; it needs two samples in a step.
    if not average or usual_s > 0.7 * step_s:
        return _joined(time_s, value, grid_s, step_s, max_gap_s)
    if usual_s <= step_s / MANY:
        place = channel.of_times.of(grid_s, "places", lambda: _places(time_s, grid_s, step_s))
        return _means_of_many(time_s, value, place, grid_s, step_s, max_gap_s)
    return _means_of_few(time_s, value, grid_s, step_s, max_gap_s)


def known_samples(channel: Channel) -> Channel:
    """The channel without the samples that are not known; itself where all are."""
    known = np.isfinite(channel.value)
    return channel if known.all() else Channel(channel.time_s[known], channel.value[known])


def _joined(
    time_s: FloatArray, value: FloatArray, grid_s: FloatArray, step_s: float, max_gap_s: float
) -> FloatArray:
    """Straight joins, NaN in gaps and beyond the ends."""
    joined = np.interp(grid_s, time_s, value)
    before = np.maximum(np.searchsorted(time_s, grid_s, side="right") - 1, 0)
    after = np.minimum(before + (time_s[before] < grid_s), time_s.size - 1)
    grace_s = 0.5 * step_s + 1e-9
    outside = (grid_s < time_s[0] - grace_s) | (grid_s > time_s[-1] + grace_s)
    joined[(time_s[after] - time_s[before] > max_gap_s) | outside] = np.nan
    return joined


def _places(time_s: FloatArray, grid_s: FloatArray, step_s: float) -> IntArray:
    """First sample of each step, and the one after the last step's, shape (n + 1,)."""
    # A sample on an edge must fall to the same side whatever the rounding of its time.
    edges = np.append(grid_s - 0.5 * step_s, grid_s[-1] + 0.5 * step_s) - 1e-6
    return np.searchsorted(time_s, edges)


def _means_of_many(
    time_s: FloatArray,
    value: FloatArray,
    place: IntArray,
    grid_s: FloatArray,
    step_s: float,
    max_gap_s: float,
) -> FloatArray:
    """Mean of the samples in each step, up to half a sample late: the quick way for an hour at 50 Hz."""
    count = np.diff(place)
    used = value[: place[-1]]
    if count[-1] == 0:
        # The zero at the end lets steps after the last sample begin there without cutting off a sum.
        used = np.append(used, 0.0)
    mean = np.add.reduceat(used, place[:-1]) / np.maximum(count, 1)
    thin = count < 0.5 * MANY
    if thin.any():
        mean[thin] = _joined(time_s, value, grid_s[thin], step_s, max_gap_s)
    return mean


def _means_of_few(
    time_s: FloatArray, value: FloatArray, grid_s: FloatArray, step_s: float, max_gap_s: float
) -> FloatArray:
    """Mean over each step as the difference of the running integral at its edges.

    With two samples in a step, counting would make every other mean lopsided.
    """
    joined = _joined(time_s, value, grid_s, step_s, max_gap_s)
    edges = np.clip(np.append(grid_s - 0.5 * step_s, grid_s[-1] + 0.5 * step_s), time_s[0], time_s[-1])
    area, gaps = _integral_at(edges, time_s, value - value[0], max_gap_s)
    width = np.diff(edges)
    mean = np.diff(area) / np.maximum(width, 1e-9) + value[0]
    return np.where(np.isnan(joined) | (width < 0.25 * step_s) | (np.diff(gaps) > 0), joined, mean)


def _usual_step(time_s: FloatArray) -> float:
    """Median step, from at most about a thousand of them: a median of all is the dearest part otherwise."""
    if time_s.size < 3:
        return np.inf
    every = max(time_s.size // 1000, 1)
    return float(np.median(time_s[1::every] - time_s[:-1:every]))


def _integral_at(
    edges: FloatArray, time_s: FloatArray, value: FloatArray, max_gap_s: float
) -> tuple[FloatArray, IntArray]:
    """Integral of the joined samples from the first one to each edge, and the gaps begun until there."""
    steps = np.diff(time_s)
    area = np.concatenate(([0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * steps)))
    long = steps > max_gap_s
    gaps = np.concatenate(([0], np.cumsum(long))) if long.any() else np.zeros(time_s.size, dtype=np.int64)
    place = np.clip(np.searchsorted(time_s, edges, side="right") - 1, 0, time_s.size - 2)
    into = edges - time_s[place]
    slope = (value[place + 1] - value[place]) / np.maximum(steps[place], 1e-9)
    return area[place] + into * (value[place] + 0.5 * slope * into), gaps[place + (into > 0.0)]


def sampled(
    source: Recording | Flight, name: str, grid_s: FloatArray, max_gap_s: float = 2.0, *, average: bool = True
) -> FloatArray:
    """A channel by name on an even grid; all NaN when it is not there. Codes are held, angles unwrapped."""
    if isinstance(source, Recording):
        return _sampled(source, name, grid_s, max_gap_s, average)
    return source.kept.of(
        grid_s,
        ("sampled", name, max_gap_s, average),
        lambda: _sampled(source, name, grid_s, max_gap_s, average),
    )


def _sampled(
    source: Recording | Flight, name: str, grid_s: FloatArray, max_gap_s: float, average: bool
) -> FloatArray:
    channels = source.channels if isinstance(source, Recording) else source.recording.channels
    if name not in channels or grid_s.size == 0:
        return np.full(grid_s.shape, np.nan)
    kind = CHANNELS.get(name)
    if kind is not None and kind.discrete:
        return held(channels[name], grid_s)
    start_s, end_s = grid_s[0] - max_gap_s, grid_s[-1] + max_gap_s
    if isinstance(source, Recording):
        channel = channels[name].between(start_s, end_s)
    else:
        channel = source.between(name, start_s, end_s)
    if kind is not None and kind.wraps:
        channel = Channel(channel.time_s, unwrap(channel.value), channel.of_times)
    return on_grid(channel, grid_s, max_gap_s, average=average)


def running_mean(value: FloatArray, width: int) -> FloatArray:
    """Centred mean over `width` samples, shorter at the ends; NaN samples are left out. Shape kept.

    >>> running_mean(np.array([0.0, 3.0, np.nan, 1.0]), 3).tolist()
    [1.5, 1.5, 2.0, 1.0]
    """
    known = np.isfinite(value)
    half = width // 2
    if known.all():
        place = np.arange(value.size)
        count = np.minimum(place + half + 1, value.size) - np.maximum(place - half, 0)
        return _running_sum(value, half) / count
    with np.errstate(invalid="ignore", divide="ignore"):
        return _running_sum(np.where(known, value, 0.0), half) / _running_sum(known.astype(np.int64), half)


def _running_sum(value: NDArray[Number], half: int) -> NDArray[Number]:
    """Sum from `half` samples before to `half` after each, as far as there are so many; shape kept."""
    total = np.zeros(value.size + 1 + 2 * half, dtype=value.dtype)
    inner = total[half + 1 : half + 1 + value.size]
    np.cumsum(value, out=inner)
    total[half + 1 + value.size :] = total[half + value.size]
    return total[2 * half + 1 :] - total[: value.size]
