"""What physics has against a map, from the log's file to the line that a person pastes."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.detectors.planted import flown_with, recorded
from tests.service.small_logs import age, ingest
from trimkeep.config.airframe import ColumnMap, Output
from trimkeep.config.cards import load_card
from trimkeep.config.load import load_fleet
from trimkeep.detectors.model import Detector, DetectorRun, Flight, Recording
from trimkeep.service.cli.main import run
from trimkeep.service.hints import load_hints
from trimkeep.service.ingest.tools import TOOLS
from trimkeep.service.map_check import LINE_NOTE, column_line, outputs_line, read_checked
from trimkeep.service.store.connection import open_store

MAP = """[channels]
bank_deg = { column = "Roll" }
pitch_deg = { column = "Pitch" }
heading_deg = { column = "Yaw" }
roll_rate_dps = { column = "gx", unit = "rad/s" }
pitch_rate_dps = { column = "gy", unit = "rad/s" }
yaw_rate_dps = { column = "gz", unit = "rad/s" }
"""
RIGHT = 'pitch_rate_dps = { column = "gy", unit = "deg/s" }'
MENDED = MAP.replace('pitch_rate_dps = { column = "gy", unit = "rad/s" }', RIGHT)
COLUMNS = {
    "bank_deg": ("Roll", 1.0),
    "pitch_deg": ("Pitch", 1.0),
    "heading_deg": ("Yaw", 1.0),
    "roll_rate_dps": ("gx", np.pi / 180.0),
    "pitch_rate_dps": ("gy", 1.0),  # the map's author took it for one with the others
    "yaw_rate_dps": ("gz", np.pi / 180.0),
}
OWN = ("altitude_m", "climb_mps", "velocity_north_mps", "velocity_east_mps", "airspeed_mps", "accel_z_mps2")


def no_figures(flight: Flight, detectors: tuple[Detector, ...]) -> tuple[DetectorRun, ...]:
    """The map is checked when a log is read; what is measured in it does not matter here."""
    return ()


QUICK = replace(TOOLS, run=no_figures)


@pytest.fixture(scope="module")
def flight() -> Recording:
    return recorded(flown_with(seed=4), 5.0)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    own = tmp_path / "heron-01"
    own.mkdir()
    (own / "channels.toml").write_text(MAP)
    return own


def table(
    path: Path,
    flight: Recording,
    columns: Mapping[str, tuple[str, float]] | None = None,
    rows: int | None = None,
    **more: object,
) -> Path:
    """A log whose map mistakes the unit of one gyro axis."""
    written: dict[str, object] = {"time_s": flight.channels["bank_deg"].time_s}
    for name, (header, factor) in (COLUMNS if columns is None else columns).items():
        written[header] = flight.channels[name].value * factor
    for name in OWN:
        written[name] = flight.channels[name].value
    pd.DataFrame({**written, **more}).iloc[:rows].to_csv(path, index=False)
    age(path)  # or ingest would wait until it stands still
    return path


def test_the_command_prints_the_line_to_change(
    folder: Path, flight: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    log = table(folder / "a.csv", flight)
    assert run(["channels", str(log)]) == 0
    said = capsys.readouterr().out
    assert f"channels.toml: {RIGHT}" in said
    assert "# does not fit now: attitude's change against pitch_rate_dps" in said
    assert said.count("channels.toml: ") == 1


def test_the_line_once_pasted_ends_the_matter(
    folder: Path, flight: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    log = table(folder / "a.csv", flight)
    (folder / "channels.toml").write_text(MENDED)
    assert run(["channels", str(log)]) == 0
    assert "contradict" not in capsys.readouterr().out


def test_a_table_by_the_projects_own_names_gets_a_line_for_the_wrong_one(
    folder: Path, flight: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "channels.toml").unlink()
    columns = {name: (name, -1.0 if name == "pitch_deg" else 1.0) for name in COLUMNS}
    log = table(folder / "a.csv", flight, columns)
    assert run(["channels", str(log)]) == 0
    assert 'channels.toml: pitch_deg = { column = "pitch_deg", sign = -1 }' in capsys.readouterr().out


def test_a_proposed_line_is_put_right_before_it_is_printed(
    folder: Path, flight: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    """The headers say radians, the numbers say degrees; and of two columns each has the other's header."""
    (folder / "channels.toml").unlink()
    columns = {**{name: (name, 1.0) for name in COLUMNS}, "pitch_rate_dps": ("Pitch rate [rad/s]", 1.0)}
    columns["bank_deg"], columns["pitch_deg"] = ("Pitch angle", 1.0), ("Roll angle", 1.0)
    log = table(folder / "a.csv", flight, columns)
    assert run(["channels", str(log)]) == 0
    said = capsys.readouterr().out
    proposed = tomllib.loads(said[said.index("[channels]") :].split("\n\n")[0])["channels"]
    assert proposed["pitch_rate_dps"]["column"] == "Pitch rate [rad/s]"
    assert proposed["pitch_rate_dps"]["unit"] == "deg/s"
    assert (proposed["bank_deg"]["column"], proposed["pitch_deg"]["column"]) == ("Pitch angle", "Roll angle")


