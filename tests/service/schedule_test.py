"""Digests are due in the fleet's time zone, once for any number that were missed."""

from datetime import UTC, datetime

import pytest

from trimkeep.config.errors import SettingsError
from trimkeep.config.settings import DigestSettings
from trimkeep.service.schedule import latest_due, parse_schedules


def _one(line: str, zone: str = "UTC", **more: str):  # type: ignore[no-untyped-def]
    return parse_schedules(DigestSettings(schedule=(line,), **more), zone)[0]  # type: ignore[arg-type]


def at(day: int, hour: int, minute: int = 0, month: int = 3) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


def test_a_daily_digest_is_due_once_after_its_time() -> None:
    daily = _one("daily")
    assert latest_due(daily, at(2, 6), at(3, 5, 59)) is None
    assert latest_due(daily, at(2, 6), at(3, 6, 0)) == at(3, 6)
    assert latest_due(daily, at(3, 6), at(3, 6, 1)) is None


def test_a_week_of_missed_daily_digests_makes_one() -> None:
    assert latest_due(_one("daily"), at(2, 6), at(9, 12)) == at(9, 6)


def test_the_weekly_digest_is_on_its_day() -> None:
    # 2026-03-02 is a Monday.
    assert latest_due(_one("weekly"), at(1, 0), at(8, 23)) == at(2, 6)
    assert latest_due(_one("weekly", weekday="sun"), at(2, 0), at(8, 23)) == at(8, 6)


def test_times_are_in_the_fleets_zone_across_the_clock_change() -> None:
    # Lisbon is UTC+0 in winter and UTC+1 from 2026-03-29.
    daily = _one("daily", "Europe/Lisbon")
    assert latest_due(daily, at(27, 12), at(28, 12)) == at(28, 6)
    assert latest_due(daily, at(29, 12), at(30, 12)) == at(30, 5)


def test_a_cron_expression_works() -> None:
    assert latest_due(_one("30 18 * * fri"), at(1, 0), at(8, 0)) == at(6, 18, 30)


@pytest.mark.parametrize("line", ["fortnightly", "61 * * * *", "* * *"])
def test_a_line_that_is_no_schedule_is_one_sentence(line: str) -> None:
    with pytest.raises(SettingsError, match=r"is no schedule.*Use \"daily\""):
        _one(line)
    with pytest.raises(SettingsError, match="is no time of day"):
        parse_schedules(DigestSettings(at="25:00"), "UTC")
