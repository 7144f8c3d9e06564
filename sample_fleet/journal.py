"""The maintenance journal of each airframe, as the people of the scenario keep it."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from trimkeep.sample_fleet.scenario import Entry, Scenario, Work
from trimkeep.sample_fleet.season import FlightOrder

HEADER = ("done_at", "kind", "part", "before", "after", "done_by", "note")


def journal_csv(scenario: Scenario, works: Sequence[Work], flights: Sequence[FlightOrder]) -> str:
    """Text of `journal.csv`; only the header when nothing was written down.

    Parameters
    ----------
    scenario : Scenario
    works : sequence of Work
        In order.
    flights : sequence of FlightOrder
        All flights of the airframe, oldest first.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADER)
    for place, work in enumerate(works):
        day = work_day(work, flights, scenario.time_zone)
        done_by = scenario.people[place % len(scenario.people)]
        for entry in work.journal:
            done_at = _done_at(entry, day, scenario.time_zone)
            writer.writerow((done_at, entry.kind, entry.part, entry.before, entry.after, done_by, entry.note))
    return text.getvalue()


def work_day(work: Work, flights: Sequence[FlightOrder], time_zone: str) -> date:
    """Local day of the work: the day before the flight it precedes, or that very day when it flew then."""
    zone = ZoneInfo(time_zone)
    after = flights[work.before_flight - 1].at.astimezone(zone).date()
    if work.before_flight == 1:
        return after
    before = flights[work.before_flight - 2].at.astimezone(zone).date()
    return after if after - before < timedelta(days=2) else after - timedelta(days=1)


def _done_at(entry: Entry, day: date, time_zone: str) -> str:
    if not entry.at:
        return day.isoformat()
    at = datetime.combine(day, time.fromisoformat(entry.at), ZoneInfo(time_zone))
    return at.isoformat(timespec="minutes")
