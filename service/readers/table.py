"""Reader of tables: one row per sample, the project's channel names or a channel map."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from trimkeep.config.airframe import AirframeCard, ColumnMap
from trimkeep.config.channels import CHANNELS
from trimkeep.config.errors import ClockUnusable, NoChannels, UnreadableLog
from trimkeep.config.units import UNITS, conversion
from trimkeep.detectors.model import Channel, ClockSource, FloatArray, Note, ParameterReading, Recording
from trimkeep.service.readers.modes import MODE_CODES, mode_codes, unmapped_notes
from trimkeep.service.readers.outputs import commands, unmapped_outputs
from trimkeep.service.readers.table_file import PARQUET_MAGIC, TableFile, headers_of, load_table

READER = "table"
VERSION = 1

OUTPUT_NAME = re.compile(r"output_\d+_\d+_us")
TIME_NAMES = ("time_s", "time_utc")
YEARS = range(1900, 2200)
LARGEST = 1e15
"""No quantity of an aeroplane is larger in any unit; such a cell holds no sample, as one with inf."""
_CERTAIN, _TEXT, _BY_NAME = 90, 40, 10


def sniff(head: bytes, name: str) -> int:
    """How sure this reader is that the file is its own: 0 to 100.

    Parameters
    ----------
    head : bytes
        The file's first bytes, some thousands.
    name : str
        File name.
    """
    if head.startswith(PARQUET_MAGIC):
        return _CERTAIN
    named = name.lower().endswith((".csv", ".parquet"))
    if b"\0" in head:
        return _BY_NAME if named else 0
    lines = [
        line for line in head.removeprefix(b"\xef\xbb\xbf").splitlines() if line and not line.startswith(b"#")
    ]
    if lines and lines[0].lstrip(b'"').startswith((b"time_s", b"time_utc")):
        return _CERTAIN
    if len(lines) >= 2 and named and any(lines[0].count(mark) for mark in (b",", b";", b"\t")):
        return _TEXT
    return _BY_NAME if named else 0


def read(path: Path, card: AirframeCard) -> Recording:
    """Decode a table.

    Parameters
    ----------
    path : Path
        CSV or Parquet.
    card : AirframeCard
        Its `columns` map foreign headers; its modes and outputs turn numbers into modes and commands.

    Returns
    -------
    Recording

    Raises
    ------
    UnreadableLog
        Not a table, two columns with one header, a cell that is no number.
    NoChannels
        No column is a channel, neither by its header nor by the channel map.
    ClockUnusable
        No time column, or its times go back or are missing.
    """
    headers = headers_of(path)
    plan = planned(headers, card)
    if not any(name not in TIME_NAMES for name in plan):
        raise NoChannels(
            f"none of its {len(headers)} columns is a known channel ({', '.join(headers[:6])}, ...)",
            subject=path.name,
            next_step="Run `trimkeep channels` on the file and save the proposed map as channels.toml",
        )
    table = load_table(path, {entry.column for entry in plan.values()})
    time_s, start, source = _times(path, table, plan)
    channels: dict[str, Channel] = {}
    for name, entry in plan.items():
        if name not in TIME_NAMES:
            values = column_values(path, table, entry)
            there = np.abs(values) < LARGEST  # NaN is not
            channels[name] = Channel(time_s, values) if there.all() else Channel(time_s[there], values[there])
    channels = {name: channel for name, channel in channels.items() if channel.time_s.size}
    notes = list(table.notes)
    raw = {name: channel for name, channel in channels.items() if OUTPUT_NAME.fullmatch(name)}
    channels = commands(raw, card) | channels
    notes += unmapped_outputs(raw, card)
    if "mode_number" in channels and "control_mode" not in channels:
        said = channels["mode_number"]
        channels["control_mode"] = Channel(said.time_s, mode_codes(said.value, card.modes))
        notes += unmapped_notes(said.value, channels["control_mode"], float(time_s[-1]))
    used = {entry.column for entry in plan.values()}
    lost = [header for header in table.headers if header and header not in used]
    if lost:
        notes.append(Note("column_unmapped", {"names": ", ".join(lost)}))
    if not card.has_card:
        notes.append(Note("no_card", {}))
    return Recording(
        source=path.name,
        reader=READER,
        reader_version=VERSION,
        duration_s=float(time_s[-1]),
        channels=channels,
        start_utc=start,
        clock=source,
        firmware=table.metadata.get("firmware") or None,
        board=table.metadata.get("board") or None,
        parameters=_parameters(path, table.metadata),
        notes=tuple(notes),
    )


def planned(headers: tuple[str, ...], card: AirframeCard) -> dict[str, ColumnMap]:
    """Channel (or `time_s`, `time_utc`) to the column it is taken from; the map wins over the header."""
    plan: dict[str, ColumnMap] = {}
    for header in headers:
        if header in CHANNELS or header in TIME_NAMES or OUTPUT_NAME.fullmatch(header):
            plan[header] = ColumnMap(header, header)
    for entry in card.columns:
        if entry.column in headers:
            plan[entry.channel] = entry
    return plan


def column_values(path: Path, table: TableFile, entry: ColumnMap) -> FloatArray:
    """A column in the channel's unit, NaN where there is no sample, shape (rows,)."""
    if entry.channel == "control_mode":
        words = table.columns[entry.column]
        if pa.types.is_string(words.type) or pa.types.is_large_string(words.type):
            return _mode_words(path, words, entry.column)
    values = numbers(path, table, entry.column)
    gain, offset = _conversion(path, entry)
    gain *= entry.sign * entry.scale
    if (gain, offset) == (1.0, 0.0):
        return values
    return values * gain + offset


