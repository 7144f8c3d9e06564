"""What is in a log, and a proposed channel map for columns that nobody has named yet.

A proposal rests on three things, and says on which: the header's words, the unit in it, and what the
numbers look like: their range, and whether an attitude is the integral of its rate and an altitude that
of the climb, which settles unit and sign at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.channels import CHANNELS
from trimkeep.config.units import UNITS, conversion, units_of
from trimkeep.detectors.model import FloatArray
from trimkeep.service.channel_names import Reading, channel_unit, fits, read_header
from trimkeep.service.readers.registry import choose
from trimkeep.service.readers.table import READER as TABLE
from trimkeep.service.readers.table import TIME_NAMES, numbers, planned
from trimkeep.service.readers.table_file import TableFile, load_table

_RELATIONS = (
    ("bank_deg", "roll_rate_dps"),
    ("pitch_deg", "pitch_rate_dps"),
    ("heading_deg", "yaw_rate_dps"),
    ("altitude_m", "climb_mps"),
    ("height_m", "climb_mps"),
)
"""Pairs of which the second is (nearly) the first one's rate of change."""
_RELATED = 0.7
"""Correlation of increments above which two columns belong together."""
_SAME_SCALE = 0.25
"""How far the ratio of increments may be from a unit's factor: in turns body rates are not Euler rates."""


@dataclass(frozen=True, slots=True)
class Found:
    """One column or channel: its name, the channel it is read as (None: nothing), and what it holds."""

    name: str
    channel: str | None
    samples: int
    rate_hz: float
    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class ChannelReport:
    """What was found in one log."""

    source: str
    reader: str
    seconds: float
    found: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class Proposal:
    """One line of a channel map and the reasons for it."""

    channel: str
    column: str
    unit: str | None
    scale: float
    sign: int
    why: str


def describe(path: Path, card: AirframeCard) -> ChannelReport:
    """What a log holds: every column of a table, every channel of another log.

    Parameters
    ----------
    path : Path
        The log.
    card : AirframeCard
        Its channel map counts as known.

    Raises
    ------
    LogError
        The log cannot be read.
    """
    reader = choose(path)
    if reader.name != TABLE:
        recording = reader.read(path, card)
        found = tuple(
            _found(name, name, channel.value, channel.time_s)
            for name, channel in sorted(recording.channels.items())
        )
        return ChannelReport(path.name, reader.name, recording.duration_s, found)
    table = load_table(path)
    known = {entry.column: channel for channel, entry in planned(table.headers, card).items()}
    columns = _numeric(path, table)
    time = _time(path, table, card, columns)
    found = tuple(
        _found(header, known.get(header), columns.get(header, np.empty(0)), time)
        for header in table.headers
        if header
    )
    seconds = float(time[-1] - time[0]) if time.size else 0.0
    return ChannelReport(path.name, reader.name, seconds, found)


def propose(path: Path, card: AirframeCard) -> tuple[Proposal, ...]:
    """A channel map for the columns of a table that are not known yet.

    Parameters
    ----------
    path : Path
        The log. Only tables have foreign headers; for other logs the answer is empty.
    card : AirframeCard
        What it maps already is left alone.

    Returns
    -------
    tuple of Proposal
        At most one for each channel and for each column, in the catalogue's order.

    Raises
    ------
    LogError
        The log cannot be read.
    """
    if choose(path).name != TABLE:
        return ()
    table = load_table(path)
    plan = planned(table.headers, card)
    columns = _numeric(path, table)
    time = _time(path, table, card, columns)
    taken = {entry.column for entry in plan.values()}
    has_time = any(name in plan for name in TIME_NAMES)
    readings: list[tuple[float, str, Reading]] = []
    for header in table.headers:
        reading = read_header(header) if header and header not in taken else None
        if reading is None or header not in columns or reading.channel in plan:
            continue
        if reading.channel == "time_s" and (has_time or np.any(np.diff(columns[header]) < 0.0)):
            continue
        moves = _moves(columns[header])
        # Of two columns with one meaning the one that stands still is the spare one.
        readings.append((reading.words + reading.share - (0 if moves else 2), header, reading))
    best: dict[str, Proposal] = {}
    for _, header, reading in sorted(readings, key=lambda entry: -entry[0]):
        if reading.channel not in best:
            best[reading.channel] = _from_numbers(reading, header, columns[header])
    related = _related(best, {p.column: columns[p.column] for p in best.values()}, time)
    order = ["time_s", *CHANNELS]
    return tuple(sorted(related.values(), key=lambda proposal: order.index(proposal.channel)))


