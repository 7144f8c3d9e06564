"""Views of what is served only: forms, short notices, and the line on top of each page."""

# ruff: noqa: RUF009 - `shown` only makes a field with its meaning; it holds no state.

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from trimkeep.reports.page_views import PageHead
from trimkeep.reports.views import Link, shown

FieldKind = Literal["text", "password", "date", "time", "area", "select", "choice"]


@dataclass(frozen=True, slots=True)
class FormOption:
    """One of several things to choose from."""

    code: str = shown("what is sent when it is chosen")
    words: str = shown("what is read")


@dataclass(frozen=True, slots=True)
class FormField:
    """One thing to fill in."""

    name: str = shown("under which it is sent")
    kind: FieldKind = shown("how it is filled in")
    label: str = shown("what it asks for")
    hint: str = shown("how to answer, may be empty")
    given: str = shown("what stands in it at first")
    needed: bool = shown("whether it may not be left empty")
    fills: str = shown("what the browser may fill in by itself, a token of HTML's `autocomplete`")
    options: tuple[FormOption, ...] = shown("what to choose from, for select and choice")


@dataclass(frozen=True, slots=True)
class FormPage:
    """A form to fill in and send."""

    head: PageHead = shown("top of the page")
    lead: tuple[str, ...] = shown("what it is about, a paragraph each")
    problem: str = shown("why what was sent was not taken, else an empty text")
    fields: tuple[FormField, ...] = shown("what to fill in, in order")
    token: str = shown("shows that the form came from this service to this browser")
    once: str = shown("number of this one form, so that sending it twice records once; may be empty")
    button: str = shown("words on the button that sends it")
    back: Link | None = shown("the way out without sending")


@dataclass(frozen=True, slots=True)
class NoticePage:
    """A sentence in the place of what was asked for."""

    head: PageHead = shown("top of the page")
    line: str = shown("why it is not shown")


@dataclass(frozen=True, slots=True)
class DeskLine:
    """The line on top of a served page."""

    label: str = shown("what it is, for screen readers")
    links: tuple[Link, ...] = shown("what can be done from this page")
    notice: str = shown("what was just done, may be empty")
