"""Tables to recordings: headers, map, metadata, empty cells, and one sentence for everything wrong."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trimkeep.config.airframe import AirframeCard, ColumnMap, Output
from trimkeep.config.channels import CONTROL_MODES
from trimkeep.config.errors import ClockUnusable, LogError, NoChannels, UnreadableLog
from trimkeep.detectors.model import ClockSource, Recording
from trimkeep.service.readers import table
from trimkeep.service.readers.registry import choose, read_log

CARD = AirframeCard(id="a1", outputs={"elevator": (Output(2),)}, modes={4: "cruise"}, has_card=True)


def _read(folder: Path, text: str | bytes, card: AirframeCard = CARD) -> Recording:
    path = folder / "flight.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return table.read(path, card)


def test_channels_metadata_and_empty_cells(tmp_path: Path) -> None:
    r = _read(
        tmp_path,
        "# firmware: 2.1.0\n# board: b-7\n# start_utc: 2026-03-14T10:05:00Z\n# param.GAIN_P: 0.25\n"
        "time_s,pitch_deg,altitude_m\n10.0,1.5,100\n10.5,,101\n11.0,-2,\n",
    )
    assert r.channels["pitch_deg"].time_s.tolist() == [0.0, 1.0]
    assert r.channels["pitch_deg"].value.tolist() == [1.5, -2.0]
    assert r.channels["altitude_m"].time_s.tolist() == [0.0, 0.5]
    assert (r.firmware, r.board, r.duration_s) == ("2.1.0", "b-7", 1.0)
    assert r.start_utc == datetime(2026, 3, 14, 10, 5, tzinfo=UTC)
    assert r.clock is ClockSource.METADATA
    assert [(p.name, p.value) for p in r.parameters] == [("GAIN_P", 0.25)]
    assert (r.reader, r.reader_version, r.notes) == ("table", 1, ())


def test_wall_times_with_and_without_zone(tmp_path: Path) -> None:
    r = _read(
        tmp_path,
        "time_utc,pitch_deg\n2026-03-14T11:05:00+01:00,1\n2026-03-14T11:05:00.250000+01:00,2\n",
    )
    assert r.start_utc == datetime(2026, 3, 14, 10, 5, tzinfo=UTC)
    assert r.channels["pitch_deg"].time_s == pytest.approx([0.0, 0.25])
    r = _read(tmp_path, "time_utc,pitch_deg\n2026-03-14 10:05:00,1\n2026-03-14 10:05:01.5,2\n")
    assert r.start_utc == datetime(2026, 3, 14, 10, 5, tzinfo=UTC)
    assert r.duration_s == pytest.approx(1.5)


def test_a_map_converts_units_scale_and_sign(tmp_path: Path) -> None:
    card = AirframeCard(
        id="a1",
        columns=(
            ColumnMap("time_s", "t", "ms"),
            ColumnMap("pitch_deg", "Theta [rad]", "rad", sign=-1),
            ColumnMap("airspeed_mps", "IAS", "kt"),
            ColumnMap("air_temperature_c", "OAT", "degF"),
            ColumnMap("elevator_cmd", "Elevator %", None, 0.01, -1),
            ColumnMap("heading_deg", "not in this table"),
        ),
    )
    r = _read(
        tmp_path, 't,"Theta [rad]",IAS,OAT,Elevator %,Other\n0,0.5,10,212,50,1\n1500,0,20,32,-100,2\n', card
    )
    assert r.duration_s == pytest.approx(1.5)
    assert r.channels["pitch_deg"].value == pytest.approx([-math.degrees(0.5), 0.0])
    assert r.channels["airspeed_mps"].value == pytest.approx([10 * 1852 / 3600, 20 * 1852 / 3600])
    assert r.channels["air_temperature_c"].value == pytest.approx([100.0, 0.0])
    assert r.channels["elevator_cmd"].value == pytest.approx([-0.5, 1.0])
    assert "heading_deg" not in r.channels
    (note,) = (note for note in r.notes if note.code == "column_unmapped")
    assert note.values["names"] == "Other"


def test_raw_outputs_and_mode_numbers_go_through_the_card(tmp_path: Path) -> None:
    r = _read(
        tmp_path,
        "time_s,output_0_2_us,output_0_9_us,mode_number\n0,1750,1500,4\n1,1250,1500,9\n3,1250,1500,9\n",
    )
    assert r.channels["elevator_cmd"].value == pytest.approx([0.5, -0.5, -0.5])
    assert [CONTROL_MODES[int(code)] for code in r.channels["control_mode"].value] == [
        "cruise",
        "unknown",
        "unknown",
    ]
    notes = {note.code: dict(note.values) for note in r.notes}
    assert notes["outputs_unmapped"] == {"channels": "output_0_9_us"}
    assert notes["mode_unmapped"] == {"mode_number": 9, "seconds": 2.0}


def test_control_modes_as_words(tmp_path: Path) -> None:
    r = _read(tmp_path, "time_s,control_mode\n0,manual\n1,\n2,mission\n")
    assert [CONTROL_MODES[int(code)] for code in r.channels["control_mode"].value] == ["manual", "mission"]
    with pytest.raises(UnreadableLog, match="'hovering', which is no control mode"):
        _read(tmp_path, "time_s,control_mode\n0,manual\n1,hovering\n")


def test_semicolons_decimal_commas_tabs_latin_1_and_a_mark_at_the_start(tmp_path: Path) -> None:
    assert _read(tmp_path, "time_s;pitch_deg\n0,0;1,5\n0,5;2,5\n").channels["pitch_deg"].value.tolist() == [
        1.5,
        2.5,
    ]
    assert _read(tmp_path, "time_s\tpitch_deg\n0\t1.5\n").channels["pitch_deg"].value.tolist() == [1.5]
    latin = "time_s,pitch_deg,Höhe\n0,1.5,3\n".encode("latin-1")
    assert _read(tmp_path, latin).channels["pitch_deg"].value.tolist() == [1.5]
    marked = b"\xef\xbb\xbftime_s,pitch_deg\r\n0,1.5\r\n"
    assert _read(tmp_path, marked).channels["pitch_deg"].value.tolist() == [1.5]


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("time_s,pitch_deg,pitch_deg\n0,1,2\n", UnreadableLog, "two columns are called 'pitch_deg'"),
        ("time_s,pitch_deg\n0,1\n1,steep\n", UnreadableLog, "row 2 of column 'pitch_deg' holds 'steep'"),
        ("time_s,Nick\n0,1\n", NoChannels, "none of its 2 columns is a known channel"),
        ("pitch_deg\n1\n", ClockUnusable, "neither a column time_s nor"),
        ("time_s,pitch_deg\n0,1\n,2\n", ClockUnusable, "row 2 has no time"),
        ("time_s,pitch_deg\n0,1\n5,1\n4,2\n", ClockUnusable, "goes back in row 3"),
        ("time_utc,pitch_deg\nyesterday,1\n", ClockUnusable, "not written like"),
        ("# start_utc: noon\ntime_s,pitch_deg\n0,1\n", ClockUnusable, "'noon', which is no time"),
        ("# param.A: x\ntime_s,pitch_deg\n0,1\n", UnreadableLog, "param.A says 'x'"),
        ("time_s,pitch_deg\n", LogError, "no rows"),
        ("time_s,pitch_deg\n0,1\n1\n2,2\n", UnreadableLog, "line 3 has 1 cells, the header line has 2"),
        ("", UnreadableLog, "no header line"),
    ],
)
def test_one_clear_sentence_for_each_fault(
    tmp_path: Path, text: str, kind: type[LogError], words: str
) -> None:
    with pytest.raises(kind, match=words) as caught:
        _read(tmp_path, text)
    assert str(caught.value).startswith("flight.csv: ")
    assert "\n" not in str(caught.value)


def test_a_unit_that_measures_something_else_is_said(tmp_path: Path) -> None:
    card = AirframeCard(id="a", columns=(ColumnMap("pitch_deg", "p", "ft"),))
    with pytest.raises(UnreadableLog, match="'ft', which is no unit of angle"):
        _read(tmp_path, "time_s,p\n0,1\n", card)


def test_a_cut_off_last_line_is_left_out_and_told(tmp_path: Path) -> None:
    text = "time_s,pitch_deg,altitude_m\n0,1,5\n1,2,5\n2,3"
    r = _read(tmp_path, text)
    assert r.channels["pitch_deg"].value.tolist() == [1.0, 2.0]
    (note,) = r.notes
    assert note.code == "cut_off"
    assert note.values == {"bytes_read": text.rindex("2,3"), "bytes_in_file": len(text)}


@pytest.mark.parametrize("rest", ["3,4", "3,4.2", "3,", "3"])
def test_a_last_line_without_an_end_may_be_cut_inside_a_number(tmp_path: Path, rest: str) -> None:
    r = _read(tmp_path, "time_s,pitch_deg\n0,1\n1,2\n" + rest)
    assert r.channels["pitch_deg"].value.tolist() == [1.0, 2.0]
    assert [note.code for note in r.notes] == (["cut_off"] if rest == "3" else [])


def test_a_last_mode_cut_inside_its_word(tmp_path: Path) -> None:
    r = _read(tmp_path, "time_s,control_mode\n0,manual\n1,altitude_h")
    assert [CONTROL_MODES[int(code)] for code in r.channels["control_mode"].value] == ["manual"]


def test_parquet_with_metadata_and_nulls(tmp_path: Path) -> None:
    path = tmp_path / "flight.parquet"
    content = pa.table({"time_s": [0.0, 0.5], "pitch_deg": [1.0, None], "satellites": [9, 10]})
    pq.write_table(content.replace_schema_metadata({"firmware": "3.0.1", "param.K": "2"}), path)
    r = read_log(path, CARD)
    assert r.reader == "table"
    assert r.channels["pitch_deg"].time_s.tolist() == [0.0]
    assert r.channels["satellites"].value.tolist() == [9.0, 10.0]
    assert r.firmware == "3.0.1"
    assert r.parameters[0].value == 2.0


def test_parquet_wall_times(tmp_path: Path) -> None:
    path = tmp_path / "flight.parquet"
    moments = pa.array([1_773_482_700_000_000, 1_773_482_700_500_000], pa.timestamp("us", "UTC"))
    pq.write_table(pa.table({"time_utc": moments, "pitch_deg": [1.0, 2.0]}), path)
    r = table.read(path, CARD)
    assert r.start_utc == datetime(2026, 3, 14, 10, 5, tzinfo=UTC)
    assert r.duration_s == 0.5


def test_bids(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("Time,Pitch\n0,1\n")
    assert choose(path).name == "table"
    path = tmp_path / "notes.txt"
    path.write_text("time_s,pitch_deg\n0,1\n")
    assert choose(path).name == "table"


_WHOLE = "# firmware: 1\ntime_s,pitch_deg,control_mode\n" + "".join(
    f"{k * 0.1:.1f},{k},manual\n" for k in range(9)
)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_spoilt_tables_raise_nothing_but_log_errors(tmp_path: Path, data: st.DataObject) -> None:
    content = bytearray(_WHOLE.encode())
    for _ in range(data.draw(st.integers(1, 5))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=5))
    try:
        r = _read(tmp_path, bytes(content))
    except LogError:
        return
    assert all(np.all(np.diff(channel.time_s) >= 0.0) for channel in r.channels.values())


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_a_table_cut_at_every_byte(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"flight{suffix}"
    if suffix == ".csv":
        path.write_text(_WHOLE)
    else:
        pq.write_table(pa.table({"time_s": [0.0, 1.0], "pitch_deg": [1.0, 2.0]}), path)
    whole = path.read_bytes()
    for length in range(0, len(whole), 1 if suffix == ".csv" else 7):
        path.write_bytes(whole[:length])
        try:
            read_log(path, CARD)
        except LogError:
            continue


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=300), st.sampled_from(["x.csv", "x.parquet", "x.tlog"]))
def test_arbitrary_bytes_raise_nothing_but_log_errors(tmp_path: Path, content: bytes, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(LogError):
        read_log(path, CARD)
        raise UnreadableLog("it was read", subject=name, next_step="nothing")
