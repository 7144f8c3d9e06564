"""Large plots, drawn by matplotlib as SVG for pages and PNG for mail.

Same input, same bytes: no date is written, ids are made from the plot's own name, and text stays
text so that it can be read aloud, searched and set in the reader's font.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

import matplotlib
from markupsafe import Markup, escape
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from trimkeep.reports.page_views import SpectrumView, TraceView
from trimkeep.reports.palette import LIGHT, follow_the_page, verdict_colour
from trimkeep.reports.views import TrendPoint, TrendView

WIDTH_IN, HEIGHT_IN = 4.7, 2.5
TRACE_WIDTH_IN, TRACE_HEIGHT_IN = 4.2, 2.1
POINT_SIZE = 3.8
MAX_DATES = 5


@contextmanager
def house_style(key: str) -> Iterator[None]:
    """matplotlib in the house style; `key` makes the ids of one plot its own."""
    settings: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": key,
        "text.parse_math": False,
        "font.size": 9,
        "font.family": "sans-serif",
        "axes.linewidth": 0.7,
        "axes.edgecolor": LIGHT.soft,
        "axes.labelcolor": LIGHT.soft,
        "text.color": LIGHT.ink,
        "xtick.color": LIGHT.soft,
        "ytick.color": LIGHT.soft,
        "xtick.direction": "in",
        "ytick.direction": "in",
    }
    with matplotlib.rc_context(settings), warnings.catch_warnings():
        # Text is set by the reader's own fonts; what the measuring font lacks is no news.
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        yield


def trend_figure(view: TrendView, flight_axis: str) -> Figure:
    """The plot of a trend: flights as points with uncertainty, changes as numbered balloons, levels."""
    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), facecolor="none")
    axes = figure.add_axes((0.115, 0.185, 0.875, 0.66), facecolor="none")
    colour = verdict_colour(view.verdict)
    turn = _turning_order(view)
    _draw_levels(axes, view, colour)
    for point_set, style in (
        ([point for point in view.points if turn is not None and point.order < turn], "old"),
        ([point for point in view.points if turn is None or point.order >= turn], "new"),
    ):
        _draw_points(axes, [point for point in point_set if not point.odd], colour, style)
        _draw_odd(axes, [point for point in point_set if point.odd])
    _draw_marks(axes, view)
    _dress(axes, view, flight_axis)
    return figure


def _turning_order(view: TrendView) -> int | None:
    cited = [mark.order for mark in view.marks if mark.cited]
    if cited:
        return cited[0]
    return view.levels[-1].first if len(view.levels) > 1 else None


def _draw_levels(axes: Axes, view: TrendView, colour: str) -> None:
    for place, level in enumerate(view.levels):
        is_after = place == len(view.levels) - 1 and len(view.levels) > 1
        shade = colour if is_after else LIGHT.soft
        left, right = level.first - 0.4, level.last + 0.4
        if level.high > level.low:
            axes.fill_between([left, right], level.low, level.high, color=shade, alpha=0.16, linewidth=0)
        style = "-" if is_after else (0, (5, 2))
        axes.plot([left, right], [level.level, level.level], color=shade, linewidth=1.8, linestyle=style)


def _draw_points(axes: Axes, points: list[TrendPoint], colour: str, style: str) -> None:
    if not points:
        return
    shade = LIGHT.soft if style == "old" else colour
    axes.errorbar(
        [point.order for point in points],
        [point.value for point in points],
        yerr=[point.error for point in points],
        fmt="o",
        markersize=POINT_SIZE,
        markerfacecolor=LIGHT.paper if style == "old" else shade,
        markeredgecolor=shade,
        markeredgewidth=1.1,
        ecolor=shade,
        elinewidth=0.8,
    )


def _draw_odd(axes: Axes, points: list[TrendPoint]) -> None:
    if points:
        axes.plot(
            [point.order for point in points],
            [point.value for point in points],
            linestyle="none",
            marker="x",
            markersize=POINT_SIZE + 1.5,
            color=LIGHT.ink,
        )


def _draw_marks(axes: Axes, view: TrendView) -> None:
    """Changes as a plumb line with a numbered balloon on top, as on a workshop drawing."""
    for mark in view.marks:
        x = mark.order - 0.5
        strong = LIGHT.ink if mark.cited else LIGHT.soft
        axes.axvline(x, color=strong, linewidth=0.9, linestyle=(0, (1, 2)))
        axes.annotate(
            str(mark.number),
            (x, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 9),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=8.5,
            color=LIGHT.paper if mark.cited else LIGHT.ink,
            annotation_clip=False,
            bbox={
                "boxstyle": "circle,pad=0.28",
                "facecolor": LIGHT.ink if mark.cited else LIGHT.paper,
                "edgecolor": strong,
                "linewidth": 0.8,
            },
        )


def _dress(axes: Axes, view: TrendView, flight_axis: str) -> None:
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.set_title(view.axis, loc="left", fontsize=9, color=LIGHT.soft, pad=19, x=-0.125)
    axes.set_xlabel(flight_axis, fontsize=8.5, labelpad=2)
    orders = [point.order for point in view.points]
    axes.set_xlim(min(orders) - 1.0, max(orders) + 1.0)
    if all(point.value >= 0.0 for point in view.points):
        axes.set_ylim(bottom=0.0)
    chosen = _spread(view.points, MAX_DATES)
    axes.set_xticks([point.order for point in chosen], [point.day_text for point in chosen])
    axes.tick_params(axis="x", which="major", length=5)
    # One small tick a flight, as one line of markers: a tick object each took half of the drawing's time.
    foot = axes.get_xaxis_transform()
    axes.plot(
        orders,
        [0.0] * len(orders),
        linestyle="none",
        marker="|",
        markersize=5,
        markeredgewidth=0.6,
        color=LIGHT.soft,
        transform=foot,
    )
    axes.yaxis.set_major_locator(matplotlib.ticker.MaxNLocator(4))
    axes.grid(axis="y", color=LIGHT.hairline, linewidth=0.7)
    axes.set_axisbelow(True)


def _spread(points: tuple[TrendPoint, ...], most: int) -> list[TrendPoint]:
    count = min(most, len(points))
    if count < 2:
        return list(points)
    return [points[round(place * (len(points) - 1) / (count - 1))] for place in range(count)]


# A finding's trend stands in the digest, on its own page and on its airframe's.
@lru_cache(maxsize=256)
def trend_svg(view: TrendView, flight_axis: str) -> Markup:
    """The trend as inline SVG that follows the page's colours."""
    with house_style(view.key):
        return inline_svg(trend_figure(view, flight_axis), title=view.title, description=view.description)


