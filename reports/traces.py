"""Arrays of a flight to traces and spectra that can be drawn: thinned, scaled, named."""

from __future__ import annotations

import numpy as np

from trimkeep.config.channels import CHANNELS
from trimkeep.detectors.model import FloatArray, Window
from trimkeep.reports.foreign import anchor, plain
from trimkeep.reports.page_inputs import Spectrum, Trace
from trimkeep.reports.page_views import SpectrumView, TracePair, TraceView
from trimkeep.reports.teller import Teller, capital

MAX_TRACE_POINTS = 1200
TABLE_ROWS = 12
MARGIN_SHARE = 0.06
COMMON_AXIS_UP_TO = 1.6


def thin(
    time_s: FloatArray, value: FloatArray, most: int = MAX_TRACE_POINTS
) -> tuple[FloatArray, FloatArray]:
    """A trace with fewer points that still shows every extreme.

    Parameters
    ----------
    time_s, value : ndarray of float, shape (n,)
        NaN in `value` is a gap and stays one.
    most : int
        At most about this many points come back.

    Returns
    -------
    tuple of ndarray
        Lowest and highest sample of each of `most / 2` stretches, in order of time.
    """
    if value.size <= most:
        return time_s, value
    length = -(-value.size // (most // 2))
    rows = -(-value.size // length)
    padded = np.full(rows * length, np.nan)
    padded[: value.size] = value
    parts = padded.reshape(rows, length)
    # In a stretch of nothing but gaps both are its first sample, a gap.
    lowest = np.where(np.isnan(parts), np.inf, parts).argmin(axis=1)
    highest = np.where(np.isnan(parts), -np.inf, parts).argmax(axis=1)
    starts = length * np.arange(rows)
    index = np.unique(np.concatenate((starts + lowest, starts + highest)))
    return time_s[index], value[index]


def channel_words(channel: str) -> str:
    """A channel in words, from the catalogue of channels; an unknown one by its own name."""
    kind = CHANNELS.get(channel)
    return capital(kind.meaning.split(",")[0]) if kind else plain(channel.replace("_", " "))


def _scaled(values: FloatArray, unit: str, metric: str, teller: Teller) -> FloatArray:
    zero = teller.fmt.to_shown(0.0, unit, metric=metric)
    factor = teller.fmt.to_shown(1.0, unit, metric=metric) - zero
    return np.asarray(values, dtype=np.float64) * factor + zero


def limits(arrays: list[FloatArray]) -> tuple[float, float]:
    """Common ends of a value axis with a little air; (0, 1) when nothing is finite."""
    finite = [array[np.isfinite(array)] for array in arrays]
    finite = [array for array in finite if array.size]
    if not finite:
        return 0.0, 1.0
    low = min(float(array.min()) for array in finite)
    high = max(float(array.max()) for array in finite)
    air = MARGIN_SHARE * (high - low) or 0.5
    return low - air, high + air


def trace_view(
    trace: Trace,
    *,
    key: str,
    caption: str,
    verdict: str,
    ends: tuple[float, float],
    teller: Teller,
    windows: tuple[Window, ...] = (),
) -> TraceView:
    """One trace; `ends` of the value axis are in the shown unit."""
    value = _scaled(trace.value, trace.unit, trace.channel, teller)
    times, thinned = thin(np.asarray(trace.time_s, dtype=np.float64), value)
    asked = None
    if trace.asked is not None:
        asked = np.interp(times, trace.time_s, _scaled(trace.asked, trace.unit, trace.channel, teller))
    label = teller.fmt.unit_label(trace.unit, metric=trace.channel)
    name = channel_words(trace.channel)
    known = trace.value[np.isfinite(trace.value)]

    def say(number: float) -> str:
        return teller.fmt.quantity(float(number), trace.unit, metric=trace.channel)

    span = float(trace.time_s[-1] - trace.time_s[0]) if len(trace.time_s) else 0.0
    places = np.unique(np.linspace(0, max(len(trace.time_s) - 1, 0), TABLE_ROWS).astype(int))
    return TraceView(
        key=anchor("trace", key),
        caption=caption,
        name=teller.words.sentence(
            "trace_name",
            channel=caption,
            length=teller.fmt.duration(span),
            low=say(known.min()) if known.size else teller.words.text("not_known"),
            high=say(known.max()) if known.size else teller.words.text("not_known"),
        ),
        axis=f"{name} ({label})" if label else name,
        verdict=verdict,
        time_s=times,
        value=thinned,
        asked=asked,
        low=ends[0],
        high=ends[1],
        windows=windows,
        table=tuple(
            (
                teller.fmt.quantity(float(trace.time_s[place]), "s", spread=1.0, with_unit=False),
                say(trace.value[place]),
            )
            for place in places
            if len(trace.time_s)
        ),
    )


def _shown_arrays(trace: Trace, teller: Teller) -> list[FloatArray]:
    return [
        _scaled(array, trace.unit, trace.channel, teller)
        for array in (trace.value, trace.asked)
        if array is not None
    ]


def _side_by_side(sides: list[list[FloatArray]]) -> list[tuple[float, float]]:
    """Ends of the value axes of traces set beside each other: always one span, one axis where that reads.

    Flights at 160 m and at 170 m on one axis would both be flat lines.
    """
    low, high = limits([array for arrays in sides for array in arrays])
    own = [limits(arrays) for arrays in sides]
    span = max((end - start for start, end in own), default=high - low)
    if high - low <= COMMON_AXIS_UP_TO * span:
        return [(low, high)] * len(sides)
    middles = [0.5 * (start + end) for start, end in own]
    return [(middle - 0.5 * span, middle + 0.5 * span) for middle in middles]


def trace_pairs(traces: tuple[Trace, ...], verdict: str, teller: Teller) -> tuple[TracePair, ...]:
    """The same channel before and after, on value axes of one span."""
    channels = tuple(dict.fromkeys(trace.channel for trace in traces))
    pairs = []
    for channel in channels:
        those = sorted(
            (trace for trace in traces if trace.channel == channel), key=lambda trace: trace.side != "before"
        )
        ends = _side_by_side([_shown_arrays(trace, teller) for trace in those])
        pairs.append(
            TracePair(
                title=channel_words(channel),
                traces=tuple(
                    trace_view(
                        trace,
                        key=f"{channel}/{trace.side}/{place}",
                        caption=teller.words.sentence(
                            "trace_pair",
                            channel=channel_words(channel),
                            when=teller.words.text(trace.side),
                            day=teller.fmt.short_moment(trace.at)
                            if trace.at
                            else teller.words.text("not_known"),
                        ),
                        verdict=verdict if trace.side == "after" else "",
                        ends=ends[place],
                        teller=teller,
                    )
                    for place, trace in enumerate(those)
                ),
            )
        )
    return tuple(pairs)


def spectrum_view(spectrum: Spectrum, verdict: str, teller: Teller) -> SpectrumView:
    """Power before and after, both as shares of the strongest of the two."""
    sides = [side for side in (spectrum.before, spectrum.after) if side is not None and side.size]
    strongest = max((float(np.nanmax(side)) for side in sides), default=0.0)
    scale = 1.0 / strongest if strongest > 0.0 else 1.0
    before = None if spectrum.before is None else spectrum.before * scale
    after = None if spectrum.after is None else spectrum.after * scale
    positive = spectrum.frequency_hz > 0.0

    def peak(side: FloatArray | None) -> str:
        if side is None or not np.any(positive):
            return teller.words.text("not_known")
        at = spectrum.frequency_hz[positive][int(np.nanargmax(side[positive]))]
        return teller.fmt.quantity(1.0 / float(at), "s")

    places = np.unique(np.linspace(0, max(spectrum.frequency_hz.size - 1, 0), TABLE_ROWS).astype(int))
    places = places[spectrum.frequency_hz[places] > 0.0] if spectrum.frequency_hz.size else places[:0]

    def share(side: FloatArray | None, place: int) -> str:
        return "–" if side is None else teller.fmt.percent(float(side[place]))

    name = channel_words(spectrum.channel)
    return SpectrumView(
        key=anchor("spectrum", spectrum.channel),
        caption=teller.words.sentence("spectrum_name", channel=name),
        name=" ".join(
            (
                teller.words.sentence("spectrum_name", channel=name) + ".",
                teller.words.sentence("spectrum_peak", before=peak(before), after=peak(after)),
            )
        ),
        axis=teller.words.text("share_of_strongest"),
        verdict=verdict,
        frequency_hz=spectrum.frequency_hz,
        before=before,
        after=after,
        table=tuple(
            (
                teller.fmt.quantity(1.0 / float(spectrum.frequency_hz[place]), "s"),
                share(before, int(place)),
                share(after, int(place)),
            )
            for place in places
        ),
    )
