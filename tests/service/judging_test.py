"""Judging one more flight looks at its airframe only, and says what judging everything says."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from tests.service import synthetic_store
from tests.service.synthetic_store import airframe_name
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Finding
from trimkeep.service import judging
from trimkeep.service.judging import judge, judge_after, judge_new
from trimkeep.service.store.connection import Store, open_store, unit_of_work
from trimkeep.service.store.findings import FindingChanges, load_findings
from trimkeep.service.store.judgings import load_progress
from trimkeep.service.store.outdated import find_outdated, replace_runs

NOW = datetime(2026, 6, 1, tzinfo=UTC)
AIRFRAMES, FLIGHTS = 4, 24
SETTINGS = "[judge]\nwhole_up_to = 10\n"
# Some thirty histories for each airframe say what all hundred and more would, in a third of the time.
FAMILIES = ("altitude_hold", "energy", "linkage", "rate_limits", "tracking", "trim")
add_flight = partial(synthetic_store.add_flight, families=FAMILIES)
fill = partial(synthetic_store.fill, families=FAMILIES)


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet that counts as large, judged as a whole."""
    folder = tmp_path_factory.mktemp("judged") / "fleet"
    for number in range(AIRFRAMES):
        (folder / airframe_name(number)).mkdir(parents=True)
    (folder / "fleet.toml").write_text(SETTINGS)
    fleet = load_fleet(folder, environment={})
    store = open_store(fleet.state)
    fill(store, AIRFRAMES, FLIGHTS)
    assert judge_new(store, fleet, NOW).whole
    return folder


@pytest.fixture
def fleet(judged: Path, tmp_path: Path) -> FleetSettings:
    shutil.copytree(judged, tmp_path / "fleet")
    return load_fleet(tmp_path / "fleet", environment={})


def own(findings: tuple[Finding, ...], airframe: str) -> dict[str, Finding]:
    """Findings of one airframe alone, by id; when they were first said may differ."""
    return {one.id: one for one in findings if one.scope == "airframe" and airframe in one.airframes}


def test_what_another_command_judged_meanwhile_is_looked_at_again(fleet: FleetSettings) -> None:
    """The watcher read the log; a command judged it before the watcher came to that and told nobody."""
    store = Store(fleet.state)
    add_flight(store, 0, FLIGHTS, FLIGHTS)
    judge(store, fleet, NOW)
    seen = judge_new(store, fleet, NOW, fresh=[airframe_name(0)])
    assert not seen.whole and {one.airframe for one in seen.series} == {airframe_name(0)}
    assert judge_new(store, fleet, NOW).series == ()


def test_judging_again_what_is_judged_changes_nothing(fleet: FleetSettings) -> None:
    store = Store(fleet.state)
    before = load_findings(store)
    assert before
    for number in range(AIRFRAMES):
        done = judge_after(store, fleet, [airframe_name(number)], NOW + timedelta(days=1))
        assert not done.whole
        assert done.differences == FindingChanges()
    assert load_findings(store) == before


def test_one_more_flight_says_what_judging_the_whole_fleet_says(fleet: FleetSettings, tmp_path: Path) -> None:
    store, name = Store(fleet.state), airframe_name(1)
    add_flight(store, 1, FLIGHTS, FLIGHTS)
    assert load_progress(store).touched == (name,)
    shutil.copytree(fleet.folder, tmp_path / "twin")
    twin = load_fleet(tmp_path / "twin", environment={})
    part = judge_new(store, fleet, NOW + timedelta(days=1))
    whole = judge(Store(twin.state), twin, NOW + timedelta(days=1))
    assert not part.whole and {one.airframe for one in part.series} == {name}
    assert part.differences.changed and part.model_version == whole.model_version
    mine, theirs = own(load_findings(store), name), own(load_findings(Store(twin.state)), name)
    assert mine.keys() == theirs.keys()
    # What is called is decided over all changes together, and that over the fleet moved a little too.
    assert [replace(mine[k], tier=theirs[k].tier) for k in mine] == list(theirs.values())
    assert load_progress(store).touched == ()


