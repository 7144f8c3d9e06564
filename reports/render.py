"""Views to HTML: one self-contained file per page, same view, same bytes."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, TemplateError
from markupsafe import Markup

from trimkeep.config.errors import ReportError
from trimkeep.reports import drawings, plots
from trimkeep.reports.palette import css_variables
from trimkeep.reports.teller import capital
from trimkeep.reports.views import DigestPage, TrendView
from trimkeep.reports.wording import Words, load_words


def render_digest(page: DigestPage) -> str:
    """The digest as one HTML document: nothing is fetched, no script is needed.

    Raises
    ------
    ReportError
        A template and the view disagree.
    """
    return render_page("digest.html", page, page.language)


def render_page(template: str, page: object, language: str) -> str:
    """A view through its template."""
    words = load_words(language)
    environment = _environment()
    try:
        return environment.get_template(template).render(
            page=page, words=words, style=_stylesheet(), draw_trend=_trend_drawer(words)
        )
    except TemplateError as error:
        raise ReportError(
            f"the page could not be made ({error})", subject=template, next_step="please report this"
        ) from error


def _trend_drawer(words: Words) -> Any:
    def draw(view: TrendView) -> Markup:
        return plots.trend_svg(view, words.text("flight_axis"))

    return draw


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("trimkeep.reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        begin=capital,
        mark=drawings.mark,
        tally=drawings.tally,
        rule=drawings.rule,
        spark=drawings.spark,
        bar=drawings.bar,
    )
    return environment


@cache
def _stylesheet() -> Markup:
    """Palette and house style; our own text, so it goes in unescaped."""
    sheet = (resources.files("trimkeep.reports") / "styles" / "ledger.css").read_text(encoding="utf-8")
    return Markup(css_variables() + "\n" + sheet)
