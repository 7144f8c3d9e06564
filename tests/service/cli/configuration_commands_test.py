"""`trimkeep airframe` and `trimkeep compare`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.main import run
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import load_flights

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> FleetSettings:
    made = fleet_in(tmp_path_factory.mktemp("commands"))
    for name, day, gain in (("heron-01", 1, 0.1), ("heron-01", 5, 0.2), ("heron-02", 5, 0.2)):
        text = log_text(
            [(0, 60 if name == "heron-01" else 80, 1.0)],
            start=f"2026-03-{day:02d}T10:00:00+00:00",
            firmware="4.1",
            parameters={"PITCH_GAIN": gain, "BANK_MAX": 35.0},
        )
        put(made, f"{name}/{day}.csv", text)
    ingest(made)
    return made


def test_an_airframe_is_shown_with_what_ever_changed(fleet: FleetSettings, capsys: Capture) -> None:
    assert run(["airframe", str(fleet.folder), "heron-01"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("heron-01: 2 flights")
    assert "nobody wrote it down" in shown
    assert "BANK_MAX" not in shown
    assert "1 parameters never changed by hand" in shown
    assert run(["airframe", str(fleet.folder), "heron-01", "--parameters", "--at", "2026-03-02"]) == 0
    assert "0.1 " in capsys.readouterr().out
    assert run(["airframe", str(fleet.folder), "heron-01", "--format", "json", "--at", "2026-03-02"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["flights"], {item["part"]: item["is"] for item in found["items"]}["PITCH_GAIN"]) == (
        1,
        "0.1",
    )


def test_an_airframe_as_it_was_in_one_of_its_flights(fleet: FleetSettings, capsys: Capture) -> None:
    asked = ["airframe", str(fleet.folder), "heron-01", "--format", "json", "--at"]
    first, second, other = [flight.id for flight in load_flights(Store(fleet.state))]
    for flight, flights, gain in ((first, 1, "0.1"), (second, 2, "0.2")):
        assert run([*asked, flight]) == 0
        found = json.loads(capsys.readouterr().out)
        assert (found["flight"], found["flights"]) == (flight, flights)
        assert {item["part"]: item["is"] for item in found["items"]}["PITCH_GAIN"] == gain
    # A flight of another airframe is no date of this one.
    assert run([*asked, other]) == 5


def test_two_dates_two_flights_and_two_airframes(fleet: FleetSettings, capsys: Capture) -> None:
    asked = ["compare", str(fleet.folder), "--format", "json"]
    assert run([*asked, "2026-03-02", "2026-03-06", "--airframe", "heron-01"]) == 0
    by_date = json.loads(capsys.readouterr().out)
    first, second, _ = [flight.id for flight in load_flights(Store(fleet.state))]
    assert run([*asked, first, second]) == 0
    assert json.loads(capsys.readouterr().out) == by_date
    assert [(one["part"], one["ratio"]) for one in by_date] == [("PITCH_GAIN", 2.0)]
    assert run(["compare", str(fleet.folder), "heron-01", "heron-02"]) == 0
    assert "No difference" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["compare", "heron-01", "heron-2"], 2, "heron-2: is neither a flight nor an airframe"),
        (["compare", "soon", "2026-03-06", "--airframe", "heron-01"], 5, "is no date"),
        (["airframe", "heron-2"], 2, "Did you mean heron-02"),
        (["airframe", "heron-01", "--at", "3/4/2026"], 5, "can be read in two ways"),
    ],
)
def test_mistakes_are_sentences(
    fleet: FleetSettings, capsys: Capture, arguments: list[str], code: int, sentence: str
) -> None:
    name, *rest = arguments
    assert run([name, str(fleet.folder), *rest]) == code
    assert sentence in capsys.readouterr().err


def test_a_fleet_without_flights(tmp_path: Path, capsys: Capture) -> None:
    made = fleet_in(tmp_path)
    (made.folder / "heron-01").mkdir()
    assert run(["airframe", str(made.folder), "heron-01"]) == 0
    assert "not flown yet" in capsys.readouterr().out