def noted(store: Store) -> list[tuple[str, str, float]]:
    """The evidence that stands, in order."""
    with unit_of_work(store) as connection:
        return connection.execute(
            "SELECT airframe, name, evidence FROM change_evidence ORDER BY ALL"
        ).fetchall()


def test_the_evidence_of_what_is_judged_again_is_replaced(fleet: FleetSettings) -> None:
    store = Store(fleet.state)
    before = noted(store)
    assert len({name for _, name, _ in before}) == len(before)
    owners = {airframe for airframe, _, _ in before}
    assert owners >= {airframe_name(number) for number in range(AIRFRAMES)}
    judge_after(store, fleet, [airframe_name(0)], NOW)
    assert noted(store) == before, "nothing is counted twice when its window goes by another name"
    add_flight(store, 0, FLIGHTS, FLIGHTS)
    judge_new(store, fleet, NOW)
    after = noted(store)
    assert after != before and len({name for _, name, _ in after}) == len(after)
    assert [one for one in after if one[0] != airframe_name(0)] == [
        one for one in before if one[0] != airframe_name(0)
    ]


def test_what_was_measured_anew_has_the_whole_fleet_judged(fleet: FleetSettings) -> None:
    store = Store(fleet.state)
    with unit_of_work(store) as connection:
        connection.execute("UPDATE detector_run SET version = 0 WHERE detector = 'altitude_error'")
    outdated = find_outdated(store, {"altitude_error": 1}, 1)
    assert outdated and load_progress(store).basis is not None
    replace_runs(store, outdated[0], [])
    assert load_progress(store).basis is None
    assert judge_new(store, fleet, NOW).whole


def test_other_airframes_are_left_alone(fleet: FleetSettings) -> None:
    store = Store(fleet.state)
    others = [one for one in load_findings(store) if one.airframes != (airframe_name(2),)]
    add_flight(store, 2, FLIGHTS, FLIGHTS)
    judge_new(store, fleet, NOW)
    assert [one for one in load_findings(store) if one.airframes != (airframe_name(2),)] == others


def test_what_a_crash_kept_from_being_judged_is_found(
    fleet: FleetSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(fleet.state)
    add_flight(store, 0, FLIGHTS, FLIGHTS)
    add_flight(store, 3, FLIGHTS, FLIGHTS)
    with monkeypatch.context() as patch, pytest.raises(ZeroDivisionError):
        patch.setattr(judging, "save_judging", lambda *_: 1 / 0)
        judge_new(store, fleet, NOW)
    assert load_progress(store).touched == (airframe_name(0), airframe_name(3))
    assert judge_new(store, fleet, NOW).differences == FindingChanges(), "the findings were in already"
    assert load_progress(store).touched == ()


def test_a_flight_that_arrives_while_it_is_judged_is_judged_next_time(
    fleet: FleetSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(fleet.state)
    add_flight(store, 0, FLIGHTS, FLIGHTS)
    load_changes = judging.load_changes

    def another(*given: object) -> object:
        add_flight(store, 0, FLIGHTS + 1, FLIGHTS)
        return load_changes(*given)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(judging, "load_changes", another)
        judge_new(store, fleet, NOW)
    assert load_progress(store).touched == (airframe_name(0),)


def test_other_settings_and_growth_have_the_whole_fleet_judged(fleet: FleetSettings) -> None:
    store = Store(fleet.state)
    add_flight(store, 0, FLIGHTS, FLIGHTS)
    (fleet.folder / "fleet.toml").write_text(SETTINGS + "watch_e_value = 30.0\n")
    other = load_fleet(fleet.folder, environment={})
    assert judge_new(store, other, NOW).whole
    add_flight(store, 0, FLIGHTS + 1, FLIGHTS)
    assert not judge_new(store, other, NOW).whole
    fill(store, 2, FLIGHTS, first_airframe=AIRFRAMES)
    assert judge_new(store, other, NOW).whole, "a quarter more flights: the model is fitted anew"


def test_a_small_fleet_is_judged_as_a_whole(fleet: FleetSettings) -> None:
    (fleet.folder / "fleet.toml").write_text("")
    small = load_fleet(fleet.folder, environment={})
    add_flight(Store(fleet.state), 0, FLIGHTS, FLIGHTS)
    assert judge_new(Store(fleet.state), small, NOW).whole
