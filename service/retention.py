"""What the retention settings would remove, what they keep, and why. Nothing is removed here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path

from trimkeep.config.settings import FleetSettings
from trimkeep.service.digest import LATEST
from trimkeep.service.ingest.scan import path_on_disk, stat_of
from trimkeep.service.ingest.source import LogSource, source_of
from trimkeep.service.page_books import PageBooks, load_books
from trimkeep.service.page_file import made_from
from trimkeep.service.page_links import FOLDER
from trimkeep.service.retention_cited import Citation, Cites, cited_recordings
from trimkeep.service.retention_pages import linked_pages
from trimkeep.service.standing import standing_judgement
from trimkeep.service.store.connection import RECORDINGS_NAME, Store
from trimkeep.service.store.digests import load_digests
from trimkeep.service.store.kept_files import StoredRecording, load_stored_recordings
from trimkeep.service.store.removals import What


class Why(StrEnum):
    """What is to become of a file. All but `due` are kept."""

    DUE = "due"
    FOR_EVER = "for_ever"
    YOUNG = "young"
    BEING_READ = "being_read"
    FINDING = "finding"
    ALERT = "alert"
    PAGE = "page"
    NEWEST = "newest"
    NO_LOG = "no_log"
    SHOWN = "shown"
    LINKED = "linked"


_OF_CITATION = {
    Cites.FINDING: Why.FINDING,
    Cites.ALERT: Why.ALERT,
    Cites.PAGE: Why.PAGE,
    Cites.NEWEST: Why.NEWEST,
}


@dataclass(frozen=True, slots=True)
class KeptFile:
    """One file that the settings speak of.

    Parameters
    ----------
    what : str
        recording, digest or page.
    name : str
        Relative to the state folder, or to that of the pages.
    size_bytes : int
    since : datetime
        What its age counts from, aware.
    why : Why
    detail : str
        The finding, page or airframe that holds it; may be empty.
    airframe, log_sha256, log_path : str
        Of a recording's log; empty for pages.
    """

    what: What
    name: str
    size_bytes: int
    since: datetime
    why: Why
    detail: str = ""
    airframe: str = ""
    log_sha256: str = ""
    log_path: str = ""

    def path(self, fleet: FleetSettings) -> Path:
        """Where it lies."""
        return (fleet.state if self.what == "recording" else fleet.output) / self.name


@dataclass(frozen=True, slots=True)
class RetentionPlan:
    """Every file that the settings speak of, recordings first."""

    files: tuple[KeptFile, ...]

    @property
    def due(self) -> tuple[KeptFile, ...]:
        """What would go."""
        return tuple(one for one in self.files if one.why is Why.DUE)

    @property
    def held(self) -> tuple[KeptFile, ...]:
        """What is old enough to go and is kept all the same."""
        return tuple(one for one in self.files if one.why not in (Why.DUE, Why.FOR_EVER, Why.YOUNG))

    @property
    def counts(self) -> dict[Why, int]:
        """Files by what is to become of them."""
        return dict(Counter(one.why for one in self.files))


def setting_text(fleet: FleetSettings, name: str) -> str:
    """A retention setting as the record names it: `retention.recordings_days = 365 (fleet.toml line 4)`."""
    value = getattr(fleet.settings.retention, name)
    return f"retention.{name} = {value:g} ({fleet.origins.get(f'retention.{name}', 'default')})"


SETTING_OF: dict[What, str] = {"recording": "recordings_days", "digest": "pages_days", "page": "pages_days"}


def plan_retention(store: Store, fleet: FleetSettings, now: datetime) -> RetentionPlan:
    """Look at every recording, digest and page.

    Parameters
    ----------
    store, fleet
    now : datetime
        Aware.
    """
    files = [*_recordings(store, fleet, now), *_pages(store, fleet, now)]
    return RetentionPlan(tuple(files))


def _books(store: Store, fleet: FleetSettings, now: datetime) -> PageBooks:
    return load_books(store, fleet, standing_judgement(store, fleet), now)


def _is_young(since: datetime, days: float, now: datetime) -> bool:
    return since + timedelta(days=days) > now


def _recordings(store: Store, fleet: FleetSettings, now: datetime) -> Iterator[KeptFile]:
    days = fleet.settings.retention.recordings_days
    stored = load_stored_recordings(store)
    old = days > 0.0 and any(not _is_young(one.kept_since, days, now) for one in stored)
    # What is cited takes seconds to gather on a large fleet, and is asked for old recordings only.
    cited = cited_recordings(store, _books(store, fleet, now)) if old else {}
    source = source_of(fleet)
    if old and fleet.settings.logs.address:
        # One listing instead of a question for each log.
        source.find()
    for one in stored:
        found = stat_of(store.recording_path(one.log_sha256))
        if found is None:
            continue
        why, detail = Why.FOR_EVER, ""
        if days > 0.0:
            why, detail = Why.YOUNG, ""
            if not _is_young(one.kept_since, days, now):
                why, detail = _why_old(fleet, one, cited.get(one.log_sha256), source)
        yield KeptFile(
            what="recording",
            name=f"{RECORDINGS_NAME}/{store.recording_path(one.log_sha256).name}",
            size_bytes=found.size_bytes,
            since=one.kept_since,
            why=why,
            detail=detail,
            airframe=one.airframe,
            log_sha256=one.log_sha256,
            log_path=one.log_path,
        )


def _why_old(
    fleet: FleetSettings, one: StoredRecording, held: Citation | None, source: LogSource
) -> tuple[Why, str]:
    if one.being_read:
        return Why.BEING_READ, ""
    if held is not None:
        return _OF_CITATION[held.cites], held.by
    if fleet.settings.retention.keep_without_log:
        log = source.stat_of(path_on_disk(fleet, one.log_path))
        # Whether it is the same to the last byte is looked at before it is removed.
        if log is None or log.size_bytes != one.log_bytes:
            return Why.NO_LOG, ""
    return Why.DUE, ""


def _pages(store: Store, fleet: FleetSettings, now: datetime) -> Iterator[KeptFile]:
    days = fleet.settings.retention.pages_days
    digests = list(_digests(store, fleet, days, now))
    yield from digests
    folder = fleet.output / FOLDER
    ours = [path for path in sorted(folder.glob("*.html")) if made_from(path) is not None]
    written = {path: datetime.fromtimestamp(path.stat().st_mtime, UTC) for path in ours}
    old = days > 0.0 and any(not _is_young(at, days, now) for at in written.values())
    links = _books(store, fleet, now).setting.links if old else None
    shown = set() if links is None else {*links.findings.values(), *links.airframes.values()}
    if links is not None:
        shown |= {*links.flights.values(), *((links.board,) if links.board else ())}
    roots = [one.path(fleet) for one in digests if one.why is not Why.DUE]
    linked = linked_pages(folder, [*roots, fleet.output / LATEST], shown) if old else {}
    for path in ours:
        why, detail = (Why.FOR_EVER, "") if days <= 0.0 else (Why.YOUNG, "")
        if days > 0.0 and not _is_young(written[path], days, now):
            why = Why.SHOWN if path.name in shown else Why.LINKED if path.name in linked else Why.DUE
            detail = linked.get(path.name, "") if why is Why.LINKED else ""
        yield KeptFile("page", f"{FOLDER}/{path.name}", path.stat().st_size, written[path], why, detail)


def _digests(store: Store, fleet: FleetSettings, days: float, now: datetime) -> Iterator[KeptFile]:
    """The dated digests; the newest stays whatever its age."""
    made = {Path(row.path).name: row.made_at for row in load_digests(store)}
    made.pop(LATEST, None)
    there = [(at, name) for name, at in made.items() if (fleet.output / name).is_file()]
    newest = max(there, default=None)
    for at, name in sorted(there):
        why = Why.FOR_EVER if days <= 0.0 else Why.YOUNG
        if days > 0.0 and not _is_young(at, days, now):
            why = Why.SHOWN if (at, name) == newest else Why.DUE
        yield KeptFile("digest", name, (fleet.output / name).stat().st_size, at, why)
