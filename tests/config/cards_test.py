"""The identity card: the example of the input contract, and every mistake in one sentence."""

from pathlib import Path

import pytest

from trimkeep.config.cards import airframe_folders, load_card
from trimkeep.config.errors import SettingsError
from trimkeep.config.load import load_fleet

CARD = """\
description = "2.2 m twin survey plane"
span_m = 2.2
motors = 2

[limits]
pitch_rate_max_dps = 120.0

[outputs]
aileron = [ { channel = 5, throw_deg = 20.0 }, { channel = 6, reversed = true } ]
elevator = { channel = 2, low_us = 1000, neutral_us = 1500, high_us = 2000, throw_deg = 20.0 }
elevon_left = { channel = 1, pitch = 1.0, roll = 1.0 }

[modes]
3 = "altitude_hold"

[parameters]
pitch_rate_max_dps = "PITCH_RATE_MAX"

[thresholds]
altitude_error_rms_m = 0.8
"""


def card_of(folder: Path, text: str):  # type: ignore[no-untyped-def]
    plane = folder / "heron-01"
    plane.mkdir()
    (plane / "airframe.toml").write_text(text, encoding="utf-8")
    return load_card(load_fleet(folder, environment={}), plane)


def test_the_contracts_example_is_read(tmp_path: Path) -> None:
    card = card_of(tmp_path, CARD)
    assert (card.id, card.motors, card.span_m, card.has_card) == ("heron-01", 2, 2.2, True)
    assert [output.channel for output in card.outputs["aileron"]] == [5, 6]
    assert [output.reversed for output in card.outputs["aileron"]] == [False, True]
    assert (card.outputs["elevator"][0].pitch, card.outputs["elevator"][0].roll) == (1.0, 0.0)
    assert (card.outputs["elevon_left"][0].pitch, card.outputs["elevon_left"][0].roll) == (1.0, 1.0)
    assert card.modes == {3: "altitude_hold"}
    assert card.parameter_names == {"pitch_rate_max_dps": "PITCH_RATE_MAX"}
    assert card.thresholds == {"altitude_error_rms_m": 0.8}


def test_no_card_has_the_folders_name_and_the_fleets_thresholds(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text("[thresholds]\naltitude_error_rms_m = 1.5\n")
    (tmp_path / "heron-02").mkdir()
    card = load_card(load_fleet(tmp_path, environment={}), tmp_path / "heron-02")
    assert (card.id, card.has_card, card.thresholds) == ("heron-02", False, {"altitude_error_rms_m": 1.5})


def test_an_id_in_the_card_wins_over_the_folders_name(tmp_path: Path) -> None:
    assert card_of(tmp_path, 'id = "heron-07"\n').id == "heron-07"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("spam_m = 2\n", "line 1: there is no key spam_m. Did you mean span_m."),
        ("span_m = -2\n", "line 1: span_m is -2. It must be above zero."),
        (
            "[outputs]\nelevtor = { channel = 2 }\n",
            "line 2: there is no surface elevtor. Did you mean elevator.",
        ),
        (
            "[outputs]\nelevator = { chanel = 2 }\n",
            "line 2: outputs.elevator has no key chanel. Did you mean channel.",
        ),
        ("[outputs]\nelevator = { channel = 0 }\n", "line 2: outputs.elevator has channel 0"),
        ("[outputs]\nelevon_left = { channel = 1 }\n", "line 2: outputs.elevon_left has no share"),
        (
            "[outputs]\nelevator = { channel = 2, low_us = 2000, high_us = 1000 }\n",
            "low_us not below high_us",
        ),
        ('[modes]\n3 = "altitude"\n', "line 2: 'altitude' is no control mode. Did you mean altitude_hold."),
        ('[modes]\nthree = "rate"\n', "line 2: mode number 'three' is not a whole number"),
        ("[limits]\npitch_rate_max = 3\n", "Did you mean pitch_rate_max_dps."),
    ],
)
def test_a_mistake_names_file_line_and_the_nearest_key(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(SettingsError) as caught:
        card_of(tmp_path, text)
    assert sentence in str(caught.value)
    assert "airframe.toml" in str(caught.value)


def test_a_channel_map_is_read_from_the_airframe_else_from_the_fleet(tmp_path: Path) -> None:
    (tmp_path / "channels.toml").write_text(
        '[channels]\npitch_deg = { column = "Theta", unit = "rad", sign = -1 }\naltitude_m = "Alt"\n'
    )
    card = card_of(tmp_path, "")
    assert [(c.channel, c.column, c.unit, c.sign) for c in card.columns] == [
        ("pitch_deg", "Theta", "rad", -1),
        ("altitude_m", "Alt", None, 1),
    ]
    (tmp_path / "channels.toml").write_text('[channels]\npich_deg = "x"\n')
    with pytest.raises(SettingsError, match=r"there is no channel pich_deg\. Did you mean pitch_deg"):
        load_card(load_fleet(tmp_path, environment={}), tmp_path / "heron-01")


def test_state_output_and_hidden_folders_are_no_airframes(tmp_path: Path) -> None:
    for name in ("b", "a", ".trimkeep", "digests", "~old"):
        (tmp_path / name).mkdir()
    (tmp_path / "fleet.toml").write_text("")
    assert [folder.name for folder in airframe_folders(load_fleet(tmp_path, environment={}))] == ["a", "b"]
