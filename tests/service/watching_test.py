"""What follows a new log: of a large fleet only the airframe that flew is judged and shown anew."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from tests.service.told_fleet import NOW, fly, told_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.judging import judge
from trimkeep.service.page_links import FOLDER
from trimkeep.service.pages import write_pages
from trimkeep.service.store.connection import Store
from trimkeep.service.watching import Aftermath

LARGE = "[judge]\nwhole_up_to = 1\n"
LATER = NOW + timedelta(hours=1)


def page_texts(fleet: FleetSettings) -> dict[str, str]:
    """Every page by its name."""
    return {path.name: path.read_text(encoding="utf-8") for path in (fleet.output / FOLDER).glob("*.html")}


def changed(before: dict[str, str], after: dict[str, str]) -> set[str]:
    return {name for name, text in after.items() if before.get(name) != text}


@pytest.fixture
def watched(tmp_path: Path) -> tuple[FleetSettings, Store, Aftermath]:
    """Two airframes in a fleet that counts as large, whole and shown as it stands."""
    fleet, store = told_fleet(tmp_path, LARGE)
    fly(fleet, 0, 1.0, airframe="heron-02")
    after = Aftermath(store, fleet)
    after.after_logs(NOW)
    return fleet, store, after


def test_the_first_round_judges_all_and_writes_every_page(
    watched: tuple[FleetSettings, Store, Aftermath],
) -> None:
    names = page_texts(watched[0])
    assert "board.html" in names
    assert sum(name.startswith("airframe-heron-01") for name in names) == 1
    assert sum(name.startswith("airframe-heron-02") for name in names) == 1


def test_a_flight_in_a_large_fleet_writes_its_airframe_and_leaves_the_board_to_the_digest(
    watched: tuple[FleetSettings, Store, Aftermath],
) -> None:
    fleet, store, after = watched
    before = page_texts(fleet)
    report = fly(fleet, 9, 1.0, airframe="heron-02")
    after.after_logs(LATER, report.airframes)
    shown = page_texts(fleet)
    assert {name.rsplit("-", 1)[0] for name in changed(before, shown)} == {"airframe-heron-02"}
    write_pages(store, fleet, judge(store, fleet, LATER), LATER)
    assert changed(shown, page_texts(fleet)) == {"board.html"}


def test_a_small_fleet_has_its_board_at_once(tmp_path: Path) -> None:
    fleet, store = told_fleet(tmp_path)
    after = Aftermath(store, fleet)
    after.after_logs(NOW)
    before = page_texts(fleet)
    report = fly(fleet, 9, 1.0)
    after.after_logs(LATER, report.airframes)
    assert "board.html" in changed(before, page_texts(fleet))
