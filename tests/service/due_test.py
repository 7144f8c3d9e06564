"""Every period gets one digest, whatever the machine's clock does."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.errors import StoreBusy
from trimkeep.service import due
from trimkeep.service.due import DigestKeeper
from trimkeep.service.schedule import parse_schedules
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.digests import DigestRow, load_digests, save_digest

DAY = timedelta(days=1)


def at(month: int, day: int, hour: int = 12) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=UTC)


@pytest.fixture
def keeper(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> DigestKeeper:
    """A keeper of a fleet with one flight, whose digests are a row each."""
    fleet = fleet_in(tmp_path, '[digest]\nschedule = ["daily"]\nafter_flights = 1\n')
    put(fleet, "heron-1/a.tlog", log_text([(10.0, 60.0, 1.0)], start="2026-03-01T10:00:00+00:00"))
    ingest(fleet)

    def note(store: Store, _: Any, now: datetime, **given: Any) -> Any:
        start, end = given["period_start"], given["period_end"]
        save_digest(store, DigestRow(given["schedule"], start, end, now, "page.html", "", 0))
        return SimpleNamespace(path=Path("page.html"))

    monkeypatch.setattr(due, "make_digest", note)
    return DigestKeeper(open_store(fleet.state), fleet, parse_schedules(fleet.settings.digest, "UTC"))


def ends(keeper: DigestKeeper) -> list[datetime]:
    return [one.period_end for one in load_digests(keeper.store) if one.schedule == "daily"]


def test_a_clock_set_back_makes_no_digest_twice(keeper: DigestKeeper) -> None:
    assert keeper.make_due(at(3, 10))
    for hour in (12, 5, 7, 12):  # back before six and over it again
        assert keeper.make_due(at(3, 10, hour)) == ()
    assert ends(keeper) == [at(3, 10, 6)]
    assert keeper.make_due(at(3, 11))


def test_a_clock_that_was_a_year_ahead_costs_no_digest_once_it_is_right_again(keeper: DigestKeeper) -> None:
    keeper.make_due(at(3, 10))
    ahead = at(3, 10) + 365 * DAY
    assert keeper.make_due(ahead)
    assert keeper.make_due(at(3, 10, 13)) == ()
    for day in range(11, 20):
        assert len(keeper.make_due(at(3, day))) == 1
    assert keeper.make_due(ahead) == (), "that one was made when the clock was wrong"
    assert len(ends(keeper)) == len(set(ends(keeper))) == 11


def test_digests_after_flights_go_on_after_a_wrong_clock(keeper: DigestKeeper) -> None:
    ahead = datetime.now(UTC) + 365 * DAY
    assert keeper.after_flights(1, ahead)
    assert keeper.after_flights(1, datetime.now(UTC)), "the flight is in no digest of a time that has been"


def test_a_store_in_other_hands_is_tried_again_at_the_next_wake(
    keeper: DigestKeeper, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object, **__: object) -> None:
        raise StoreBusy("is in use", subject="store", next_step="Try again")

    with monkeypatch.context() as patch:
        patch.setattr(due, "make_digest", busy)
        assert keeper.make_due(at(3, 10)) == ()
    assert len(keeper.make_due(at(3, 10))) == 1
