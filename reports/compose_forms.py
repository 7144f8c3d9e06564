"""Forms, notices and the line on top of a served page, as views."""

from __future__ import annotations

from collections.abc import Collection
from enum import StrEnum

from trimkeep.detectors.history.model import Status
from trimkeep.reports.entries import headline
from trimkeep.reports.foreign import plain
from trimkeep.reports.form_inputs import AnswerInput, DeskInput, EntryInput, FormState
from trimkeep.reports.form_views import DeskLine, FieldKind, FormField, FormOption, FormPage, NoticePage
from trimkeep.reports.page_inputs import Setting
from trimkeep.reports.page_views import PageHead
from trimkeep.reports.teller import capital, make_teller
from trimkeep.reports.views import Link
from trimkeep.reports.wording import Words, load_words

ANSWERS: tuple[Status, ...] = ("acknowledged", "muted", "resolved", "open")
# Fields of an entry in the order a person fills them in, with how.
ENTRY_FIELDS: tuple[tuple[str, FieldKind], ...] = (
    ("kind", "select"),
    ("part", "text"),
    ("before", "text"),
    ("after", "text"),
    ("done_on", "date"),
    ("done_time", "time"),
    ("done_by", "text"),
    ("approved_by", "text"),
    ("certificate", "text"),
    ("reference", "text"),
    ("flight_hours", "text"),
    ("note", "area"),
    ("replaces", "text"),
)


class Said(StrEnum):
    """What is said back to somebody who sent a form: keys of the catalogue's sentences."""

    LOGIN_WRONG = "login_wrong"
    LOGIN_WAIT = "login_wait"
    LOGIN_WAIT_ONE = "login_wait_one"
    FORM_STALE = "form_stale"
    ANSWER_SAVED = "answer_saved"
    ENTRY_SAVED = "entry_saved"


def say(setting: Setting, what: Said, **values: object) -> str:
    """One of these sentences."""
    return load_words(setting.language).sentence(what, **values)


def field_words(setting: Setting, name: str) -> str | None:
    """What a form calls a field; None for what is no field of a form."""
    words = load_words(setting.language)
    return words.code("form_field", name) if words.knows("form_field", name) else None


def compose_login(setting: Setting, state: FormState) -> FormPage:
    """Name and password."""
    words = load_words(setting.language)
    fields = (
        _field(words, "name", "text", state, needed=True, fills="username"),
        _field(words, "password", "password", state, needed=True, fills="current-password"),
    )
    return FormPage(
        head=_head(setting, words, words.text("log_in")),
        lead=(),
        problem=plain(state.problem),
        fields=fields,
        token=state.token,
        once=state.once,
        button=words.text("log_in"),
        back=_back(state, words),
    )


def compose_account(setting: Setting, state: FormState, name: str, role: str) -> FormPage:
    """Who is logged in, with a button that ends it."""
    words = load_words(setting.language)
    return FormPage(
        head=_head(setting, words, words.text("your_login")),
        lead=(words.sentence("logged_in_as", name=plain(name), role=words.code("role", role)),),
        problem=plain(state.problem),
        fields=(),
        token=state.token,
        once=state.once,
        button=words.text("log_out"),
        back=_back(state, words),
    )


def compose_answer(given: AnswerInput, state: FormState) -> FormPage:
    """A person's answer to a finding."""
    setting, finding = given.setting, given.finding
    teller = make_teller(
        language=setting.language,
        units=setting.units,
        time_zone=setting.time_zone,
        metrics=setting.metrics,
        links=setting.links,
        series=given.series,
    )
    words = teller.words
    names = ", ".join(plain(name) for name in finding.airframes)
    said = words.sentence("answer_about", airframes=names, headline=headline(finding, teller))
    stands = words.text("still_open") if finding.status == "open" else words.text(finding.status)
    options = tuple(FormOption(code, words.code("answer", code)) for code in ANSWERS)
    fields = (
        _field(words, "status", "choice", state, needed=True, options=options),
        _field(words, "reason", "area", state, needed=True),
        _field(words, "until", "date", state),
    )
    return FormPage(
        head=_head(setting, words, words.text("answer_finding")),
        lead=(said, capital(teller.since(finding)), words.sentence("answer_stands", status=stands)),
        problem=plain(state.problem),
        fields=fields,
        token=state.token,
        once=state.once,
        button=words.text("save_answer"),
        back=_back(state, words),
    )


def compose_entry(given: EntryInput, state: FormState) -> FormPage:
    """One piece of work on an airframe."""
    words = load_words(given.setting.language)
    needed = _needed(given.required)
    kinds = tuple(FormOption(code, capital(words.code("change_kind", code))) for code in given.kinds)
    fields = tuple(
        _field(
            words,
            name,
            kind,
            state,
            needed=name in needed,
            options=(FormOption("", words.text("choose")), *kinds) if kind == "select" else (),
        )
        for name, kind in ENTRY_FIELDS
    )
    return FormPage(
        head=_head(given.setting, words, words.text("record_work"), aside=plain(given.airframe)),
        lead=(words.sentence("entry_lead"),),
        problem=plain(state.problem),
        fields=fields,
        token=state.token,
        once=state.once,
        button=words.text("save_entry"),
        back=_back(state, words),
    )


def _needed(required: Collection[str]) -> set[str]:
    """Fields that may not be empty. A description can be given in several; it is asked for when sent."""
    return {"kind", "done_on", *required} - {"description", "done_at"}


def compose_notice(setting: Setting, code: str, back: str | None) -> NoticePage:
    """A sentence in the place of what was asked for; `code` is a key of the catalogue's `notice`."""
    words = load_words(setting.language)
    head = _head(setting, words, words.code("notice_title", code), back=back)
    return NoticePage(head, words.code("notice", code))


def compose_desk(given: DeskInput) -> DeskLine:
    """The line on top of a page."""
    words = load_words(given.language)
    who = (
        words.sentence("who_and_role", name=plain(given.name), role=words.code("role", given.role))
        if given.account
        else ""
    )
    links = (
        (words.text("back_to_board"), given.home),
        (words.text("newest_digest"), given.digest),
        (words.text("answer_finding"), given.answer),
        (words.text("record_work"), given.record),
        (words.text("log_in"), given.login),
        (who, given.account),
    )
    return DeskLine(
        label=words.text("desk"),
        links=tuple(Link(text, href) for text, href in links if href is not None),
        notice=plain(given.notice),
    )


def _field(
    words: Words,
    name: str,
    kind: FieldKind,
    state: FormState,
    *,
    needed: bool = False,
    fills: str = "off",
    options: tuple[FormOption, ...] = (),
) -> FormField:
    return FormField(
        name=name,
        kind=kind,
        label=words.code("form_field", name),
        hint=words.code("form_hint", name) if words.knows("form_hint", name) else "",
        # A password that was wrong is not sent back.
        given="" if kind == "password" else state.given.get(name, ""),
        needed=needed,
        fills=fills,
        options=options,
    )


def _head(
    setting: Setting, words: Words, heading: str, *, aside: str = "", back: str | None = None
) -> PageHead:
    trail = (Link(words.text("back_to_board"), back),) if back is not None else ()
    return PageHead(
        language=str(words.table["page"]["language"]),
        direction=str(words.table["page"]["direction"]),
        title=words.sentence("title_form", heading=heading, fleet=plain(setting.fleet_name)),
        trail=trail,
        heading=heading,
        aside=aside,
        counts=plain(setting.fleet_name),
        colophon=(),
    )


def _back(state: FormState, words: Words) -> Link | None:
    return None if state.back is None else Link(words.text("back_unsaved"), state.back)
