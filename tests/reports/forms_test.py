"""Forms: well formed, every field labelled, what was filled in comes back as text."""

from __future__ import annotations

import re

import pytest

from tests.reports import form_examples, page_examples
from tests.reports.digest_test import HOSTILE
from tests.reports.page_reading import Page
from trimkeep.reports.compose_forms import ENTRY_FIELDS, compose_desk, compose_notice
from trimkeep.reports.form_inputs import DeskInput
from trimkeep.reports.render import render_desk, render_form
from trimkeep.reports.wording import load_words

WORDS = load_words()
NICE = HOSTILE.replace("\ud800", "")


@pytest.mark.parametrize("name", sorted(form_examples.pages()))
def test_a_page_is_well_formed_and_fetches_nothing(name: str) -> None:
    page = Page(form_examples.pages()[name])
    assert page.problems == []
    assert page.tags["script"] == page.tags["img"] == 0
    assert len(page.ids) == len(set(page.ids))
    assert "://" not in page.html.replace("http://www.w3.org/", "")


@pytest.mark.parametrize("name", sorted(form_examples.forms()))
def test_every_field_has_a_label_and_its_hint(name: str) -> None:
    page = Page(render_form(form_examples.forms()[name]))
    labelled = {given["for"] for tag, given in page.attributes if tag == "label" and "for" in given}
    for tag, given in page.attributes:
        if tag in ("input", "select", "textarea") and given.get("type") not in ("hidden", "radio"):
            assert given["id"] in labelled
            assert given.get("aria-describedby", given["id"]) in page.ids
    assert 'name="token" value="' + "ab" * 32 in page.html
    assert "form-action 'self'" in page.html


def test_what_was_filled_in_comes_back_as_text() -> None:
    names = ("name", "reason", "part", "note", "until", "status", "kind")
    hostile = dict.fromkeys(names, NICE)
    plain = form_examples.forms("", **dict.fromkeys(names, "x"))
    for name, form in form_examples.forms(f"</p>{NICE}", **hostile).items():
        page, usual = Page(render_form(form)), Page(render_form(plain[name]))
        assert page.problems == []
        page.tags["p"] -= 1
        page.tags["strong"] -= 1
        page.tags["bdi"] -= 1
        assert +page.tags == +usual.tags
        # A message is not a field: what could turn its sentence inside out is shown as a sign.
        assert "\u202e" not in form.problem


def test_a_wrong_password_is_not_sent_back() -> None:
    form = form_examples.forms("wrong", name="Ann", password="seven quiet herons")["login form"]
    html = render_form(form)
    assert "seven quiet herons" not in html and 'value="Ann"' in html


def test_what_a_record_must_hold_is_asked_for() -> None:
    page = Page(render_form(form_examples.forms()["entry form"]))
    needed = {given["name"] for _, given in page.attributes if "required" in given}
    assert needed == {"kind", "done_on", "done_by", "approved_by"}
    sent = [given["name"] for _, given in page.attributes if given.get("name") not in (None, "token")]
    assert [name for name in sent if name not in ("viewport", "referrer")] == [
        name for name, _ in ENTRY_FIELDS
    ]


def test_an_answer_shows_the_finding_and_how_it_stands() -> None:
    form = form_examples.forms()["answer form"]
    finding = page_examples.finding().finding
    assert form.lead[0].startswith(finding.airframes[0])
    assert re.search(r"stands as: \w", form.lead[2])


def test_every_field_and_notice_has_words() -> None:
    for form in form_examples.forms().values():
        assert [one.name for one in form.fields if not WORDS.knows("form_field", one.name)] == []
    assert set(WORDS.table["notice"]) == set(WORDS.table["notice_title"])
    for code in WORDS.table["notice"]:
        assert compose_notice(page_examples.setting(), code, None).line


def test_the_line_on_top_shows_only_what_can_be_done() -> None:
    line = compose_desk(DeskInput(home="/", login="/login"))
    assert [(one.text, one.href) for one in line.links] == [("All airframes", "/"), ("Log in", "/login")]
    html = render_desk(compose_desk(DeskInput(account="/a", name=NICE, role="reader", notice=NICE)), "en")
    page = Page(html)
    assert page.problems == [] and page.tags["script"] == 0 and "\u202e" not in page.text