def numbers(path: Path, table: TableFile, header: str) -> FloatArray:
    """A column as float64, NaN for empty cells.

    Raises
    ------
    UnreadableLog
        A cell is no number; the message names it and its row.
    """
    column = table.columns[header]
    kind = column.type
    if pa.types.is_boolean(kind):
        column = column.cast(pa.int8())
    elif pa.types.is_null(kind):
        return np.full(len(column), np.nan)
    elif not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        row, cell = _first_bad(column)
        raise UnreadableLog(
            f"row {row} of column {header!r} holds {cell!r}, which is no number",
            subject=path.name,
            next_step="Correct the cell, or leave it empty where there is no sample",
        )
    values = column.cast(pa.float64(), safe=False).to_numpy()
    return np.asarray(values, np.float64)


def _first_bad(column: pa.ChunkedArray) -> tuple[int, str]:
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        # Times of the year 292,277,026,596, say, which Python cannot even print.
        return 1, str(column.type)
    for row, cell in enumerate(column.to_pylist(), start=1):
        if cell is None:
            continue
        try:
            float(str(cell))
        except ValueError:
            return row, str(cell)[:40]
    return 1, str(column.type)


def _conversion(path: Path, entry: ColumnMap) -> tuple[float, float]:
    target = CHANNELS[entry.channel].unit if entry.channel in CHANNELS else "us"
    if entry.channel == "time_s":
        target = "s"
    if entry.unit is None:
        return 1.0, 0.0
    try:
        return conversion(entry.unit, target)
    except (KeyError, ValueError) as error:
        wanted = UNITS[target].dimension
        raise UnreadableLog(
            f"the channel map gives {entry.channel} the unit {entry.unit!r}, which is no unit of {wanted}",
            subject=path.name,
            next_step="Correct the unit in channels.toml",
        ) from error


def _mode_words(path: Path, column: pa.ChunkedArray, header: str) -> FloatArray:
    words = column.to_pandas()
    codes = words.map(MODE_CODES)
    wrong = words[codes.isna() & words.notna()]
    if len(wrong):
        raise UnreadableLog(
            f"row {int(wrong.index[0]) + 1} of column {header!r} holds"
            f" {str(wrong.iloc[0])[:40]!r}, which is no control mode",
            subject=path.name,
            next_step=f"Use one of {', '.join(MODE_CODES)}",
        )
    return codes.to_numpy(np.float64)