def _found(name: str, channel: str | None, values: FloatArray, time: FloatArray) -> Found:
    there = np.isfinite(values)
    good = values[there]
    if not good.size:
        return Found(name, channel, 0, 0.0, np.nan, np.nan, np.nan)
    when = time[there] if time.size == values.size else np.arange(good.size)
    span = float(when[-1] - when[0])
    rate = (good.size - 1) / span if span > 0.0 else 0.0
    low, middle, high = np.percentile(good, (0, 50, 100)).tolist()
    return Found(name, channel, int(good.size), rate, low, middle, high)


def _numeric(path: Path, table: TableFile) -> dict[str, FloatArray]:
    """The columns that hold numbers."""
    return {
        header: numbers(path, table, header)
        for header, column in table.columns.items()
        if pa.types.is_integer(column.type)
        or pa.types.is_floating(column.type)
        or pa.types.is_boolean(column.type)
        or pa.types.is_decimal(column.type)
    }


def _time(path: Path, table: TableFile, card: AirframeCard, columns: dict[str, FloatArray]) -> FloatArray:
    """Seconds of each row as far as they can be told; row numbers otherwise."""
    plan = planned(table.headers, card)
    rows = len(next(iter(table.columns.values()))) if table.columns else 0
    if "time_s" in plan and plan["time_s"].column in columns:
        entry = plan["time_s"]
        gain = conversion(entry.unit, "s")[0] if entry.unit and fits(entry.unit, "time_s") else 1.0
        return columns[entry.column] * entry.scale * gain
    if "time_utc" not in plan:
        for header, values in columns.items():
            reading = read_header(header)
            if reading and reading.channel == "time_s" and not np.any(np.diff(values) < 0.0):
                proposal = _from_numbers(reading, header, values)
                return values * conversion(proposal.unit or "s", "s")[0]
    else:
        said = table.columns[plan["time_utc"].column].to_pandas()
        moments = _moments(said)
        if moments is not None:
            return moments
    return np.arange(rows, dtype=np.float64)


def _moments(said: object) -> FloatArray | None:
    try:
        moments = pd.to_datetime(pd.Series(said), format="ISO8601", utc=True)
    except (ValueError, TypeError, OverflowError):
        return None
    return np.asarray((moments - moments.iloc[0]).dt.total_seconds(), np.float64) if len(moments) else None


def _from_numbers(reading: Reading, header: str, values: FloatArray) -> Proposal:
    """Unit and scale: the header's unit, else what the range of the numbers allows."""
    channel, own = reading.channel, channel_unit(reading.channel)
    good = values[np.isfinite(values)]
    reach = float(np.percentile(np.abs(good), 99.0)) if good.size else 0.0
    doubt = "; check the sign against the aeroplane" if channel in _SURFACES else ""
    doubt += "; counts downwards" if reading.sign < 0 else ""
    if reading.unit is not None:
        unit = None if reading.unit == own else reading.unit
        return Proposal(channel, header, unit, 1.0, reading.sign, f"by name and unit{doubt}")
    guess, why = _unit_by_range(channel, reach, good)
    return Proposal(channel, header, guess, 1.0, reading.sign, f"by name{why}{doubt}")


def _unit_by_range(channel: str, reach: float, values: FloatArray) -> tuple[str | None, str]:
    """A unit that explains the range where the channel's own cannot, and the reason."""
    own = channel_unit(channel)
    if channel in ("latitude_deg", "longitude_deg"):
        return ("degE7", f"; reaches {reach:.3g}, so 1e-7 deg") if reach > 360.0 else (None, "")
    if own == "deg" and reach > 720.0:
        return "cdeg", f"; reaches {reach:.3g}, so hundredths of a degree"
    if own == "deg" and 0.0 < reach <= 2.0 * np.pi and _is_fine(values):
        return "rad", f"; never beyond {reach:.2g}, so probably radians"
    if own == "deg/s" and 0.0 < reach < 3.0:
        return "rad/s", f"; never beyond {reach:.2g}, so probably radians"
    if own == "" and channel in _RATIOS and 1.5 < reach <= 150.0:
        return "%", f"; reaches {reach:.3g}, so per cent"
    if own == "m" and reach > 20000.0:
        return "mm", f"; reaches {reach:.3g}, so millimetres"
    if own == "V" and reach > 1000.0:
        return "mV", f"; reaches {reach:.3g}, so millivolts"
    if own == "hPa" and reach > 20000.0:
        return "Pa", f"; reaches {reach:.3g}, so pascals"
    if channel.startswith("accel_z") and 0.3 < reach < 5.0:
        return "g", f"; about {float(np.median(values)):.2g} in level flight, so multiples of g"
    if channel == "time_s" and values.size > 2:
        step = float(np.median(np.diff(values)))
        if step > 5000.0:
            return "us", f"; steps of {step:.3g}, so microseconds"
        if step > 5.0:
            return "ms", f"; steps of {step:.3g}, so milliseconds"
    return None, ""


