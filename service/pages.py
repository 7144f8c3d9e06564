"""The pages behind the digest: board, airframes, findings, cited flights; only what changed is written."""

from __future__ import annotations

import gc
import logging
from array import array
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from pathlib import Path

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import RecordingRemoved, ReportError, TrimkeepError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Finding, Series, SeriesPoint
from trimkeep.reports.compose_flight import compose_inspect
from trimkeep.reports.compose_pages import compose_airframe, compose_board, compose_finding, compose_gone
from trimkeep.reports.inputs import AirframeRow, Links
from trimkeep.reports.page_inputs import AirframeInput, BoardInput, FindingInput
from trimkeep.reports.render import (
    render_airframe,
    render_board,
    render_finding,
    render_gone,
    render_inspect,
)
from trimkeep.service.judging import Judgement
from trimkeep.service.made_again import bring_back_drawn
from trimkeep.service.page_books import SPEC_BY_ID, SPECS, PageBooks, load_books
from trimkeep.service.page_file import fingerprint, made_from, program_fingerprint, write_page
from trimkeep.service.page_links import FOLDER, links_from_digest, only, plan_links
from trimkeep.service.pages_evidence import choose_flights, load_pictures, series_shown
from trimkeep.service.store.connection import Store, kept_open
from trimkeep.service.store.evidence import load_channels
from trimkeep.service.store.runs import load_runs

log = logging.getLogger(__name__)

MAX_FLIGHT_ROWS = 60


@dataclass(frozen=True, slots=True)
class PageSet:
    """What a round did.

    `links` are as the digest writes them; the `withdrawn` pages now only say that they are gone.
    """

    links: Links
    written: tuple[Path, ...]
    unchanged: int
    withdrawn: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class _Page:
    """One page: its file, the fingerprint of what it shows, and how to make it."""

    name: str
    key: str
    make: Callable[[], str]


def write_pages(store: Store, fleet: FleetSettings, judgement: Judgement, now: datetime) -> PageSet:
    """Bring the pages behind the digest up to date.

    Every airframe has a page; so has every finding that says worse, better or attention, and every flight
    that one of those cites. The moment of making is no reason to write a page again.

    Parameters
    ----------
    store, fleet
    judgement : Judgement
        Of the moment; its findings are in the store.
    now : datetime
        Aware.

    Raises
    ------
    ReportError
        The folder of the pages cannot be written to.
    """
    with _settled():
        books = load_books(store, fleet, judgement, now)
        bring_back_drawn(store, fleet, books)
        folder = fleet.output / FOLDER
        names, written = _write_changed(folder, _pages(store, books), books)
    unchanged = len(names) - len(written)
    # A flight's page stays true when no finding cites the flight any more.
    names |= set(plan_links((), (), books.flight_by_id).flights.values())
    withdrawn = _withdraw(folder, names, books)
    return PageSet(links_from_digest(books.setting.links), written, unchanged, withdrawn)


def write_pages_of(
    store: Store, fleet: FleetSettings, judgement: Judgement, now: datetime, airframes: Collection[str]
) -> tuple[Path, ...]:
    """Bring the pages of some airframes up to date: their own, their findings', and those of cited flights.

    The board and what is said of the fleet wait for `write_pages`. What it costs hardly grows with the fleet.

    Parameters
    ----------
    store, fleet
    judgement : Judgement
        Series and changes of these airframes at least.
    now : datetime
        Aware.
    airframes : collection of str

    Returns
    -------
    tuple of Path
        The pages that were written.

    Raises
    ------
    ReportError
        The folder of the pages cannot be written to.
    """
    books = load_books(store, fleet, judgement, now, airframes)
    bring_back_drawn(store, fleet, books)
    return _write_changed(fleet.output / FOLDER, _pages_of(store, books, frozenset(airframes)), books)[1]


@contextmanager
def _settled() -> Iterator[None]:
    """Leave what is in memory already out of the search for cycles.

    A large fleet's series are millions of objects that stay; to look through them again and again while
    pages were made took longer than to find out what changed.
    """
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def _write_changed(
    folder: Path, pages: Iterator[_Page], books: PageBooks
) -> tuple[set[str], tuple[Path, ...]]:
    """Names of all pages, and those that were written."""
    names, written = set(), []
    for page in pages:
        names.add(page.name)
        path = folder / page.name
        if made_from(path) != page.key:
            _write(path, page, books)
            written.append(path)
    return names, tuple(written)


