"""A flight as a table, CSV or Parquet: the project's channel names, or another program's own headers.

The names and units are typed here from the fleet folder's contract, not taken from the program that
reads them.
"""

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

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    signal : str
        Key of `Flown.signals`.
    decimals : int
        Digits after the point that are written.
    rate_hz : float or None
        Cells are empty between samples of this rate; None: every row is filled.
    """

    signal: str
    decimals: int = 3
    rate_hz: float | None = None


SATELLITE_HZ, SLOW_HZ = 5.0, 5.0

COLUMNS: Mapping[str, Column] = {
    "bank_deg": Column("bank"),
    "pitch_deg": Column("pitch"),
    "heading_deg": Column("heading"),
    "roll_rate_dps": Column("p"),
    "pitch_rate_dps": Column("q"),
    "yaw_rate_dps": Column("r"),
    "bank_target_deg": Column("bank_want"),
    "pitch_target_deg": Column("pitch_want"),
    "heading_target_deg": Column("heading_want", rate_hz=SLOW_HZ),
    "roll_rate_target_dps": Column("p_want"),
    "pitch_rate_target_dps": Column("q_want"),
    "latitude_deg": Column("lat", 7, SATELLITE_HZ),
    "longitude_deg": Column("lon", 7, SATELLITE_HZ),
    "altitude_m": Column("alt"),
    "height_m": Column("height"),
    "altitude_target_m": Column("alt_want"),
    "velocity_north_mps": Column("vn"),
    "velocity_east_mps": Column("ve"),
    "climb_mps": Column("climb"),
    "airspeed_mps": Column("cas"),
    "airspeed_target_mps": Column("cas_want"),
    "cross_track_m": Column("xtrack", 2, SLOW_HZ),
    "waypoint_distance_m": Column("leg_left", 1, SLOW_HZ),
    "elevator_cmd": Column("elevator", 4),
    "aileron_cmd": Column("aileron", 4),
    "rudder_cmd": Column("rudder", 4),
    "throttle_cmd": Column("throttle", 4),
    "stick_pitch": Column("stick_pitch", 3, SLOW_HZ),
    "stick_roll": Column("stick_roll", 3, SLOW_HZ),
    "stick_throttle": Column("stick_throttle", 3, SLOW_HZ),
    "pitch_integrator": Column("pitch_int", 4, SLOW_HZ),
    "roll_integrator": Column("roll_int", 4, SLOW_HZ),
    "accel_x_mps2": Column("ax"),
    "accel_y_mps2": Column("ay"),
    "accel_z_mps2": Column("az"),
    "vibration_x_mps2": Column("vib_x", 3, SLOW_HZ),
    "vibration_y_mps2": Column("vib_y", 3, SLOW_HZ),
    "vibration_z_mps2": Column("vib_z", 3, SLOW_HZ),
    "satellites": Column("sat_count", 0, SATELLITE_HZ),
    "satellite_fix": Column("sat_fix", 0, SATELLITE_HZ),
    "satellite_hdop": Column("sat_hdop", 2, SATELLITE_HZ),
    "satellite_speed_mps": Column("sat_speed", 2, SATELLITE_HZ),
    "satellite_course_deg": Column("sat_course", 2, SATELLITE_HZ),
    "static_pressure_hpa": Column("pressure", 3, SLOW_HZ),
    "air_temperature_c": Column("temperature", 1, SLOW_HZ),
    "battery_voltage_v": Column("volt", 3, SLOW_HZ),
    "battery_current_a": Column("amp", 3, SLOW_HZ),
    "battery_used_ah": Column("amp_hours", 4, SLOW_HZ),
    "motor_1_rpm": Column("rpm_1", 0, SLOW_HZ),
    "motor_2_rpm": Column("rpm_2", 0, SLOW_HZ),
    "armed": Column("armed", 0),
    "landed_state": Column("landed", 0),
    "mode_number": Column("mode", 0),
}


@dataclass(frozen=True, slots=True)
class ForeignColumn:
    """How another program writes a channel.

    Parameters
    ----------
    header : str
        Its column header.
    unit : str or None
        Unit of the column as `channels.toml` names it; None: the channel's own.
    per_unit : float
        Column value = channel value * `per_unit` * `sign` / `scale`.
    scale : float
        Factor that `channels.toml` must name on top of the unit.
    sign : int
        -1 where the other program counts the other way.
    """

    header: str
    unit: str | None = None
    per_unit: float = 1.0
    scale: float = 1.0
    sign: int = 1


_RADIANS = np.pi / 180.0
_FEET = 1.0 / 0.3048
_KNOTS = 3600.0 / 1852.0

FOREIGN: Mapping[str, ForeignColumn] = {
    "bank_deg": ForeignColumn("Bank angle [rad]", "rad", _RADIANS),
    "pitch_deg": ForeignColumn("Pitch angle [rad]", "rad", _RADIANS),
    "heading_deg": ForeignColumn("Heading"),
    "roll_rate_dps": ForeignColumn("p [rad/s]", "rad/s", _RADIANS),
    "pitch_rate_dps": ForeignColumn("q [rad/s]", "rad/s", _RADIANS),
    "yaw_rate_dps": ForeignColumn("r [rad/s]", "rad/s", _RADIANS),
    "bank_target_deg": ForeignColumn("Bank wanted [rad]", "rad", _RADIANS),
    "pitch_target_deg": ForeignColumn("Pitch wanted [rad]", "rad", _RADIANS),
    "pitch_rate_target_dps": ForeignColumn("q wanted [rad/s]", "rad/s", _RADIANS),
    "latitude_deg": ForeignColumn("Lat"),
    "longitude_deg": ForeignColumn("Lon"),
    "altitude_m": ForeignColumn("Altitude [ft]", "ft", _FEET),
    "altitude_target_m": ForeignColumn("Altitude wanted [ft]", "ft", _FEET),
    "velocity_north_mps": ForeignColumn("V north [kt]", "kt", _KNOTS),
    "velocity_east_mps": ForeignColumn("V east [kt]", "kt", _KNOTS),
    # this program counts a sink rate
    "climb_mps": ForeignColumn("Sink [m/s]", sign=-1),
    "airspeed_mps": ForeignColumn("Airspeed [kt]", "kt", _KNOTS),
    "airspeed_target_mps": ForeignColumn("Airspeed wanted [kt]", "kt", _KNOTS),
    "cross_track_m": ForeignColumn("Off line"),
    # per cent of travel, and nose down positive
    "elevator_cmd": ForeignColumn("Elevator %", scale=0.01, sign=-1),
    "aileron_cmd": ForeignColumn("Aileron %", scale=0.01),
    "rudder_cmd": ForeignColumn("Rudder %", scale=0.01),
    "throttle_cmd": ForeignColumn("Throttle %", scale=0.01),
    "pitch_integrator": ForeignColumn("Pitch sum"),
    "roll_integrator": ForeignColumn("Roll sum"),
    "accel_x_mps2": ForeignColumn("ax"),
    "accel_y_mps2": ForeignColumn("ay"),
    "accel_z_mps2": ForeignColumn("az"),
    "vibration_z_mps2": ForeignColumn("Shake"),
    "satellite_fix": ForeignColumn("Fix"),
    "satellites": ForeignColumn("Sats"),
    "static_pressure_hpa": ForeignColumn("Static [hPa]"),
    "air_temperature_c": ForeignColumn("OAT"),
    "battery_voltage_v": ForeignColumn("Volts"),
    "battery_current_a": ForeignColumn("Amps"),
    "armed": ForeignColumn("Armed"),
    "landed_state": ForeignColumn("Gear state"),
    "mode_number": ForeignColumn("Mode"),
}


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
