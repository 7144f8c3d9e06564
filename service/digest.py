"""Making a digest: judge, write the pages behind it, compose, write whole, and note it in the store."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from trimkeep.config.settings import FleetSettings
from trimkeep.reports.compose import compose_digest
from trimkeep.reports.render import render_digest
from trimkeep.service.digest_input import called_count, gather
from trimkeep.service.judging import Judgement, judge
from trimkeep.service.leftovers import remove_leftovers
from trimkeep.service.page_file import write_whole
from trimkeep.service.page_links import FOLDER
from trimkeep.service.pages import PageSet, write_pages
from trimkeep.service.store.audit import chain_head
from trimkeep.service.store.connection import Store
from trimkeep.service.store.digests import DigestRow, save_digest
from trimkeep.service.store.flights import load_flights

LATEST = "latest.html"
PERIODS = {"daily": timedelta(days=1), "weekly": timedelta(days=7)}


@dataclass(frozen=True, slots=True)
class MadeDigest:
    """A digest that was written, and the judgement it shows."""

    path: Path
    judgement: Judgement
    called: int
    pages: PageSet


def make_digest(
    store: Store,
    fleet: FleetSettings,
    now: datetime,
    *,
    period_start: datetime | None = None,
    period_end: datetime | None = None,
    schedule: str = "",
) -> MadeDigest:
    """Judge the fleet, bring the pages behind the digest up to date, and write the digest.

    Parameters
    ----------
    store, fleet
    now : datetime
        Aware.
    period_start, period_end : datetime or None
        The period it speaks of; None for everything up to now.
    schedule : str
        The schedule's line it is made for; empty when asked for by hand.

    Raises
    ------
    ReportError
        The page cannot be written.
    """
    for folder in (fleet.output, fleet.output / FOLDER):
        remove_leftovers(folder, ".*.part")
    judgement = judge(store, fleet, now)
    flights = load_flights(store)
    first = min((flight.at for flight in flights), default=now - PERIODS["weekly"])
    start, end = period_start or min(first, now), period_end or now
    # The pages first: a digest must never link to what is not there.
    pages = write_pages(store, fleet, judgement, now)
    page_input = gather(store, fleet, judgement, start, end, now, pages.links)
    text = render_digest(compose_digest(page_input))
    path = _write_page(fleet, text, end)
    called = called_count(page_input)
    save_digest(store, DigestRow(schedule, start, end, now, str(path), chain_head(store), called))
    return MadeDigest(path, judgement, called, pages)


def _write_page(fleet: FleetSettings, text: str, end: datetime) -> Path:
    stamp = end.astimezone(ZoneInfo(fleet.time_zone)).strftime("%Y-%m-%dT%H%M")
    path = fleet.output / f"digest-{stamp}.html"
    write_whole(path, text)
    write_whole(fleet.output / LATEST, text)
    return path
