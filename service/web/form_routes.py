"""What an engineer writes: answers to findings and work on airframes, by the commands' own functions."""

from __future__ import annotations

import secrets
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date

import duckdb
from flask import Flask, Response, abort, g, redirect, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from trimkeep.config.errors import JournalError, UsageError
from trimkeep.detectors.history.model import Finding
from trimkeep.reports.compose_forms import (
    ANSWERS,
    ENTRY_FIELDS,
    Said,
    compose_answer,
    compose_entry,
    field_words,
    say,
)
from trimkeep.reports.form_inputs import AnswerInput, EntryInput, FormState
from trimkeep.reports.form_views import FormPage
from trimkeep.reports.render import render_form
from trimkeep.service.airframe_names import airframe_names
from trimkeep.service.answers import Answer, give_answer
from trimkeep.service.card_thresholds import card_thresholds
from trimkeep.service.journal import record_work
from trimkeep.service.journal_table import KINDS, EntryText
from trimkeep.service.page_books import SPECS
from trimkeep.service.store.findings import load_findings
from trimkeep.service.store.forms import FormRepeated, SentForm, note_sent, said_before
from trimkeep.service.store.series import load_series
from trimkeep.service.web.shelf import named_by
from trimkeep.service.web.site import Site

LONGEST_TEXT = 2000
NUMBER_BYTES, LONGEST_NUMBER = 16, 100


@dataclass(frozen=True, slots=True)
class _Sheet:
    """One form: how to show it, and how to keep what was filled in, with the sentence that says so.

    A form with a number of its own is noted in the transaction that records it: `FormRepeated` says that it
    was taken before.
    """

    show: Callable[[FormState], FormPage]
    keep: Callable[[Mapping[str, str], SentForm | None], str]
    first: Mapping[str, str]


def add(app: Flask, site: Site) -> None:
    """Add the routes of the forms."""

    @app.route("/answer/<stem>", methods=["GET", "POST"], endpoint="answer")
    def answer(stem: str) -> AnyResponse:
        _engineers_only()
        findings = load_findings(site.store)
        wanted = named_by("finding", stem, (one.id for one in findings))
        if wanted is None:
            abort(404)
        finding = next(one for one in findings if one.id == wanted)
        return _handle(site, _answer_sheet(site, finding), stem)

    @app.route("/record/<stem>", methods=["GET", "POST"], endpoint="record")
    def record(stem: str) -> AnyResponse:
        _engineers_only()
        airframe = named_by("airframe", stem, airframe_names(site.store, site.fleet))
        if airframe is None:
            abort(404)
        return _handle(site, _entry_sheet(site, airframe), stem)


def _engineers_only() -> None:
    if not g.asker.account.role.may_write:
        abort(403)


def _handle(site: Site, sheet: _Sheet, stem: str) -> AnyResponse:
    """Show the form; or take it, and show it again with what is wrong with it."""
    back = url_for("page", name=f"{stem}.html")
    token = site.sessions.form_token(g.binding)
    if request.method != "POST":
        return Response(
            render_form(sheet.show(FormState(token, sheet.first, "", back, _number()))), mimetype="text/html"
        )
    given = {name: _clean(text) for name, text in request.form.items() if name not in ("token", "once")}
    # A program that sends a token does so on purpose; a browser sends its cookie whoever asks for it.
    by_browser = g.asker.session is not None
    if by_browser and not site.sessions.is_form_token(request.form.get("token", ""), g.binding):
        problem, status = say(site.setting(), Said.FORM_STALE), 403
    else:
        try:
            if any(len(text) > LONGEST_TEXT for text in given.values()):
                raise UsageError("is too long", subject="text", next_step="Say it in fewer words")
            said = _keep_once(site, sheet, given, request.form.get("once", ""))
        except (UsageError, JournalError) as error:
            problem, status = f"{_subject(site, error)}{error.message}. {error.next_step}.", 422
        else:
            site.refresher.soon()
            if not by_browser:
                return Response(f"{said}\n", 201, mimetype="text/plain")
            g.asker.session.notice = said
            return redirect(back, 303)
    if not by_browser:
        return Response(f"{problem}\n", status, mimetype="text/plain")
    page = sheet.show(FormState(token, given, problem, back, _number()))
    return Response(render_form(page), status, mimetype="text/html")


def _number() -> str:
    """A number that no other form has."""
    return secrets.token_urlsafe(NUMBER_BYTES)


