"""Foreign headers: what they mean, what the numbers say, and a map that loads and reads."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from tests.service.readers.packets import START_US, Talker
from trimkeep.config.airframe import AirframeCard, ColumnMap
from trimkeep.config.errors import LogError
from trimkeep.service.channel_map import Proposal, describe, propose
from trimkeep.service.channel_names import known_unit, read_header
from trimkeep.service.channel_text import channels_text, channels_toml
from trimkeep.service.readers import table

CARD = AirframeCard(id="a1")
FEET = 1.0 / 0.3048


@pytest.mark.parametrize(
    ("header", "channel", "unit"),
    [
        ("Pitch angle [rad]", "pitch_deg", "rad"),
        ("Bank wanted [rad]", "bank_target_deg", "rad"),
        ("rollRate (deg/s)", "roll_rate_dps", "deg/s"),
        ("Yaw Rate", "yaw_rate_dps", None),
        ("q [rad/s]", "pitch_rate_dps", "rad/s"),
        ("Roll [rad/s]", "roll_rate_dps", "rad/s"),
        ("altitude_ft", "altitude_m", "ft"),
        ("Altitude demanded", "altitude_target_m", None),
        ("alt error", "altitude_error_m", None),
        ("IAS (kts)", "airspeed_mps", "kt"),
        ("Elevator %", "elevator_cmd", "%"),
        ("AccX", "accel_x_mps2", None),
        ("Static [hPa]", "static_pressure_hpa", "hPa"),
        ("RPM2", "motor_2_rpm", None),
        ("relative alt", "height_m", None),
        ("Lat", "latitude_deg", None),
    ],
)
def test_headers(header: str, channel: str, unit: str | None) -> None:
    reading = read_header(header)
    assert reading is not None
    assert (reading.channel, reading.unit) == (channel, unit)


@pytest.mark.parametrize("header", ["Operator", "", "[rad]", "Payload kg", "%"])
def test_headers_that_mean_nothing_here(header: str) -> None:
    assert read_header(header) is None


def test_a_sink_rate_counts_downwards() -> None:
    reading = read_header("Sink rate [m/s]")
    assert reading is not None
    assert (reading.channel, reading.sign) == ("climb_mps", -1)


@pytest.mark.parametrize(
    ("text", "unit"), [("°", "deg"), ("kts", "kt"), ("RAD", "rad"), ("parsec", None), ("", None)]
)
def test_units_as_written(text: str, unit: str | None) -> None:
    assert known_unit(text) == unit


def _write(folder: Path, columns: dict[str, np.ndarray]) -> Path:
    path = folder / "flight.csv"
    rows = [",".join(columns)]
    rows += [",".join(f"{value:.9g}" for value in row) for row in zip(*columns.values(), strict=True)]
    path.write_text("\n".join(rows) + "\n")
    return path


def _flown(n: int = 4000) -> dict[str, np.ndarray]:
    t = np.arange(n) * 0.05
    rng = np.random.default_rng(4)
    pitch_rate = 8.0 * np.sin(t) + rng.normal(0, 0.5, n)
    roll_rate = 25.0 * np.cos(0.7 * t) + rng.normal(0, 1.0, n)
    climb = 2.0 * np.sin(t / 6.0)
    return {
        "t": t,
        "pitch": 3.0 + np.cumsum(pitch_rate) * 0.05,
        "pitch_rate": pitch_rate,
        "bank": np.cumsum(roll_rate) * 0.05,
        "roll_rate": roll_rate,
        "climb": climb,
        "altitude": 400.0 + np.cumsum(climb) * 0.05,
    }


def _by_channel(proposals: tuple[Proposal, ...]) -> dict[str, tuple[str, str | None, int]]:
    return {p.channel: (p.column, p.unit, p.sign) for p in proposals}


def test_units_and_signs_come_from_what_belongs_together(tmp_path: Path) -> None:
    """No header here names a unit: ranges and rates of change must."""
    f = _flown()
    path = _write(
        tmp_path,
        {
            "Timestamp": f["t"] * 1e6,
            "Pitch": np.radians(f["pitch"]),
            "PitchRate": -np.radians(f["pitch_rate"]),
            "Bank": f["bank"],
            "RollRate": f["roll_rate"],
            "Altitude": f["altitude"],
            "Vertical speed": -f["climb"] * FEET * 60.0,
            "Throttle": np.full(f["t"].size, 62.0),
            "Operator": np.full(f["t"].size, 7.0),
        },
    )
    found = _by_channel(propose(path, CARD))
    assert found["time_s"] == ("Timestamp", "us", 1)
    assert found["pitch_deg"] == ("Pitch", "rad", 1)
    assert found["pitch_rate_dps"] == ("PitchRate", "rad/s", -1)
    assert found["bank_deg"] == ("Bank", None, 1)
    assert found["roll_rate_dps"] == ("RollRate", None, 1)
    assert found["climb_mps"] == ("Vertical speed", "ft/min", -1)
    assert found["throttle_cmd"] == ("Throttle", "%", 1)
    assert "Operator" not in [column for column, _, _ in found.values()]


def test_the_proposed_map_loads_and_reads_back_what_was_flown(tmp_path: Path) -> None:
    f = _flown()
    path = _write(
        tmp_path,
        {
            'Time "box" [s]': f["t"],
            "Pitch angle [rad]": np.radians(f["pitch"]),
            "q [rad/s]": np.radians(f["pitch_rate"]),
            "Altitude [ft]": f["altitude"] * FEET,
            "Sink [m/s]": -f["climb"],
        },
    )
    text = channels_toml(propose(path, CARD))
    entries = tomllib.loads(text)["channels"]
    columns = tuple(
        ColumnMap(name, e["column"], e.get("unit"), e["scale"], e["sign"]) for name, e in entries.items()
    )
    recording = table.read(path, AirframeCard(id="a1", columns=columns))
    for channel, flown in (
        ("pitch_deg", "pitch"),
        ("pitch_rate_dps", "pitch_rate"),
        ("altitude_m", "altitude"),
        ("climb_mps", "climb"),
    ):
        # Nine digits are written.
        assert recording.channels[channel].value == pytest.approx(f[flown], rel=1e-7, abs=1e-7)


def test_what_is_known_already_is_left_alone(tmp_path: Path) -> None:
    f = _flown(200)
    path = _write(tmp_path, {"time_s": f["t"], "pitch_deg": f["pitch"], "Roll": f["bank"], "Note no": f["t"]})
    card = AirframeCard(id="a1", columns=(ColumnMap("bank_deg", "Roll"),))
    assert propose(path, card) == ()
    report = describe(path, card)
    assert {found.name: found.channel for found in report.found} == {
        "time_s": "time_s",
        "pitch_deg": "pitch_deg",
        "Roll": "bank_deg",
        "Note no": None,
    }
    assert "Not understood: Note no" in channels_text(path, card)
    assert "no channels.toml is needed" not in channels_text(path, card)


def test_a_telemetry_log_lists_its_channels(tmp_path: Path) -> None:
    path, talker = tmp_path / "x.tlog", Talker()
    path.write_bytes(
        b"".join(
            talker.say(START_US + k * 20_000, "ATTITUDE", time_boot_ms=k * 20, roll=0.1) for k in range(50)
        )
    )
    report = describe(path, CARD)
    assert report.reader == "tlog"
    bank = next(found for found in report.found if found.name == "bank_deg")
    assert (bank.samples, round(bank.rate_hz)) == (50, 50)
    assert propose(path, CARD) == ()
    assert "bank_deg" in channels_text(path, CARD)


@pytest.mark.parametrize(
    "text", ["a,b\nx,y\n", "Pitch\n\n1\n", "Time,Pitch\n0,\n,\n", "time_utc,Pitch\nnever,1\n"]
)
def test_odd_tables_get_an_answer(tmp_path: Path, text: str) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(text)
    try:
        assert channels_text(path, CARD).startswith("odd.csv")
    except LogError as error:
        assert "odd.csv" in str(error)