def test_inspect_says_it(
    folder: Path, flight: Recording, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder.parent)
    assert run(["inspect", str(table(folder / "a.csv", flight, rows=750))]) == 0
    said = capsys.readouterr().out
    assert "Note: The numbers contradict each other as a line of the map reads them; it should be" in said
    assert RIGHT in said


def test_the_digest_has_the_line_until_it_is_mended(folder: Path, flight: Recording) -> None:
    table(folder / "a.csv", flight)
    table(folder / "b.csv", flight, more=1.0)
    fleet = load_fleet(folder.parent)
    ingest(fleet, tools=QUICK)
    hints = [one for one in load_hints(open_store(fleet.state), fleet) if "channels" in one.file]
    [hint] = hints
    assert (hint.airframe, hint.file) == ("heron-01", "heron-01/channels.toml")
    [line] = hint.lines
    assert line.startswith(RIGHT)
    assert tomllib.loads(line)["pitch_rate_dps"] == {"column": "gy", "unit": "deg/s"}
    (folder / "channels.toml").write_text(MENDED)
    ingest(fleet, tools=QUICK)
    assert not [one for one in load_hints(open_store(fleet.state), fleet) if "channels" in one.file]


def test_outputs_have_their_line_in_the_card(folder: Path, flight: Recording) -> None:
    (folder / "channels.toml").write_text(MENDED)
    (folder / "airframe.toml").write_text(
        "[outputs]\nelevator = { channel = 2, throw_deg = 20.0 }\n"
        "aileron = [ { channel = 1 }, { channel = 3 } ]\n"
    )
    roll = flight.channels["aileron_cmd"].value
    pulses = {
        "output_0_1_us": 1500.0 + 400.0 * roll,
        "output_0_3_us": 1500.0 - 400.0 * roll,
        "output_0_2_us": 1500.0 - 400.0 * flight.channels["elevator_cmd"].value,
    }
    log = table(folder / "a.csv", flight, **pulses)
    card = load_card(load_fleet(folder.parent), folder)
    notes = [note.values for note in read_checked(log, card).notes if note.code == LINE_NOTE]
    assert {(values["file"], values["line"]) for values in notes} == {
        ("airframe.toml", "elevator = { channel = 2, throw_deg = 20.0, reversed = true }"),
        ("airframe.toml", "aileron = [ { channel = 1 }, { channel = 3, reversed = true } ]"),
    }
    # The card with those lines is the card of the aeroplane.
    lines = "\n".join(str(values["line"]) for values in notes)
    (folder / "airframe.toml").write_text(f"[outputs]\n{lines}\n")
    mended = load_card(load_fleet(folder.parent), folder)
    assert [one.reversed for one in mended.outputs["elevator"]] == [True]
    assert mended.outputs["elevator"][0].throw_deg == 20.0
    assert not [note for note in read_checked(log, mended).notes if note.code == LINE_NOTE]


@pytest.mark.parametrize(
    "entry",
    [
        ColumnMap("bank_deg", 'Roll "a" \\ b\x7f', unit="rad", scale=0.5, sign=-1),
        ColumnMap("bank_deg", "Querneigung °\t[rad]"),
    ],
)
def test_a_line_loads_as_what_it_says(entry: ColumnMap) -> None:
    loaded = tomllib.loads(column_line(entry))[entry.channel]
    assert ColumnMap(entry.channel, **loaded) == entry


def test_an_outputs_line_keeps_what_the_card_said() -> None:
    outputs = (Output(3, 1, 1100.0, 1510.0, 1900.0, 25.0, True, 0.5, -1.0), Output(4))
    assert [Output(**one) for one in tomllib.loads(outputs_line("elevon", outputs))["elevon"]] == list(
        outputs
    )