def _write(path: Path, page: _Page, books: PageBooks) -> None:
    try:
        write_page(path, page.make(), page.key)
    except ReportError:
        raise
    except RecordingRemoved as error:
        log.warning("%s", error)
        gone = render_gone(compose_gone(books.setting, str(error)))
        write_page(path, gone, fingerprint("removed"))
    except TrimkeepError as error:
        # A recording that cannot be read costs its own page; without the right key it is tried again.
        log.warning("%s", error)
        write_page(path, _gone_text(books), fingerprint("failed"))


def _withdraw(folder: Path, names: set[str], books: PageBooks) -> tuple[Path, ...]:
    """Pages nothing stands behind any more say so: older digests link to them still."""
    if not folder.is_dir():
        return ()
    key = fingerprint("gone", program_fingerprint(), _setting_key(books))
    withdrawn = []
    for path in sorted(folder.glob("*.html")):
        made = made_from(path)
        # A page without our mark is somebody else's.
        if path.name not in names and made is not None and made != key:
            write_page(path, _gone_text(books), key)
            withdrawn.append(path)
    return tuple(withdrawn)


def _gone_text(books: PageBooks) -> str:
    return render_gone(compose_gone(books.setting))


def _setting_key(books: PageBooks) -> str:
    setting = books.setting
    return fingerprint(
        setting.fleet_name,
        setting.time_zone,
        setting.units,
        setting.language,
        sorted(setting.metrics.items()),
        sorted(setting.versions.items()),
    )


def _pages(store: Store, books: PageBooks) -> Iterator[_Page]:
    """What a page leads to comes before it: whoever reads meanwhile finds no dead link."""
    base = fingerprint(program_fingerprint(), _setting_key(books))
    prints = {name: _series_print(those) for name, those in books.series.items()}
    for flight_id, detectors in books.cited.items():
        yield _flight_page(store, books, flight_id, detectors, base)
    for finding in books.findings_shown:
        yield _finding_page(store, books, finding, base)
    for row in books.airframes:
        yield _airframe_page(books, row, base, prints.get(row.id, _series_print(())))
    yield _board_page(books, base, prints)


def _pages_of(store: Store, books: PageBooks, airframes: frozenset[str]) -> Iterator[_Page]:
    """In the order of `_pages`."""
    base = fingerprint(program_fingerprint(), _setting_key(books))
    for flight_id, detectors in books.cited.items():
        if books.flight_by_id[flight_id].airframe in airframes:
            yield _flight_page(store, books, flight_id, detectors, base)
    for finding in books.findings_shown:
        if airframes.issuperset(finding.airframes):
            yield _finding_page(store, books, finding, base)
    for row in books.airframes:
        if row.id in airframes:
            yield _airframe_page(books, row, base, _series_print(books.series.get(row.id, ())))


def _series_print(series: tuple[Series, ...]) -> str:
    """Fingerprint of the figures of an airframe. Their conditions are figures too, so they are in it.

    Numbers go in as they lie in memory: written out, those of a large fleet took longer than its pages.
    """
    return fingerprint(
        *(
            (
                one.airframe,
                one.metric,
                one.context,
                one.unit,
                one.better,
                one.matters,
                one.attention,
                _points_print(one.points),
            )
            for one in series
        )
    )


def _points_print(points: tuple[SeriesPoint, ...]) -> str:
    numbers = array("d", [point.value for point in points])
    # An uncertainty is never negative.
    numbers.extend([-1.0 if point.standard_error is None else point.standard_error for point in points])
    numbers.extend([point.order for point in points])
    digest = sha256("\n".join([point.flight_id for point in points]).encode())
    digest.update(numbers.tobytes())
    return digest.hexdigest()


def _said(finding: Finding) -> Finding:
    """A finding without the time it was last looked at, which no page shows."""
    return replace(finding, updated_at=finding.opened_at)


def _board_page(books: PageBooks, base: str, prints: Mapping[str, str]) -> _Page:
    setting = replace(
        books.setting, links=only(books.setting.links, findings=None, airframes=None, board=False)
    )
    given = BoardInput(
        setting,
        books.airframes,
        books.findings,
        tuple(one for those in books.series.values() for one in those),
        books.changes,
    )
    said = [_said(one) for one in books.findings if one.id in books.setting.links.findings]
    links = (sorted(setting.links.findings.items()), sorted(setting.links.airframes.items()))
    # The board is read as of a day, so it is made anew each day.
    key = fingerprint(base, books.day, books.airframes, said, books.changes, sorted(prints.items()), links)
    return _Page(books.board_name, key, lambda: render_board(compose_board(given)))