_SURFACES = frozenset({"elevator_cmd", "aileron_cmd", "rudder_cmd"})
_RATIOS = frozenset(
    name
    for name, kind in CHANNELS.items()
    if kind.unit == "" and not kind.discrete and name != "satellite_hdop"
)


def _moves(values: FloatArray) -> bool:
    good = values[np.isfinite(values)]
    return bool(good.size) and bool(np.any(good != good[0]))


def _is_fine(values: FloatArray) -> bool:
    """Not whole numbers: a degree scale rounded to integers may stay small too."""
    return bool(np.any(values != np.rint(values)))


def _related(
    proposals: dict[str, Proposal], columns: dict[str, FloatArray], time: FloatArray
) -> dict[str, Proposal]:
    """Settle units and signs by the relations between the columns."""
    out = dict(proposals)
    for level, rate in _RELATIONS:
        if level not in out or rate not in out:
            continue
        ratio = _ratio(columns[out[level].column], columns[out[rate].column], time)
        if ratio is None:
            continue
        a, b = out[level], out[rate]
        gain_a = conversion(a.unit or channel_unit(level), channel_unit(level))[0] * a.sign
        unit, sign = _rate_unit(ratio * gain_a, rate, b)
        if unit is None and sign == 0:
            continue
        own = None if unit == channel_unit(rate) else unit
        reason = f"by name; it is the rate of change of {a.column}"
        out[rate] = replace(b, unit=own, sign=sign, why=reason if sign > 0 else f"{reason}, turned round")
        out[level] = replace(a, why=f"{a.why}; {b.column} is its rate of change")
    return out


def _rate_unit(true_per_column: float, rate: str, proposal: Proposal) -> tuple[str | None, int]:
    """The unit and sign of a rate column of which one step is worth `true_per_column` in the channel's unit.

    The proposed unit is kept where it agrees; sign 0: nothing fits.
    """
    own = channel_unit(rate)
    sign = 1 if true_per_column > 0.0 else -1
    candidates = [proposal.unit or own, *units_of(UNITS[own].dimension)]
    for unit in candidates:
        gain = conversion(unit, own)[0]
        if abs(abs(true_per_column) / gain - 1.0) < _SAME_SCALE:
            return unit, sign
    return None, 0


def _ratio(level: FloatArray, rate: FloatArray, time: FloatArray) -> float | None:
    """Steps of `level` per integral of `rate` over about a second; None when they do not go together."""
    both = np.isfinite(level) & np.isfinite(rate) & np.isfinite(time)
    level, rate, time = level[both], rate[both], time[both]
    if level.size < 50 or time[-1] <= time[0]:
        return None
    stride = max(int(np.searchsorted(time, time[0] + 1.0)), 1)
    integral = np.concatenate(([0.0], np.cumsum((rate[1:] + rate[:-1]) / 2.0 * np.diff(time))))
    x = integral[stride:] - integral[:-stride]
    y = level[stride:] - level[:-stride]
    near = np.abs(y - np.median(y)) < 6.0 * np.std(y) + 1e-12
    near &= np.abs(y) < 0.5 * np.ptp(level) + 1e-12  # a heading that jumps at north
    x, y = x[near], y[near]
    if x.size < 50 or np.std(x) == 0.0 or np.std(y) == 0.0:
        return None
    correlation = float(np.corrcoef(x, y)[0, 1])
    if abs(correlation) < _RELATED:
        return None
    return float(np.dot(x, y) / np.dot(x, x))
