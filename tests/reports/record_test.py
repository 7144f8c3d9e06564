"""The printable maintenance record: nothing left out, everything that was said and by whom."""

from __future__ import annotations

import re
from dataclasses import replace

from tests.reports.digest_test import HOSTILE, hostile
from tests.reports.page_reading import Page
from tests.reports.record_examples import record
from trimkeep.reports.compose_record import compose_record
from trimkeep.reports.render import render_record


def test_the_page_is_one_well_formed_file() -> None:
    page = Page(render_record(compose_record(record())))
    assert page.problems == []
    assert page.tags["script"] == page.tags["img"] == 0
    assert not re.search(r"https?://", page.html)
    assert page.headings == [
        "Work done",
        "Where the journal and the logs disagree",
        "What it consists of at the end of the period",
        "What was said of findings",
        "Flights and logs",
        "The chain",
        "Signed off",
    ]


def test_every_entry_says_who_what_and_whether_it_stands() -> None:
    old, servo, battery, inspection = compose_record(record()).work
    assert servo.what == "Elevator servo serial 17 → serial 93"
    assert [(one.label, one.text) for one in servo.people] == [
        ("Done by", "R. Vale"),
        ("Approved by", "M. Orchard"),
        ("Total hours", "31.5"),
        ("Place", "hangar 2"),
    ]
    assert (old.standing, servo.standing, battery.standing) == (
        "superseded by a later row",
        "",
        "withdrawn",
    )
    assert inspection.missing == "A maintenance record must also hold: who did it."
    assert servo.mark == "ab" * 8


def test_logs_are_listed_with_the_hash_of_the_whole_file() -> None:
    rows = compose_record(record()).logs
    assert [(row.file, row.outcome, row.mark) for row in rows] == [
        ("heron-01/a.tlog", "", "cd" * 32),
        ("heron-01/bench.tlog", "without a flight", "ef" * 32),
    ]


def test_the_head_stands_whole_and_as_the_command_takes_it() -> None:
    page = compose_record(record())
    assert page.full_head == "12" * 32
    assert page.chain[1].startswith(f"To verify: trimkeep audit verify FLEET --head {'12' * 8}.")


def test_what_nobody_wrote_down_says_so() -> None:
    fitted = {row.thing: row.by_whom for row in compose_record(record()).fitted}
    assert fitted["PITCH_GAIN"] == "seen in the logs, not in the journal"
    assert fitted["ROLL_GAIN"] == ""


def test_an_empty_period_says_so() -> None:
    bare = replace(record(), work=(), gaps=(), fitted=(), flights=(), logs=(), answers=())
    page = Page(render_record(compose_record(bare)))
    assert page.headings == ["Work done", "The chain", "Signed off"]
    assert "No work is recorded in this period." in page.html


def test_hostile_text_shows_as_text() -> None:
    codes = frozenset({"time_zone", "units", "language", "metrics", "links", "versions", "code", "status"})
    nasty = hostile(replace(record(), work=tuple(replace(w, further={}) for w in record().work)), keep=codes)
    html = render_record(compose_record(nasty))
    assert "<script" not in html
    assert "alert(1)" in html
    assert Page(html).problems == []
    assert HOSTILE not in html