def _airframe_page(books: PageBooks, row: AirframeRow, base: str, print_of_series: str) -> _Page:
    mine = books.findings_of.get(row.id, ())
    flights = books.flights.get(row.id, ())
    links = only(
        books.setting.links,
        airframes={row.id, *(name for one in mine for name in one.airframes)},
        findings={one.id for one in mine},
        flights={one.flight_id for one in flights},
    )
    changes = books.changes_of.get(row.id, ())
    maintenance = books.maintenance_of.get(row.id, ())
    given = AirframeInput(
        replace(books.setting, links=links),
        row,
        mine,
        books.series.get(row.id, ()),
        changes,
        flights,
        maintenance,
    )
    key = fingerprint(
        base,
        print_of_series,
        row,
        [_said(one) for one in mine if one.id in links.findings],
        [(one.id, one.verdict, one.status, one.effect, one.flights_after) for one in mine],
        changes,
        flights[-MAX_FLIGHT_ROWS:],
        maintenance,
        _links_key(links),
    )
    name = books.setting.links.airframes[row.id]
    return _Page(name, key, lambda: render_airframe(compose_airframe(given)))


def _links_key(links: Links) -> tuple[object, ...]:
    return (
        sorted(links.findings.items()),
        sorted(links.airframes.items()),
        sorted(links.flights.items()),
        links.board,
    )


def _finding_page(store: Store, books: PageBooks, finding: Finding, base: str) -> _Page:
    series = tuple(
        one
        for name in finding.airframes
        for one in books.whole_series.get(name, ())
        if (one.metric, one.context) == (finding.metric, finding.context)
    )
    changes = tuple(one for name in finding.airframes for one in books.changes_of.get(name, ()))
    links = only(
        books.setting.links,
        airframes=set(finding.airframes),
        flights={*finding.evidence_flights, *finding.down_weighted},
    )
    setting = replace(books.setting, links=links)
    shown = series_shown(finding, series)
    spec = SPEC_BY_ID.get(shown.detector) if shown is not None else None
    chosen = choose_flights(finding, shown, changes) if shown is not None else ()
    recordings = [books.recording_stamp(store, one.point.flight_id) for one in chosen]

    def make() -> str:
        with kept_open(store):
            pictures = load_pictures(store, chosen, spec, finding.family) if spec is not None else None
        given = FindingInput(
            setting,
            finding,
            series,
            changes,
            pictures.traces if pictures else (),
            pictures.spectra if pictures else (),
            pictures.missing if pictures else "",
        )
        return render_finding(compose_finding(given))

    key = fingerprint(
        base,
        _said(finding),
        _series_print(series),
        changes,
        chosen,
        (spec.id, spec.version, spec.evidence) if spec is not None else None,
        recordings,
        _links_key(links),
    )
    return _Page(books.setting.links.findings[finding.id], key, make)


def _flight_page(
    store: Store, books: PageBooks, flight_id: str, detectors: frozenset[str], base: str
) -> _Page:
    placed = books.flight_by_id[flight_id]
    stored = placed.main
    links = only(books.setting.links, airframes={placed.airframe})
    setting = replace(books.setting, links=links)
    channels = sorted({name for spec in SPECS for name in spec.evidence})
    targets = [f"{stem}_target_{unit}" for stem, _, unit in (name.rpartition("_") for name in channels)]

    def make() -> str:
        card = AirframeCard(placed.airframe)
        with kept_open(store):
            flight = load_channels(store, stored.log_sha256, stored.number, [*channels, *targets], card)
            runs = load_runs(store, stored.log_sha256, stored.number, SPECS)
        page = compose_inspect(flight, runs, SPEC_BY_ID, setting, traces_of=detectors)
        return render_inspect(page)

    key = fingerprint(
        base,
        stored,
        sorted(detectors),
        [(spec.id, spec.version) for spec in SPECS],
        books.recording_stamp(store, flight_id),
        _links_key(links),
    )
    return _Page(books.setting.links.flights[flight_id], key, make)
