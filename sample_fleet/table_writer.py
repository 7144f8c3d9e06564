"""A flight as a table, CSV or Parquet."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.identity import Circumstances, Identity
from trimkeep.sample_fleet.table_columns import COLUMNS, FOREIGN, Column

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TableStyle:
    """One habit of tabular logging.

    Parameters
    ----------
    name, suffix : str
        Suffix `.csv` or `.parquet`.
    rate_hz : float
        Rows per second.
    foreign : bool
        True: another program's headers.
    wall_time : bool
        True: first column `time_utc` instead of `time_s`.
    """

    name: str
    suffix: str
    rate_hz: float
    foreign: bool = False
    wall_time: bool = False


TABLES: Mapping[str, TableStyle] = {
    style.name: style
    for style in (
        TableStyle("table_parquet", ".parquet", 50.0),
        TableStyle("table_csv", ".csv", 25.0, wall_time=True),
        TableStyle("table_csv_slow", ".csv", 4.0),
        TableStyle("table_foreign", ".csv", 25.0, foreign=True),
    )
}


@dataclass(frozen=True, slots=True)
class Table:
    """Columns by header, in order, and the lines of metadata."""

    columns: Mapping[str, pa.Array]
    metadata: Mapping[str, str] = field(default_factory=dict)


def write_table(
    path: Path, flown: Flown, identity: Identity, circumstances: Circumstances, style: TableStyle
) -> None:
    """Write one table; `keep` of the circumstances cuts it, the other mishaps are telemetry's own."""
    table = tabulate(flown, identity, circumstances, style)
    if style.suffix == ".parquet":
        arrow = pa.table(dict(table.columns)).replace_schema_metadata(dict(table.metadata))
        pq.write_table(arrow, path, compression="zstd")
        return
    text = io.BytesIO()
    for key, value in table.metadata.items():
        text.write(f"# {key}: {value}\n".encode())
    options = pacsv.WriteOptions(quoting_style="needed")
    pacsv.write_csv(pa.table(dict(table.columns)), text, options)
    path.write_bytes(text.getvalue())


def tabulate(flown: Flown, identity: Identity, circumstances: Circumstances, style: TableStyle) -> Table:
    """The table's columns; a cell that has no sample is null."""
    rate_hz = min(style.rate_hz, flown.rate_hz)
    count = int((flown.t_s.size - 1) * rate_hz / flown.rate_hz) + 1
    # the nearest sample, so that 4 Hz is four a second whatever the flight's own rate
    rows = np.rint(np.arange(count) * flown.rate_hz / rate_hz).astype(np.intp)
    inside = (flown.t_s[rows] >= circumstances.keep[0]) & (flown.t_s[rows] <= circumstances.keep[1])
    rows = rows[inside]
    columns: dict[str, pa.Array] = {}
    if style.wall_time:
        columns["time_utc"] = _wall_times(flown.t_s[rows], circumstances)
    else:
        # counted from the first row, which is the instant that `start_utc` names
        columns["time_s"] = pa.array(np.round(flown.t_s[rows] - flown.t_s[rows[0]], 4))
    for channel, column in COLUMNS.items():
        values = _sparse(_values(flown, identity, column, rows), column, style.rate_hz)
        if np.isnan(values).all() or (style.foreign and channel not in FOREIGN):
            continue
        header = channel
        decimals = column.decimals
        if style.foreign:
            other = FOREIGN[channel]
            header = other.header
            values = values * other.per_unit * other.sign / other.scale
            decimals += 2 if other.per_unit < 1.0 else 0
        columns[header] = pa.array(np.round(values, decimals), from_pandas=True)
    return Table(columns, _metadata(flown, identity, circumstances, float(flown.t_s[rows[0]])))


def _values(flown: Flown, identity: Identity, column: Column, rows: NDArray[np.intp]) -> Floats:
    values = flown.signals[column.signal][rows]
    if column.signal == "mode":
        numbers = np.asarray(identity.mode_numbers, dtype=np.float64)
        return np.asarray(numbers[np.rint(values).astype(int)], dtype=np.float64)
    return values


def _sparse(values: Floats, column: Column, rate_hz: float) -> Floats:
    if column.rate_hz is None or column.rate_hz >= rate_hz:
        return values
    thinned = np.full(values.shape, np.nan)
    step = round(rate_hz / column.rate_hz)
    thinned[::step] = values[::step]
    return thinned


def _wall_times(t_s: Floats, circumstances: Circumstances) -> pa.Array:
    start_us = round(circumstances.switched_on_at.timestamp() * 1e6)
    instants = pa.array(start_us + np.rint(t_s * 1e6).astype(np.int64)).cast(pa.timestamp("us"))
    return pc.strftime(instants, format="%Y-%m-%dT%H:%M:%SZ")


def _metadata(
    flown: Flown, identity: Identity, circumstances: Circumstances, first_s: float
) -> dict[str, str]:
    start = circumstances.switched_on_at.astimezone(UTC) + timedelta(seconds=first_s)
    return {
        "firmware": circumstances.firmware_text,
        "board": identity.board,
        "start_utc": start.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        **{f"param.{name}": f"{value:.7g}" for name, value in flown.parameters.items()},
    }
