"""Views to HTML: one self-contained file per page, same view, same bytes."""

from __future__ import annotations

from functools import cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined, TemplateError
from markupsafe import Markup

from trimkeep.config.errors import ReportError
from trimkeep.reports import drawings, plots
from trimkeep.reports.form_views import DeskLine, FormPage, NoticePage
from trimkeep.reports.page_views import AirframePage, BoardPage, FindingPage, FlightPage, GonePage
from trimkeep.reports.palette import LIGHT, css_variables
from trimkeep.reports.record_views import RecordPage
from trimkeep.reports.teller import capital
from trimkeep.reports.views import DigestPage
from trimkeep.reports.wording import load_words


def render_digest(page: DigestPage) -> str:
    """The digest as one HTML document: nothing is fetched, no script is needed.

    Raises
    ------
    ReportError
        A template and the view disagree.
    """
    return render_page("digest.html", page, page.language)


def render_board(page: BoardPage) -> str:
    """The fleet board as one HTML document. Errors as `render_digest`."""
    return render_page("board.html", page, page.head.language)


def render_airframe(page: AirframePage) -> str:
    """An airframe's page as one HTML document. Errors as `render_digest`."""
    return render_page("airframe.html", page, page.head.language)


def render_finding(page: FindingPage) -> str:
    """A finding's page as one HTML document. Errors as `render_digest`."""
    return render_page("finding.html", page, page.head.language)


def render_inspect(page: FlightPage) -> str:
    """A flight's page as one HTML document. Errors as `render_digest`."""
    return render_page("flight.html", page, page.head.language)


def render_gone(page: GonePage) -> str:
    """The page in the place of one that is no longer kept. Errors as `render_digest`."""
    return render_page("gone.html", page, page.head.language)


def render_record(page: RecordPage) -> str:
    """A maintenance record as one HTML document. Errors as `render_digest`."""
    return render_page("record.html", page, page.head.language)


def render_form(page: FormPage) -> str:
    """A form as one HTML document. Errors as `render_digest`."""
    return render_page("form.html", page, page.head.language, extra_style=desk_style())


def render_notice(page: NoticePage) -> str:
    """A notice as one HTML document. Errors as `render_digest`."""
    return render_page("notice.html", page, page.head.language)


def render_desk(line: DeskLine, language: str) -> str:
    """The line on top of a served page, to be put into its body; `desk_style` goes into its head."""
    return render_page("desk.html", line, language)


def render_page(template: str, page: object, language: str, *, extra_style: str = "") -> str:
    """A view through its template; `extra_style` is our own, and goes in unescaped."""
    words = load_words(language)
    environment = _environment()
    try:
        return environment.get_template(template).render(
            page=page,
            words=words,
            style=_stylesheet() + Markup(extra_style),
            draw_trend=lambda view: plots.trend_svg(view, words.text("flight_axis")),
            draw_trace=lambda view: plots.trace_svg(view, words.text("seconds_axis"), words.text("asked")),
            draw_spectrum=lambda view: plots.spectrum_svg(view, words.text("frequency")),
        )
    except TemplateError as error:
        raise ReportError(
            f"the page could not be made ({error})", subject=template, next_step="please report this"
        ) from error


def render_fragment(template: str, page: object, language: str) -> str:
    """A view for mail readers, which know no stylesheets: colours are written into the elements."""
    try:
        return (
            _environment().get_template(template).render(page=page, words=load_words(language), colours=LIGHT)
        )
    except TemplateError as error:
        raise ReportError(
            f"the mail could not be made ({error})", subject=template, next_step="please report this"
        ) from error


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
    return Markup(css_variables() + "\n" + _sheet("ledger.css"))


@cache
def desk_style() -> str:
    """Style of what is served only; pages on disk do without."""
    return _sheet("desk.css")


def _sheet(name: str) -> str:
    return (resources.files("trimkeep.reports") / "styles" / name).read_text(encoding="utf-8")
