"""Served pages follow the store, judge nothing, and agree with those that the digest writes."""

from __future__ import annotations

import threading
import time
from datetime import timedelta
from pathlib import Path

import pytest

from tests.service.told_fleet import NOW, fly, judged, told_fleet
from tests.service.web.served import Clock
from trimkeep.config.errors import StoreBusy
from trimkeep.config.settings import FleetSettings
from trimkeep.service.answers import Answer, give_answer
from trimkeep.service.judging import judge
from trimkeep.service.pages import write_pages
from trimkeep.service.standing import standing_judgement
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.findings import load_finding_events
from trimkeep.service.store.pulse import Pulse, store_pulse, touched_since
from trimkeep.service.web import refresh
from trimkeep.service.web.refresh import Refresher

Told = tuple[FleetSettings, Store]
LONGEST_WAIT_S = 30.0


@pytest.fixture
def told(tmp_path: Path) -> Told:
    return told_fleet(tmp_path)


def times(fleet: FleetSettings) -> dict[str, int]:
    return {path.name: path.stat().st_mtime_ns for path in (fleet.output / "pages").iterdir()}


def test_pages_are_those_that_the_judging_wrote(told: Told) -> None:
    fleet, store = told
    write_pages(store, fleet, judge(store, fleet, NOW), NOW)
    before, events = times(fleet), len(load_finding_events(store))
    assert Refresher(store, fleet, Clock(), 1.0).now()
    assert times(fleet) == before
    assert len(load_finding_events(store)) == events


def test_pages_are_there_before_anything_was_judged(told: Told) -> None:
    fleet, store = told
    assert Refresher(store, fleet, Clock(), 1.0).now()
    assert {name.split("-")[0] for name in times(fleet)} == {"board.html", "airframe"}


def test_an_answer_is_shown_and_looked_after_once_more(told: Told) -> None:
    fleet, store = told
    judged(store)
    refresher = Refresher(store, fleet, Clock(), 1.0)
    assert [refresher.now() for _ in range(3)] == [True, False, False]
    give_answer(store, fleet, "f1", Answer("acknowledged", "Ann", "seen"), NOW)
    [finding] = [name for name in times(fleet) if name.startswith("finding")]
    page = fleet.output / "pages" / finding
    old = page.read_bytes()
    assert refresher.now()
    new = page.read_bytes()
    assert new != old
    # The watcher wrote what stood a moment before over it.
    page.write_bytes(old)
    assert not refresher.now()
    assert page.read_bytes() == new


def test_a_new_day_is_a_change(told: Told) -> None:
    fleet, store = told
    clock = Clock()
    refresher = Refresher(store, fleet, clock, 1.0)
    refresher.now()
    pulse = store_pulse(store)
    clock.moment += timedelta(days=1)
    assert refresher.now() and store_pulse(store) == pulse


def test_it_goes_on_after_a_fault_and_stops_when_told(told: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet, store = told
    calls: list[float] = []
    done = threading.Event()

    def pulse(_: Store) -> Pulse:
        calls.append(time.monotonic())
        if len(calls) == 1:
            raise StoreBusy("is in use", subject="store", next_step="Wait")
        if len(calls) == 2:
            raise ZeroDivisionError
        done.set()
        return Pulse(1, 1, 1, 1)

    monkeypatch.setattr(refresh, "store_pulse", pulse)
    refresher = Refresher(store, fleet, Clock(), 0.01)
    refresher.start()
    assert done.wait(LONGEST_WAIT_S)
    refresher.stop()
    count = len(calls)
    time.sleep(0.05)
    assert len(calls) == count


def test_it_looks_at_once_when_asked(told: Told) -> None:
    fleet, store = told
    refresher = Refresher(store, fleet, Clock(), 3600.0)
    refresher.start()
    board = fleet.output / "pages" / "board.html"
    deadline = time.monotonic() + LONGEST_WAIT_S
    while not board.is_file() and time.monotonic() < deadline:
        time.sleep(0.02)
    judged(store)
    refresher.soon()
    while not any(board.parent.glob("finding-*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    refresher.stop()
    assert any(board.parent.glob("finding-*"))


def test_other_writers_are_let_in_between(told: Told) -> None:
    fleet, store = told
    Refresher(store, fleet, Clock(), 1.0).now()
    with unit_of_work(Store(store.state, patience_s=1.0)) as connection:
        assert connection.execute("SELECT count(*) FROM flight").fetchone() == (6,)


LARGE = "[judge]\nwhole_up_to = 1\n"


def test_of_a_large_fleet_only_what_was_touched_is_looked_after(tmp_path: Path) -> None:
    fleet, store = told_fleet(tmp_path, LARGE)
    fly(fleet, 0, 1.0, airframe="heron-02")
    judged(store)
    refresher = Refresher(store, fleet, Clock(), 1.0)
    # There are no pages yet: all are made.
    assert refresher.now()
    before = times(fleet)
    assert {name.split("-")[0] for name in before} == {"board.html", "airframe", "finding", "flight"}
    give_answer(store, fleet, "f1", Answer("acknowledged", "Ann", "seen"), NOW)
    assert refresher.now()
    changed = {name for name, at in times(fleet).items() if before[name] != at}
    assert {name.rsplit("-", 1)[0] for name in changed} == {"airframe-heron-01", "finding-f1"}
    # They are as the digest would write them: only the board is left for it.
    made = write_pages(store, fleet, standing_judgement(store, fleet), NOW)
    assert [path.name for path in made.written] == ["board.html"]
    old = {name: (fleet.output / "pages" / name).read_bytes() for name in changed}
    fly(fleet, 9, 1.0, airframe="heron-02")
    assert refresher.now()
    assert old == {name: (fleet.output / "pages" / name).read_bytes() for name in changed}


def test_what_was_touched_is_told_by_airframe(told: Told) -> None:
    fleet, store = told
    pulse = store_pulse(store)
    assert (pulse.flights, touched_since(store, pulse)) == (6, frozenset())
    judged(store)
    assert touched_since(store, pulse) == {"heron-01"}
    pulse = store_pulse(store)
    fly(fleet, 0, 1.0, airframe="heron-02")
    assert touched_since(store, pulse) == {"heron-02"}
