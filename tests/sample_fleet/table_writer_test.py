"""Tables of the sample fleet: headers, empty cells, another program's units and signs."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from tests.sample_fleet.hand_made import (
    SWITCHED_ON,
    hand_made_circumstances,
    hand_made_flight,
    hand_made_identity,
)
from trimkeep.config.channels import CHANNELS
from trimkeep.sample_fleet.cards import channels_toml
from trimkeep.sample_fleet.table_columns import COLUMNS
from trimkeep.sample_fleet.table_writer import TABLES, write_table

FLIGHT = hand_made_flight()
METRES_PER_FOOT = 0.3048  # international foot, by definition
METRES_PER_S_PER_KNOT = 1852.0 / 3600.0  # international nautical mile, by definition


def rows_of(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    lines = path.read_text().splitlines()
    metadata = [line for line in lines if line.startswith("# ")]
    return metadata, list(csv.DictReader(lines[len(metadata) :]))


def write(folder: Path, style: str, **circumstances: object) -> Path:
    path = folder / ("log" + TABLES[style].suffix)
    write_table(path, FLIGHT, hand_made_identity(), hand_made_circumstances(**circumstances), TABLES[style])
    return path


def test_headers_are_the_projects_channels() -> None:
    assert set(COLUMNS) <= set(CHANNELS)


def test_csv_has_metadata_wall_time_and_empty_cells(tmp_path: Path) -> None:
    metadata, rows = rows_of(write(tmp_path, "table_csv"))
    assert "# firmware: 3.1.4" in metadata
    assert "# param.ALT_GAIN: 0.625" in metadata
    assert f"# start_utc: {SWITCHED_ON:%Y-%m-%dT%H:%M:%S}.000Z" in metadata
    assert rows[1]["time_utc"].startswith(f"{SWITCHED_ON:%Y-%m-%dT%H:%M:%S}.04")
    assert len(rows) == 60 * 25
    assert float(rows[10]["bank_deg"]) == pytest.approx(FLIGHT.signals["bank"][20], abs=5e-4)
    filled = [i for i, row in enumerate(rows) if row["satellites"]]
    assert filled[:3] == [0, 5, 10]
    assert rows[0]["altitude_target_m"] == ""
    assert "motor_2_rpm" not in rows[0]
    assert {row["mode_number"] for row in rows} == {"20", "30"}


def test_parquet_carries_the_same_metadata(tmp_path: Path) -> None:
    table = pq.read_table(write(tmp_path, "table_parquet"))
    assert table.column_names[0] == "time_s"
    assert table.schema.metadata[b"firmware"] == b"3.1.4"
    assert np.allclose(table["climb_mps"], FLIGHT.signals["climb"], atol=5e-4)
    assert table["satellite_hdop"].null_count == table.num_rows * 9 // 10


def test_channel_map_turns_foreign_columns_back(tmp_path: Path) -> None:
    _, rows = rows_of(write(tmp_path, "table_foreign"))
    channels = tomllib.loads(channels_toml())["channels"]
    per_unit = {
        "rad": 180.0 / np.pi,
        "rad/s": 180.0 / np.pi,
        "ft": METRES_PER_FOOT,
        "kt": METRES_PER_S_PER_KNOT,
    }
    assert {entry["column"] for entry in channels.values()} <= set(rows[0])
    for channel, signal, tolerance in (
        ("bank_deg", "bank", 1e-3),
        ("altitude_m", "alt", 1e-3),
        ("airspeed_mps", "cas", 1e-3),
        ("climb_mps", "climb", 1e-3),
        ("elevator_cmd", "elevator", 1e-5),
    ):
        entry = channels[channel]
        factor = entry.get("scale", 1.0) * entry.get("sign", 1) * per_unit.get(entry.get("unit"), 1.0)
        read = [float(row[entry["column"]]) * factor for row in rows]
        # the file's rounding
        assert read == pytest.approx(FLIGHT.signals[signal][::2], abs=tolerance), channel


def test_a_cut_table_counts_from_its_first_row(tmp_path: Path) -> None:
    metadata, rows = rows_of(write(tmp_path, "table_csv_slow", keep=(20.0, 40.0)))
    assert rows[0]["time_s"] == "0"
    assert float(rows[-1]["time_s"]) == pytest.approx(20.0, abs=0.3)
    assert f"# start_utc: {SWITCHED_ON:%Y-%m-%dT%H:%M}:20" in "\n".join(metadata)