def _times(
    path: Path, table: TableFile, plan: Mapping[str, ColumnMap]
) -> tuple[FloatArray, datetime | None, ClockSource]:
    """Seconds from the first row, the first row's wall time, and what that rests on."""
    start = _metadata_start(path, table.metadata)
    if "time_utc" in plan:
        header = plan["time_utc"].column
        seconds, first = _utc_seconds(path, table.columns[header], header)
        start = first
    elif "time_s" in plan:
        header = plan["time_s"].column
        seconds = column_values(path, table, plan["time_s"])
    else:
        raise ClockUnusable(
            "it has neither a column time_s nor a column time_utc",
            subject=path.name,
            next_step='Name one, or map it: time_s = { column = "...", unit = "s" } in channels.toml',
        )
    if not seconds.size:
        raise NoChannels("it has headers but no rows", subject=path.name, next_step="Export the table again")
    missing = np.flatnonzero(~np.isfinite(seconds))
    if missing.size:
        raise ClockUnusable(
            f"row {missing[0] + 1} has no time in column {header!r}",
            subject=path.name,
            next_step="Fill the cell or remove the row",
        )
    back = np.flatnonzero(np.diff(seconds) < 0.0)
    if back.size:
        raise ClockUnusable(
            f"the time in column {header!r} goes back in row {back[0] + 2}",
            subject=path.name,
            next_step="Split the table there, or correct the times",
        )
    return seconds - seconds[0], start, ClockSource.METADATA if start else ClockSource.NONE


def _utc_seconds(path: Path, column: pa.ChunkedArray, header: str) -> tuple[FloatArray, datetime | None]:
    try:
        moments = pd.to_datetime(column.to_pandas(), format="ISO8601", utc=True)
    except (ValueError, TypeError, OverflowError) as error:
        raise ClockUnusable(
            f"column {header!r} holds a time that is not written like 2026-03-14T10:05:00Z",
            subject=path.name,
            next_step="Write the times so",
        ) from error
    if not len(moments) or moments.isna().iloc[0]:
        return np.full(len(moments), np.nan), None
    first: pd.Timestamp = moments.iloc[0]
    seconds = (moments - first).dt.total_seconds().to_numpy(np.float64)
    return seconds, _plausible(path, first.to_pydatetime(warn=False))


def _metadata_start(path: Path, metadata: Mapping[str, str]) -> datetime | None:
    said = metadata.get("start_utc")
    if not said:
        return None
    try:
        start = datetime.fromisoformat(said)
    except ValueError as error:
        raise ClockUnusable(
            f"its line start_utc says {said[:40]!r}, which is no time",
            subject=path.name,
            next_step="Write it like 2026-03-14T10:05:00Z, or leave the line out",
        ) from error
    return _plausible(path, start if start.tzinfo else start.replace(tzinfo=UTC))


def _plausible(path: Path, start: datetime) -> datetime:
    """The start in UTC; near year 1 or 9999 that cannot be worked out, and no log is from there."""
    if start.year not in YEARS:
        raise ClockUnusable(
            f"it says to be from the year {start.year}",
            subject=path.name,
            next_step="Correct the time, or leave it out",
        )
    return start.astimezone(UTC)


def _parameters(path: Path, metadata: Mapping[str, str]) -> tuple[ParameterReading, ...]:
    found: list[ParameterReading] = []
    for key, said in metadata.items():
        if not key.startswith("param."):
            continue
        try:
            found.append(ParameterReading(0.0, key.removeprefix("param."), float(said)))
        except ValueError as error:
            raise UnreadableLog(
                f"its line {key} says {said[:40]!r}, which is no number",
                subject=path.name,
                next_step="Correct the line or leave it out",
            ) from error
    return tuple(found)
