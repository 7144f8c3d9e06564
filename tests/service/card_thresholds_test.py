"""Material changes of each airframe follow its card, and a card that did not change is not read again."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service import card_thresholds as module
from trimkeep.service.card_thresholds import card_thresholds

OWN = "[thresholds]\naltitude_error_rms_m = {}\n"


def fleet_of(folder: Path, text: str = "") -> FleetSettings:
    (folder / "fleet.toml").write_text(text)
    return load_fleet(folder, environment={})


def write(path: Path, text: str, age_s: float) -> None:
    path.write_text(text)
    os.utime(path, (1.7e9 - age_s, 1.7e9 - age_s))


def test_follows_the_card_and_the_settings(tmp_path: Path) -> None:
    for name in ("heron-01", "heron-02"):
        (tmp_path / name).mkdir()
    card = tmp_path / "heron-01" / "airframe.toml"
    write(card, OWN.format(0.8), age_s=60.0)
    fleet = fleet_of(tmp_path)
    assert card_thresholds(fleet) == {"heron-01": {"altitude_error_rms_m": 0.8}, "heron-02": {}}
    write(card, 'id = "plane"\n' + OWN.format(0.9), age_s=30.0)
    assert card_thresholds(fleet) == {"plane": {"altitude_error_rms_m": 0.9}, "heron-02": {}}
    write(card, "this is no table", age_s=20.0)
    everywhere = fleet_of(tmp_path, OWN.format(0.5))
    common = {"altitude_error_rms_m": 0.5}
    assert card_thresholds(everywhere) == {"heron-01": common, "heron-02": common}
    card.unlink()
    assert card_thresholds(fleet_of(tmp_path)) == {"heron-01": {}, "heron-02": {}}


def test_reads_only_what_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(5):
        (tmp_path / f"heron-{number}").mkdir()
        write(tmp_path / f"heron-{number}" / "airframe.toml", OWN.format(0.8), age_s=60.0)
    fleet, read = fleet_of(tmp_path), []
    load_card = module.load_card
    monkeypatch.setattr(
        module, "load_card", lambda fleet, folder: read.append(folder.name) or load_card(fleet, folder)
    )
    before = card_thresholds(fleet)
    assert len(read) == 5
    write(tmp_path / "heron-3" / "airframe.toml", OWN.format(0.9), age_s=30.0)
    assert card_thresholds(fleet)["heron-3"] != before["heron-3"]
    assert read[5:] == ["heron-3"]
    (tmp_path / "channels.toml").write_text('[columns.pitch_deg]\ncolumn = "Pitch"\nunit = "deg"\n')
    card_thresholds(fleet)
    assert len(read) == 11, "a map for the whole fleet is part of every card"