def _keep_once(site: Site, sheet: _Sheet, given: Mapping[str, str], once: str) -> str:
    """Record what was filled in, or find that it was recorded: two clicks, or a browser that tried again.

    Whichever of two comes first is recorded; what the other finds changed by it (a row that is corrected
    already, say) must not be told as a fault.
    """
    form = SentForm(g.asker.account.name, request.path, once[:LONGEST_NUMBER], given) if once else None
    if form is None:
        return sheet.keep(given, None)
    before = said_before(site.store, form)
    if before is not None:
        return before
    try:
        return sheet.keep(given, form)
    except FormRepeated as repeated:
        return repeated.said
    except (UsageError, JournalError):
        before = said_before(site.store, form)
        if before is None:
            raise
        return before


def _subject(site: Site, error: UsageError | JournalError) -> str:
    """The field it is about, in the form's own words; errors of the journal name it themselves."""
    name = field_words(site.setting(), error.subject)
    return f"{name} " if name is not None else ""


def _clean(text: str) -> str:
    """Line breaks as one letter, no other control characters, no blanks around it."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(_plain_letter(one) for one in lines).strip()


def _plain_letter(letter: str) -> str:
    return letter if letter == "\n" or unicodedata.category(letter) != "Cc" else " "


def _answer_sheet(site: Site, finding: Finding) -> _Sheet:
    own = finding.airframes if finding.scope == "airframe" else ()
    series = load_series(site.store, SPECS, card_thresholds(site.fleet), own) if own else ()
    asked = AnswerInput(site.setting(), finding, series)

    def keep(given: Mapping[str, str], form: SentForm | None) -> str:
        status = next((one for one in ANSWERS if one == given.get("status")), None)
        if status is None:
            raise UsageError("is none of those", subject="status", next_step="Choose one")
        answer = Answer(status, g.asker.account.name, given.get("reason", ""), _day(given.get("until", "")))
        said, now = say(asked.setting, Said.ANSWER_SAVED), site.clock()

        def note(connection: duckdb.DuckDBPyConnection) -> None:
            if form is not None:
                note_sent(connection, form, said, now)

        give_answer(site.store, site.fleet, finding.id, answer, now, alongside=note)
        return said

    return _Sheet(lambda state: compose_answer(asked, state), keep, {"status": ANSWERS[0]})


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise UsageError("is no day", subject="until", next_step="Write it as 2026-03-14") from error


def _entry_sheet(site: Site, airframe: str) -> _Sheet:
    asked = EntryInput(site.setting(), airframe, KINDS, site.fleet.settings.maintenance.required)

    def keep(given: Mapping[str, str], form: SentForm | None) -> str:
        if given.get("kind", "") not in KINDS:
            raise UsageError("is not chosen", subject="kind", next_step="Choose a kind of work")
        entry = _entry(given, recorded_by=g.asker.account.name)
        replaces = _row(given.get("replaces", ""))
        now = site.clock()

        def note(connection: duckdb.DuckDBPyConnection, row: int) -> None:
            if form is not None:
                note_sent(connection, form, say(asked.setting, Said.ENTRY_SAVED, row=row), now)

        row = record_work(site.store, site.fleet, airframe, entry, now, replaces=replaces, alongside=note)
        return say(asked.setting, Said.ENTRY_SAVED, row=row)

    return _Sheet(lambda state: compose_entry(asked, state), keep, {"done_by": g.asker.account.name})


def _entry(given: Mapping[str, str], recorded_by: str) -> EntryText:
    """What was filled in, with who did so, who need not have done the work: the chain names both."""
    known = {name: given.get(name, "") for name, _ in ENTRY_FIELDS}
    day, clock = known["done_on"], known["done_time"]
    further = {name: known[name] for name in ("approved_by", "certificate", "reference", "flight_hours")}
    further["recorded_by"] = recorded_by
    return EntryText(
        done_at=f"{day}T{clock}" if day and clock else day,
        kind=known["kind"],
        part=known["part"],
        before=known["before"],
        after=known["after"],
        done_by=known["done_by"],
        note=known["note"],
        extra=tuple(sorted((name, text) for name, text in further.items() if text)),
    )


def _row(text: str) -> int | None:
    if not text:
        return None
    if text.isascii() and text.isdigit() and len(text) < 10:
        return int(text)
    raise UsageError("is no row's number", subject="replaces", next_step="Leave it empty for new work")
