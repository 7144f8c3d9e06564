"""A real browser opens every kind of page: no error, no sideways scroll on a phone, nothing fetched."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from tests.reports import form_examples, page_examples, record_examples
from tests.reports.browser import BROWSER, PHONE_WIDTH, Look, browse, look_at
from tests.reports.examples import busy_week, quiet_week
from trimkeep.reports.compose import compose_digest
from trimkeep.reports.compose_flight import compose_inspect
from trimkeep.reports.compose_pages import compose_airframe, compose_board, compose_finding
from trimkeep.reports.compose_record import compose_record
from trimkeep.reports.render import (
    render_airframe,
    render_board,
    render_digest,
    render_finding,
    render_inspect,
    render_record,
)

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")


@cache
def pages() -> dict[str, str]:
    flight, runs, specs = page_examples.flight()
    return {
        "digest": render_digest(compose_digest(busy_week())),
        "quiet digest": render_digest(compose_digest(quiet_week())),
        "board": render_board(compose_board(page_examples.board())),
        "airframe": render_airframe(compose_airframe(page_examples.airframe())),
        "finding": render_finding(compose_finding(page_examples.finding())),
        "flight": render_inspect(compose_inspect(flight, runs, specs, page_examples.setting())),
        "record": render_record(compose_record(record_examples.record())),
        **form_examples.pages(),
    }


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Look:
    return look_at(pages(), tmp_path_factory.mktemp("browser"))


NAMES = ["digest", "quiet digest", "board", "airframe", "finding", "flight", *form_examples.NAMES]


@pytest.mark.parametrize("name", NAMES)
def test_no_sideways_scroll_on_a_phone(seen: Look, name: str) -> None:
    assert seen.pages[name]["width"] == PHONE_WIDTH


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_fetched_and_every_drawing_has_room(seen: Look, name: str) -> None:
    assert seen.pages[name]["fetched"] == 0
    assert seen.pages[name]["plots"] == 0
    assert seen.pages[name]["small"] == 0
    assert seen.pages[name]["title"]


def test_the_console_stays_empty(seen: Look) -> None:
    assert seen.console == ()


def test_it_prints(tmp_path: Path) -> None:
    page, printed = tmp_path / "digest.html", tmp_path / "digest.pdf"
    page.write_text(pages()["digest"], encoding="utf-8")
    browse(page, tmp_path / "profile", f"--print-to-pdf={printed}")
    assert printed.read_bytes().startswith(b"%PDF")
