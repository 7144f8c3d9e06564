"""Settings: each source overrides the one before, and a mistake is one sentence."""

import tomllib
from dataclasses import is_dataclass
from functools import reduce
from pathlib import Path
from typing import Any

import pytest

from trimkeep.config.errors import SettingsError, UsageError
from trimkeep.config.load import load_fleet, setting_names
from trimkeep.config.settings import Settings
from trimkeep.config.toml_text import line_of

ROOT = Path(__file__).resolve().parents[2]


def fleet_with(folder: Path, text: str) -> Path:
    (folder / "fleet.toml").write_text(text, encoding="utf-8")
    return folder


def test_an_empty_folder_has_the_defaults(tmp_path: Path) -> None:
    fleet = load_fleet(tmp_path, environment={})
    assert fleet.name == tmp_path.name
    assert fleet.state == tmp_path / ".trimkeep"
    assert fleet.output == tmp_path / "digests"
    assert set(fleet.origins.values()) == {"default"}


def test_each_source_overrides_the_one_before(tmp_path: Path) -> None:
    fleet_with(tmp_path, 'state = "a"\n[watch]\nstill_s = 9\n')
    fleet = load_fleet(tmp_path, environment={})
    assert (fleet.state.name, fleet.settings.watch.still_s) == ("a", 9.0)
    assert fleet.origins["watch.still_s"] == "fleet.toml line 3"
    fleet = load_fleet(tmp_path, environment={"TRIMKEEP_STATE": "b", "TRIMKEEP_WATCH_STILL_S": "2.5"})
    assert (fleet.state.name, fleet.settings.watch.still_s) == ("b", 2.5)
    fleet = load_fleet(tmp_path, state=tmp_path / "c", environment={"TRIMKEEP_STATE": "b"})
    assert fleet.state == tmp_path / "c"
    assert fleet.origins["state"] == "command line"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[watch]\nstil_s = 3\n", "line 2: there is no setting watch.stil_s. Did you mean watch.still_s."),
        (
            "[digest]\nschedul = []\n",
            "line 2: there is no setting digest.schedul. Did you mean digest.schedule.",
        ),
        ("nmae = 'x'\n", "line 1: there is no setting nmae. Did you mean name."),
        ("[watch]\n\nstill_s = 'soon'\n", "line 3: setting watch.still_s: 'soon' is not a number"),
        ("[watch]\npolling = 1\n", "line 2: setting watch.polling: 1 is not true or false"),
        ("[ingest]\nworkers = -1\n", "line 2: setting ingest.workers: -1 is out of range"),
        ("units = 'furlongs'\n", "line 1: setting units: 'furlongs' is not one of metric, imperial"),
        ("time_zone = 'Lisbon'\n", "line 1: setting time_zone: there is no time zone 'Lisbon'"),
        ("[thresholds]\naltitude_error_rms_m = 'a'\n", "line 1: setting thresholds"),
        ("name = \n", "is not valid TOML"),
    ],
)
def test_a_mistake_is_one_sentence_with_file_and_line(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_fleet(fleet_with(tmp_path, text), environment={})
    message = str(caught.value)
    assert message.startswith(str(tmp_path / "fleet.toml"))
    assert sentence in message
    assert "\n" not in message


def test_a_missing_folder_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not a folder"):
        load_fleet(tmp_path / "nowhere", environment={})


def test_thresholds_are_taken_whole(tmp_path: Path) -> None:
    fleet = load_fleet(fleet_with(tmp_path, "[thresholds]\naltitude_error_rms_m = 0.8\n"), environment={})
    assert fleet.settings.thresholds == {"altitude_error_rms_m": 0.8}


def test_the_shipped_defaults_file_is_complete_and_true() -> None:
    shipped = tomllib.loads((ROOT / "config" / "defaults.toml").read_text(encoding="utf-8"))
    for dotted in setting_names():
        default: Any = reduce(getattr, dotted.split("."), Settings())
        written: Any = reduce(lambda table, key: table[key], dotted.split("."), shipped)
        assert written == (list(default) if isinstance(default, tuple) else default), dotted


def test_every_setting_has_help() -> None:
    for dotted, item in setting_names().items():
        assert item.metadata.get("help", "").endswith("."), f"{dotted} has no sentence of help"
        assert not is_dataclass(item.default)


def test_line_of_finds_keys_in_inline_and_dotted_forms() -> None:
    text = 'a = 1\n[outputs]\n# elevator = 1\nelevator = { channel = 2 }\n["x.y"]\nb = 2\n'
    assert line_of(text, "outputs.elevator") == 4
    assert line_of(text, "outputs.elevator.channel") == 4
    assert line_of(text, "outputs.rudder") is None


def test_every_entry_of_a_list_is_checked(tmp_path: Path) -> None:
    fleet_toml = '[maintenance]\nrequired = ["done_by", "aproved_by"]\n'
    with pytest.raises(SettingsError, match="'aproved_by' is not one of description, done_at"):
        load_fleet(fleet_with(tmp_path, fleet_toml), environment={})


def test_a_table_of_numbers_is_checked_entry_by_entry(tmp_path: Path) -> None:
    text = "[maintenance.interval_hours]\ninspection = 50\n"
    fleet = load_fleet(fleet_with(tmp_path, text), environment={"TRIMKEEP_MAINTENANCE_INTERVAL_HOURS": "9"})
    assert fleet.settings.maintenance.interval_hours == {"inspection": 50.0}
    wrong = "[maintenance.interval_hours]\ninspection = 0\n"
    with pytest.raises(SettingsError, match="is not a table of names and"):
        load_fleet(fleet_with(tmp_path, wrong), environment={})
