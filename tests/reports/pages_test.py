"""The pages behind the digest."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.reports import page_examples, record_examples
from tests.reports.page_reading import Page
from trimkeep.reports.compose_flight import compose_inspect
from trimkeep.reports.compose_pages import compose_airframe, compose_board, compose_finding
from trimkeep.reports.compose_record import compose_record
from trimkeep.reports.render import (
    render_airframe,
    render_board,
    render_finding,
    render_inspect,
    render_record,
)
from trimkeep.reports.traces import thin


def all_pages() -> dict[str, str]:
    flight, runs, specs = page_examples.flight()
    return {
        "board": render_board(compose_board(page_examples.board())),
        "airframe": render_airframe(compose_airframe(page_examples.airframe())),
        "finding": render_finding(compose_finding(page_examples.finding())),
        "flight": render_inspect(compose_inspect(flight, runs, specs, page_examples.setting())),
        "record": render_record(compose_record(record_examples.record())),
    }


PAGES = all_pages()


@pytest.mark.parametrize("name", PAGES)
def test_every_page_is_one_well_formed_file(name: str) -> None:
    page = Page(PAGES[name])
    assert page.problems == []
    assert page.tags["script"] == page.tags["img"] == 0
    assert not re.search(r"https?://", page.html)
    assert len(page.ids) == len(set(page.ids))
    assert set(re.findall(r"url\(#([^)]+)\)", page.html)) <= set(page.ids)
    assert all(re.fullmatch(r"[a-z0-9-]+\.html|#[a-z0-9-]+|data:,", href) for href in page.hrefs)
    drawings = [attributes for tag, attributes in page.attributes if tag == "svg"]
    assert all(one.get("aria-label") or one.get("aria-hidden") == "true" for one in drawings)


def test_same_input_same_bytes() -> None:
    assert all_pages() == PAGES


def test_the_board_puts_hazards_first_then_what_is_worse() -> None:
    rows = compose_board(page_examples.board()).rows
    assert [row.who.text for row in rows[:4]] == ["knot-07", "curlew-04", "heron-01", "tern-02"]
    assert [row.verdict for row in rows] == ["attention", "worse", "worse", "worse", "", "", "", ""]


def test_an_empty_board_says_what_to_do() -> None:
    empty = replace(page_examples.board(), airframes=())
    assert "drop logs into it" in compose_board(empty).empty


def test_an_airframe_shows_work_once_and_settings_apart() -> None:
    page = compose_airframe(page_examples.airframe("plover-03"))
    assert [row.what for row in page.work] == ["Elevator servo S-104 → S-131"]
    other = compose_airframe(page_examples.airframe("dunlin-06"))
    assert [row.what for row in other.settings] == ["Settings (PITCH_GAIN) 0.80 → 0.95"]
    assert other.settings[0].note == "seen in the logs, not in the journal"
    assert other.no_findings == "Nothing is open on this airframe."


def test_conditions_of_each_flight_are_listed_newest_first() -> None:
    rows = compose_airframe(page_examples.airframe()).flights
    assert len(rows) >= 4
    assert rows[0].wind.endswith("m/s") and rows[0].gusts == "–"
    assert rows[0].link.href is not None


def test_pooled_levels_are_not_drawn_as_the_airframes_own() -> None:
    trend = compose_airframe(page_examples.airframe()).trends[0]
    assert [level.first for level in trend.levels] == [12, 20]


def test_before_and_after_share_one_axis() -> None:
    page = compose_finding(page_examples.finding())
    before, after = page.pairs[0].traces
    assert (before.low, before.high) == (after.low, after.high)
    assert "before" in before.caption and "after" in after.caption
    # The example swings once in 9 s after the change.
    assert "9.1\u00a0s after" in page.spectra[0].name


def test_a_finding_without_traces_says_so() -> None:
    page = compose_finding(replace(page_examples.finding(), traces=(), spectra=()))
    assert page.no_traces


def test_every_cause_on_the_findings_page_has_its_own_check() -> None:
    page = Page(PAGES["finding"])
    assert page.text.count("Next check.") == page.text.count("Mind your fingers.") == 2


def test_a_flight_says_what_was_not_measured_and_hides_tracebacks() -> None:
    page = Page(PAGES["flight"])
    assert "logged too slowly (4.0 Hz)" in page.text
    assert "Traceback" not in page.text
    assert "6.1\u00a0m" in page.html and "±0.4\u00a0m" in page.html


def test_thinning_keeps_extremes_and_gaps() -> None:
    time_s = np.arange(100_000.0)
    value = np.sin(time_s / 50.0)
    value[70_001] = 9.0
    value[40_000:45_000] = np.nan
    times, thinned = thin(time_s, value, 500)
    assert thinned.size <= 502
    assert np.nanmax(thinned) == 9.0 and np.isnan(thinned).any()
    assert np.all(np.diff(times) > 0)
