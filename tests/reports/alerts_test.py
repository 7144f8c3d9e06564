"""The words of an alert."""

from __future__ import annotations

from dataclasses import replace

from tests.reports.examples import busy_week
from tests.reports.page_examples import setting
from tests.reports.page_reading import Page
from trimkeep.detectors.history.model import Verdict
from trimkeep.reports.alerts import compose_alert


def test_an_alert_says_what_why_and_what_next() -> None:
    week = busy_week()
    alert = compose_alert(week.findings[0], setting(), series=week.series, changes=week.changes)
    assert (
        alert.subject
        == "heron-01 worse: Altitude held within 6.1\u00a0m instead of 2.4\u00a0m in level flight"
    )
    for part in (alert.text, Page(alert.html).text.replace(".", ".")):
        assert "Since firmware 4.2.1 → 4.3.0" in part
        assert "Control gains too high or too low" in part
        assert "propellers off" in part.lower() and "person responsible for airworthiness" in part
    ((name, picture),) = alert.images
    assert f"cid:{name}" in alert.html and picture.startswith(b"\x89PNG")
    assert Page(alert.html).problems == []


def test_a_hazard_needs_no_history() -> None:
    hazard = next(one for one in busy_week().findings if one.verdict is Verdict.ATTENTION)
    alert = compose_alert(hazard, setting())
    assert alert.images == () and "<img" not in alert.html
    assert alert.subject.startswith("knot-07 needs a hand: ")


def test_a_hostile_name_stays_text_and_the_subject_one_line() -> None:
    week = busy_week()
    name = 'heron\r\nBcc: someone <script>"'
    alert = compose_alert(replace(week.findings[0], airframes=(name,)), setting())
    assert "\n" not in alert.subject and "\r" not in alert.subject
    assert "<script" not in alert.html
    assert len(compose_alert(replace(week.findings[0], airframes=("x" * 999,)), setting()).subject) <= 150


def test_same_input_same_bytes() -> None:
    week = busy_week()
    first, second = (compose_alert(week.findings[0], setting(), series=week.series) for _ in range(2))
    assert first == second