def trend_png(view: TrendView, flight_axis: str, dpi: float = 144.0) -> bytes:
    """The trend as PNG on paper ground, for mail."""
    with house_style(view.key):
        figure = trend_figure(view, flight_axis)
        figure.set_facecolor(LIGHT.paper)
        buffer = io.BytesIO()
        FigureCanvasAgg(figure).print_figure(buffer, format="png", dpi=dpi, metadata={"Software": None})
        return buffer.getvalue()


def trace_svg(view: TraceView, time_axis: str, asked: str) -> Markup:
    """One trace as inline SVG: what was measured in full ink, what was asked for dotted, brackets below."""
    with house_style(view.key):
        figure = Figure(figsize=(TRACE_WIDTH_IN, TRACE_HEIGHT_IN), facecolor="none")
        axes = figure.add_axes((0.13, 0.21, 0.85, 0.66), facecolor="none")
        colour = verdict_colour(view.verdict) if view.verdict else LIGHT.ink
        if view.asked is not None:
            axes.plot(view.time_s, view.asked, color=LIGHT.soft, linewidth=1.1, linestyle=(0, (1, 1.6)))
            axes.annotate(
                f"… {asked}",
                (1.0, 1.03),
                xycoords="axes fraction",
                ha="right",
                fontsize=8.5,
                color=LIGHT.soft,
            )
        axes.plot(view.time_s, view.value, color=colour, linewidth=1.0)
        # Brackets need a strip of their own under the trace.
        strip = 0.12 * (view.high - view.low) if view.windows else 0.0
        axes.set_ylim(view.low - strip, view.high)
        _draw_brackets(axes, view)
        _dress_plain(axes, view.axis, time_axis)
        return inline_svg(figure, title=view.caption, description=view.name)


