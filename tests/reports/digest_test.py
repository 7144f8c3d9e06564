"""The digest: what it says, in which order, and that nothing can break it."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass, replace
from datetime import timedelta
from typing import Any

import pytest

from tests.reports.examples import SUNDAY_EVENING, busy_week, quiet_week
from tests.reports.page_examples import SPEC
from tests.reports.page_reading import Page
from trimkeep.detectors.history.model import Tier, Verdict
from trimkeep.reports.compose import MAX_PLOTS, compose_digest
from trimkeep.reports.inputs import (
    AirframeRow,
    DigestInput,
    MetricWords,
    Promise,
    RecordGap,
    RemovedFiles,
    metric_words,
)
from trimkeep.reports.render import render_digest

HOSTILE = (
    "<script>alert(1)</script>&\"' \n\t}}{{ 7*7 }}{% x %} \u202eeldda נשר 🦅 \x00\x1b\ud800 $x^2$ %s {0}"
)


def html_of(given: DigestInput) -> str:
    return render_digest(compose_digest(given))


@pytest.fixture(scope="module")
def busy() -> Page:
    return Page(html_of(busy_week()))


def test_sections_stand_in_the_agreed_order(busy: Page) -> None:
    assert busy.headings == [
        "Needs a hand before the next flight",
        "Worse",
        "Better",
        "No material change",
        "Cannot be told yet",
        "Steps and drift that nobody wrote down",
        "Across the fleet",
        "Airframe by airframe",
        "Work done",
        "Logs that could not be read",
        "What could not be measured",
        "Lines to paste",
        "How often this page may be wrong",
        "How to read this page",
    ]


def test_the_half_minute_names_what_to_do() -> None:
    lines = {line.label: [item.text for item in line.items] for line in compose_digest(busy_week()).glance}
    assert lines == {
        "Look at before the next flight": ["knot-07"],
        "Hold back until understood": ["firmware 4.2.1 → 4.3.0 (on 2 airframes)"],
        "Got worse": ["heron-01", "tern-02"],
        "Changed, and nobody wrote down why": ["curlew-04"],
        "Worked": ["plover-03"],
    }


def test_a_verdict_never_stands_without_size_range_flights_and_cause() -> None:
    (entry, _) = compose_digest(busy_week()).worse.entries
    assert entry.headline == "Altitude held within 6.1\u00a0m instead of 2.4\u00a0m in level flight"
    assert entry.since == "Since firmware 4.2.1 → 4.3.0, 6\u00a0March 2026."
    assert entry.size[0] == "The change is +3.7\u00a0m, likely between +2.5\u00a0m and +4.9\u00a0m."
    assert "8 flights each side." in entry.size
    assert "One odd flight was given less weight." in entry.size
    assert entry.rule is not None and (entry.rule.low, entry.rule.high) == pytest.approx((4.91, 7.31))
    assert [cause.likely for cause in entry.causes] == ["about 7 in 10", "about 2 in 10"]
    assert [other.headline[:10] for other in entry.also] == ["Climb rate"]


def test_one_change_on_one_airframe_is_one_entry() -> None:
    page = compose_digest(busy_week())
    assert [[who.text for who in entry.who] for entry in page.worse.entries] == [["heron-01"], ["tern-02"]]
    assert len(page.fleet_wide.entries) == 1


def test_every_check_on_the_page_has_its_caution(busy: Page) -> None:
    assert busy.text.count("Next check.") == busy.text.count("Mind your fingers.") > 0
    assert busy.text.count("person responsible for airworthiness decide") > busy.text.count("Next check.")


def test_a_quiet_week_is_short_and_says_so() -> None:
    page = compose_digest(quiet_week())
    html = render_digest(page)
    assert "there is nothing to report" in page.quiet
    assert page.glance == ()
    assert Page(html).headings == [
        "Airframe by airframe",
        "How often this page may be wrong",
        "How to read this page",
    ]
    assert len(html) < 0.25 * len(html_of(busy_week()))


def test_the_head_of_the_record_is_on_every_digest_also_where_nothing_was_done() -> None:
    quiet = replace(quiet_week(), maintenance=(), record_gaps=(), journal_head="9f2c41d07be85a33" + "0" * 48)
    page = Page(html_of(quiet))
    assert "fingerprint 9f2c41d07be85a33" in page.text
    assert page.problems == []


def test_files_that_a_setting_let_go_are_told_beside_the_work() -> None:
    gone = RemovedFiles(SUNDAY_EVENING, "recording", 2, 3_400_000, "retention.recordings_days = 365", "Ann")
    one = replace(gone, what="digest", files=1, size_bytes=1_200_000)
    text = Page(html_of(replace(quiet_week(), maintenance=(), record_gaps=(), removals=(gone, one)))).text
    assert "2 decoded recordings removed as the setting retention.recordings_days = 365 says, 3.4 MB" in text
    assert "1 digest removed as the setting" in text
    assert "by Ann. Each is a row of the record." in text


def test_an_empty_fleet_still_makes_a_page() -> None:
    empty = replace(quiet_week(), airframes=(), flights=(), series=(), promise=None, journal_head=None)
    text = Page(html_of(empty)).text
    assert "No flights arrived in this period." in text
    assert "limits have not been calibrated yet" in text


def test_the_track_record_stands_beside_the_promise_and_warns_when_it_is_broken() -> None:
    kept = Promise(0.05, 10, 100, 1, 0.05, 0.0003, 0.054)
    broken = Promise(0.05, 10, 100, 20, 0.05, 0.127, 0.292)
    text = {one: Page(html_of(replace(quiet_week(), promise=one))).text for one in (kept, broken)}
    assert "one of them was taken for real" in text[kept]
    assert "agrees with the 5 % promised" in text[kept] and "Be careful" not in text[kept]
    assert "20 of them were taken for real" in text[broken]
    assert "Be careful: 5 % were promised, and the real share lies between 13 % and 29 %" in text[broken]


def test_same_input_same_bytes() -> None:
    assert html_of(busy_week()) == html_of(busy_week())


def test_the_page_is_one_file_and_well_formed(busy: Page) -> None:
    assert busy.problems == []
    assert busy.tags["script"] == busy.tags["img"] == busy.tags["iframe"] == 0
    assert [href for href in busy.hrefs if not href.startswith(("#", "data:,"))] == []
    assert "url(" not in busy.html.replace("url(#", "")
    assert not re.search(r"https?://", busy.html)
    assert any("default-src 'none'" in str(attributes.get("content")) for _, attributes in busy.attributes)


def test_ids_are_unique_and_every_reference_lands(busy: Page) -> None:
    assert len(busy.ids) == len(set(busy.ids))
    wanted = {href[1:] for href in busy.hrefs if href.startswith("#")}
    wanted |= set(re.findall(r"url\(#([^)]+)\)", busy.html))
    wanted |= {
        str(attributes["aria-labelledby"])
        for _, attributes in busy.attributes
        if "aria-labelledby" in attributes
    }
    assert wanted - set(busy.ids) == set()


def test_every_drawing_has_a_name_or_is_hidden_and_every_plot_a_table(busy: Page) -> None:
    drawings = [attributes for tag, attributes in busy.attributes if tag == "svg"]
    assert drawings
    for attributes in drawings:
        named = attributes.get("role") == "img" and bool(attributes.get("aria-label"))
        assert named or attributes.get("aria-hidden") == "true"
    assert busy.html.count('class="plot"') == busy.html.count("<summary>The figures of this plot")
    assert all(attributes.get("scope") for tag, attributes in busy.attributes if tag == "th")


def hostile(value: Any, *, keep: frozenset[str]) -> Any:
    """The same records with every free text made as nasty as it gets."""
    if isinstance(value, tuple):
        return tuple(hostile(one, keep=keep) for one in value)
    if is_dataclass(value) and not isinstance(value, type):
        changed = {
            one.name: hostile(getattr(value, one.name), keep=keep)
            for one in fields(value)
            if one.name not in keep
        }
        return replace(value, **changed)
    return value + HOSTILE if type(value) is str else value


def test_hostile_text_shows_as_text_everywhere() -> None:
    codes = {
        "id",
        "verdict",
        "tier",
        "scope",
        "status",
        "time_zone",
        "units",
        "language",
        "better",
        "scale",
        "unit",
    }
    codes |= {
        "metrics",
        "links",
        "versions",
        "points",
        "detector",
        "family",
        "down_weighted",
        "evidence_flights",
    }
    # Codes are shown too when nobody has words for them, so causes, contexts and metrics stay hostile.
    nasty = hostile(busy_week(), keep=frozenset(codes - {"id"}))
    nasty = replace(
        nasty,
        versions={HOSTILE: HOSTILE},
        metrics={name: MetricWords(HOSTILE, "m", "lower") for name in (one.metric for one in nasty.findings)},
    )
    page = Page(html_of(nasty))
    plain_page = Page(html_of(busy_week()))
    assert page.problems == []
    assert page.tags["script"] == 0
    assert page.tags.keys() == plain_page.tags.keys()
    assert "<script>alert(1)</script>" in page.text
    assert "{{ 7*7 }}" in page.text and "49 }}" not in page.text
    assert "\u202e" not in page.html and "\x00" not in page.html and "\x1b" not in page.html
    assert page.html.count("\u2068") == page.html.count("\u2069") > 0
    page.html.encode("utf-8")


def test_imperial_shows_feet_and_no_metres() -> None:
    entry = compose_digest(replace(busy_week(), units="imperial")).worse.entries[0]
    # 6.08 m is 19.95 ft and 2.41 m is 7.91 ft (0.3048 m to the foot); half the likely range is 3.9 ft.
    assert entry.headline == "Altitude held within 20\u00a0ft instead of 8\u00a0ft in level flight"
    assert entry.rule is not None and entry.rule.unit == "ft"


def test_old_news_is_left_out_but_open_trouble_stays() -> None:
    later = replace(
        busy_week(),
        period_start=SUNDAY_EVENING + timedelta(hours=1),
        period_end=SUNDAY_EVENING + timedelta(days=7),
        now=SUNDAY_EVENING + timedelta(days=7),
    )
    page = compose_digest(later)
    assert len(page.worse.entries) == 2
    assert page.worse.entries[0].status == "still open, first noticed 14\u00a0Mar"
    assert page.better.entries == () and page.unchanged.rows == ()


def test_muted_is_counted_settled_is_shown_watch_is_not_called() -> None:
    week = busy_week()
    first = week.findings[0]
    muted = compose_digest(replace(week, findings=(replace(first, status="muted"),)))
    assert muted.worse.entries == () and "One finding is muted and not shown." in muted.colophon
    settled = compose_digest(replace(week, findings=(replace(first, status="resolved"),)))
    assert [line.text[-9:] for line in settled.better.settled] == [", settled"]
    watched = compose_digest(replace(week, findings=(replace(first, tier=Tier.WATCH),)))
    assert watched.worse.entries == () and watched.glance == ()
    (row,) = watched.too_early.rows
    assert row.lean == "leans worse"
    # it is settled by itself, so no number of further flights is promised
    assert "flight" not in row.forecast and "not sure enough among all" in row.forecast


def test_a_small_worsening_says_that_it_may_not_matter() -> None:
    week = busy_week()
    effect = week.findings[0].effect
    assert effect is not None
    small = replace(week.findings[0], effect=replace(effect, low=0.1, high=1.4, difference=0.7, after=3.1))
    (entry,) = compose_digest(replace(week, findings=(small,))).worse.entries
    assert any("not yet known to matter" in sentence for sentence in entry.size)


def test_large_plots_are_limited() -> None:
    week = busy_week()
    lead = week.findings[0]
    many = tuple(
        replace(lead, id=f"{lead.id}/{n}", opened_at=lead.opened_at - timedelta(minutes=n), change=None)
        for n in range(40)
    )
    page = compose_digest(replace(week, findings=many))
    assert sum(entry.trend is not None for entry in page.worse.entries) == MAX_PLOTS
    assert len(page.worse.entries) == 40


def test_attention_without_any_series_still_speaks() -> None:
    week = busy_week()
    hazard = next(one for one in week.findings if one.verdict is Verdict.ATTENTION)
    bare = replace(week, findings=(hazard,), series=())
    assert compose_digest(bare).needs_a_hand.entries[0].headline == "Time armed after landing on the ground"


def test_titles_come_from_the_detectors_descriptions() -> None:
    assert metric_words((SPEC,))["altitude_error_rms_m"].title == "Altitude error, root mean square"


def test_airframes_that_did_not_fly_are_named() -> None:
    row = AirframeRow("smew-09", "", 0, 0.0, None, None)
    page = compose_digest(replace(busy_week(), airframes=(*busy_week().airframes, row)))
    assert page.trends.idle == "Did not fly in this period: smew-08, smew-09."


def test_where_journal_and_logs_disagree_stands_with_the_work_done() -> None:
    week = busy_week()
    gaps = (
        RecordGap("not_in_journal", "tern-02", week.period_start, "parameters", "ALT_P", "0.35", "0.7"),
        RecordGap("not_in_journal", "tern-02", week.period_start, "parameters", "ALT_I", "0.4", "0.8"),
        RecordGap("not_in_logs", "heron-01", week.period_start, "firmware", "", "4.1", "4.2", flights=1),
    )
    section = compose_digest(replace(week, record_gaps=gaps)).work
    assert [(row.who.text, row.what) for row in section.gaps] == [
        (
            "heron-01",
            "Firmware 4.1 → 4.2. The journal says so, but 1 flight after it show no change.",
        ),
        (
            "tern-02",
            "Settings (ALT_P) 0.35 → 0.7; Settings (ALT_I) 0.4 → 0.8. This flight's log is the first to show "
            "it; nobody wrote it down.",
        ),
    ]
    quiet = replace(week, record_gaps=gaps, maintenance=())
    assert "Where the journal and the logs disagree" in html_of(quiet)
    assert "Work done" in Page(html_of(quiet)).headings
