"""Making a digest: judge, gather, compose, render, write whole or not at all, and note it in the store."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from trimkeep.config.errors import ReportError
from trimkeep.config.settings import FleetSettings
from trimkeep.reports.compose import compose_digest
from trimkeep.reports.render import render_digest
from trimkeep.service.digest_input import called_count, gather
from trimkeep.service.judging import Judgement, judge
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


def make_digest(
    store: Store,
    fleet: FleetSettings,
    now: datetime,
    *,
    period_start: datetime | None = None,
    period_end: datetime | None = None,
    schedule: str = "",
) -> MadeDigest:
    """Judge the fleet and write one digest page.

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
    judgement = judge(store, fleet, now)
    flights = load_flights(store)
    first = min((flight.at for flight in flights), default=now - PERIODS["weekly"])
    start, end = period_start or min(first, now), period_end or now
    page_input = gather(store, fleet, judgement, start, end, now)
    text = render_digest(compose_digest(page_input))
    path = _write_page(fleet, text, end)
    called = called_count(page_input)
    save_digest(store, DigestRow(schedule, start, end, now, str(path), chain_head(store), called))
    return MadeDigest(path, judgement, called)


def _write_page(fleet: FleetSettings, text: str, end: datetime) -> Path:
    stamp = end.astimezone(ZoneInfo(fleet.time_zone)).strftime("%Y-%m-%dT%H%M")
    path = fleet.output / f"digest-{stamp}.html"
    write_whole(path, text)
    write_whole(fleet.output / LATEST, text)
    return path


def write_whole(path: Path, text: str) -> None:
    """Write a page under another name first, so that a reader never sees half of it.

    Raises
    ------
    ReportError
        The folder cannot be written to.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise ReportError(
            f"cannot be written ({error.strerror})",
            subject=str(path),
            next_step="Make room, or set `output` in fleet.toml to a folder this user may write to",
        ) from error
