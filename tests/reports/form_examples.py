"""Forms, a notice and the line on top of a page, filled with invented things."""

from __future__ import annotations

from tests.reports import page_examples
from trimkeep.reports.compose_forms import (
    compose_account,
    compose_answer,
    compose_desk,
    compose_entry,
    compose_login,
    compose_notice,
)
from trimkeep.reports.compose_pages import compose_board
from trimkeep.reports.form_inputs import AnswerInput, DeskInput, EntryInput, FormState
from trimkeep.reports.form_views import FormPage
from trimkeep.reports.render import desk_style, render_board, render_desk, render_form, render_notice

KINDS = ("firmware", "servo", "linkage", "inspection")
NAMES = ["answer form", "entry form", "served board"]
PROBLEM = "Muted until is not in the future. Give a later day."


def state(problem: str = "", **given: str) -> FormState:
    """A form with a token, as it comes back when it was not taken."""
    return FormState("ab" * 32, given, problem, "../pages/board.html")


def forms(problem: str = "", **given: str) -> dict[str, FormPage]:
    """Every form with the same things filled in."""
    setting, found = page_examples.setting(), page_examples.finding()
    sent = state(problem, **given)
    return {
        "login form": compose_login(setting, sent),
        "account form": compose_account(setting, sent, "R. Vale", "engineer"),
        "answer form": compose_answer(AnswerInput(setting, found.finding, found.series), sent),
        "entry form": compose_entry(EntryInput(setting, "heron-01", KINDS, ("done_by", "approved_by")), sent),
    }


def served(html: str, notice: str = "Your answer is recorded.") -> str:
    """A page with the line on top, as `service.web` puts it there."""
    given = DeskInput("../", "../latest.html", "a", "b", None, "c", "R. Vale", "engineer", notice)
    desk = render_desk(compose_desk(given), "en")
    return html.replace("</head>", f"<style>{desk_style()}</style></head>").replace("<body>", f"<body>{desk}")


def pages() -> dict[str, str]:
    """Every form, a notice and a page with the line on top."""
    told = forms(PROBLEM, status="muted", reason="windy", part="elevator servo")
    return {
        **{name: render_form(page) for name, page in told.items()},
        "notice": render_notice(compose_notice(page_examples.setting(), "not_found", "../")),
        "served board": served(render_board(compose_board(page_examples.board()))),
    }