def _draw_brackets(axes: Axes, view: TraceView) -> None:
    """Stretches that were used as brackets along the foot, like a dimension on a drawing."""
    foot = axes.get_xaxis_transform()
    for start, end in view.windows:
        axes.plot(
            [start, start, end, end],
            [0.055, 0.02, 0.02, 0.055],
            transform=foot,
            color=LIGHT.ink,
            linewidth=1.0,
        )


def spectrum_svg(view: SpectrumView, frequency_axis: str) -> Markup:
    """Strength over frequency, before hollow and dashed, after in the verdict's colour."""
    with house_style(view.key):
        figure = Figure(figsize=(WIDTH_IN, TRACE_HEIGHT_IN), facecolor="none")
        axes = figure.add_axes((0.115, 0.21, 0.875, 0.66), facecolor="none")
        positive = view.frequency_hz > 0.0
        if view.before is not None:
            axes.plot(
                view.frequency_hz[positive],
                view.before[positive],
                color=LIGHT.soft,
                linewidth=1.2,
                linestyle=(0, (4, 1.5)),
            )
        if view.after is not None:
            colour = verdict_colour(view.verdict)
            axes.plot(view.frequency_hz[positive], view.after[positive], color=colour, linewidth=1.5)
        axes.set_xscale("log")
        axes.xaxis.set_major_locator(matplotlib.ticker.LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.xaxis.set_major_formatter(matplotlib.ticker.FormatStrFormatter("%g"))
        axes.xaxis.set_minor_locator(matplotlib.ticker.NullLocator())
        axes.set_ylim(bottom=0.0)
        _dress_plain(axes, view.axis, frequency_axis)
        return inline_svg(figure, title=view.caption, description=view.name)


def _dress_plain(axes: Axes, axis: str, below: str) -> None:
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.set_title(axis, loc="left", fontsize=9, color=LIGHT.soft, x=-0.13)
    axes.set_xlabel(below, fontsize=8.5, labelpad=2)
    axes.margins(x=0.01)
    axes.yaxis.set_major_locator(matplotlib.ticker.MaxNLocator(4))
    axes.grid(axis="y", color=LIGHT.hairline, linewidth=0.7)
    axes.set_axisbelow(True)


_HEAD = re.compile(r"^.*?<svg[^>]*>\s*(<metadata>.*?</metadata>)?", re.DOTALL)
_ID = re.compile(r'\s+id="([^"]+)"')
_REFERENCE = re.compile(r'(?:url\(#|href="#)([^")]+)')


def inline_svg(figure: Figure, *, title: str, description: str) -> Markup:
    """A figure as SVG to stand inside a page: named, without prologue, ids only where referred to."""
    buffer = io.StringIO()
    FigureCanvasSVG(figure).print_svg(
        buffer, metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
    )
    svg = buffer.getvalue()
    width, height = (72.0 * side for side in figure.get_size_inches())
    body = _HEAD.sub("", svg, count=1).rsplit("</svg>", 1)[0]
    wanted = set(_REFERENCE.findall(body))
    # matplotlib numbers its groups from 1 in every figure; two figures on one page would share ids.
    body = _ID.sub(lambda found: found.group() if found.group(1) in wanted else "", body)
    body = body.replace("xlink:href", "href")
    return Markup(
        f'<svg class="plot" role="img" viewBox="0 0 {width:g} {height:g}" '
        f'aria-label="{escape(f"{title}. {description}")}">{follow_the_page(body)}</svg>'
    )
