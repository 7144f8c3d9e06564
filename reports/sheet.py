"""A sheet to plot on: matplotlib's artists laid straight onto a figure, without its axis machinery.

matplotlib's own axes make, measure and place a dozen objects for every tick, which took nine tenths of the
time of a plot. Here a scale is a function from values to points on the sheet, the lines of the scale are
one path, and text stands where it is put: in SVG it is written as text, in the reader's font, and so needs no
measuring. What is drawn is in points (1/72 inch) from the lower left.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import matplotlib
import numpy as np
from markupsafe import Markup, escape
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from matplotlib.ticker import LogLocator, MaxNLocator
from matplotlib.transforms import Affine2D

from trimkeep.detectors.model import FloatArray
from trimkeep.reports.palette import LIGHT, follow_the_page

FONT_SIZE, SMALL_SIZE = 9.0, 8.5
# Digits of the fonts that pages are set in are about 0.72 of their size high.
DIGIT_HEIGHT = 0.72
TICK, MAJOR_TICK, TICK_GAP = 3.5, 5.0, 3.5
AIR = 0.05
# Relative to the values: below it the span is rounding error and no scale can be read on it.
LEAST_SPAN = 1e-12
Y_PARTS = 4
# A hundredth of a point is a fiftieth of a pixel on the largest page.
DECIMALS = 2
Side = Literal["left", "center", "right"]
ANCHORS = {"left": "start", "center": "middle", "right": "end"}
Dashes = tuple[float, tuple[float, ...]]


@contextmanager
def house_style(key: str) -> Iterator[None]:
    """matplotlib so that text stays text and ids are of this drawing; `key` makes them its own."""
    kept: dict[Any, Any] = {name: matplotlib.rcParams[name] for name in ("svg.fonttype", "svg.hashsalt")}
    settings: dict[Any, Any] = {"svg.fonttype": "none", "svg.hashsalt": key}
    matplotlib.rcParams.update(settings)
    try:
        with warnings.catch_warnings():
            # Text is set by the reader's own fonts; what the measuring font lacks is no news.
            warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
            yield
    finally:
        matplotlib.rcParams.update(kept)


@dataclass(frozen=True, slots=True)
class _Words:
    """One line of text on its base line."""

    x: float
    y: float
    words: str
    colour: str
    side: Side
    size: float


class Sheet:
    """A figure with one field to plot in.

    Parameters
    ----------
    size_in : tuple of float
        Width and height, inches.
    field : tuple of float
        Left, bottom, width and height of the field as shares of the sheet.
    x, y : tuple of float
        Values at the ends of the field, lower first; a span of nothing is widened.
    log_x : bool
        The x scale goes by powers; both of its ends are above 0.
    """

    def __init__(
        self,
        size_in: tuple[float, float],
        field: tuple[float, float, float, float],
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        log_x: bool = False,
    ) -> None:
        self.figure = Figure(figsize=size_in, facecolor="none")
        self._points = Affine2D().scale(1.0 / 72.0) + self.figure.dpi_scale_trans
        width, height = 72.0 * size_in[0], 72.0 * size_in[1]
        self.left, self.bottom = field[0] * width, field[1] * height
        self.right, self.top = self.left + field[2] * width, self.bottom + field[3] * height
        self._log_x = log_x
        self._words: list[_Words] = []
        self.x_ends, self.y_ends = _widened(x), _widened(y)

    def x(self, value: Any) -> FloatArray:
        """Place of values along the sheet, points; what lies outside the field comes to its edge."""
        ends = self.x_ends
        if self._log_x:
            value, ends = np.log10(value), (math.log10(ends[0]), math.log10(ends[1]))
        return _placed(value, ends, (self.left, self.right))

    def y(self, value: Any) -> FloatArray:
        """Place of values up the sheet, points; what lies outside the field comes to its edge."""
        return _placed(value, self.y_ends, (self.bottom, self.top))

    def line(
        self,
        x: Any,
        y: Any,
        colour: str,
        width: float,
        dashes: Dashes | None = None,
        cap: Literal["butt", "projecting", "round"] = "butt",
    ) -> None:
        """A line through places; NaN lifts the pen."""
        style: Any = dashes or "-"
        line = Line2D(x, y, color=colour, linewidth=width, linestyle=style, solid_capstyle=cap)
        self._add(line)

    def marks(
        self,
        x: Any,
        y: Any,
        shape: str,
        size: float,
        edge: str,
        face: str = "none",
        width: float = 1.0,
    ) -> None:
        """Marks at places."""
        self._add(
            Line2D(
                x,
                y,
                linestyle="none",
                marker=shape,
                markersize=size,
                markerfacecolor=face,
                markeredgecolor=edge,
                markeredgewidth=width,
            )
        )

    def block(self, x: tuple[float, float], y: tuple[float, float], colour: str, alpha: float) -> None:
        """A filled block between places."""
        self._add(Rectangle((x[0], y[0]), x[1] - x[0], y[1] - y[0], color=colour, alpha=alpha, linewidth=0))

    def text(
        self, x: float, y: float, words: str, colour: str, side: Side = "center", size: float = FONT_SIZE
    ) -> None:
        """One line of text on its base line."""
        self._words.append(_Words(x, y, words, colour, side, size))

    def _add(self, artist: Artist) -> None:
        artist.set_transform(self._points)
        # In the order in which they are put down.
        artist.set_zorder(len(self.figure.get_children()))
        self.figure.add_artist(artist)

    def scales(self, axis: str, below: str, *, rise: float = 6.0) -> None:
        """Name and lines of the value axis, the foot line, and the name of the x axis.

        Parameters
        ----------
        axis : str
            Stands `rise` points above the field.
        below : str
        """
        ticks, words = value_ticks(self.y_ends)
        places = self.y(np.asarray(ticks, dtype=np.float64))
        self._strokes_across(places, self.left, self.right, LIGHT.hairline, 0.7)
        self._strokes_across(places, self.left, self.left + TICK, LIGHT.soft, 0.8)
        for place, word in zip(places.tolist(), words, strict=True):
            base = place - 0.5 * DIGIT_HEIGHT * FONT_SIZE
            self.text(self.left - TICK_GAP, base, word, LIGHT.soft, "right")
        self.line([self.left, self.right], [self.bottom] * 2, LIGHT.soft, 0.7, cap="projecting")
        self.text(2.0, self.top + rise, axis, LIGHT.soft, "left")
        middle, base = 0.5 * (self.left + self.right), self.bottom - TICK_GAP - 1.8 * FONT_SIZE
        self.text(middle, base - 1.8, below, LIGHT.soft, size=SMALL_SIZE)

    def foot_ticks(
        self, values: Sequence[float], words: Sequence[str], length: float = TICK, width: float = 0.8
    ) -> None:
        """Ticks on the foot line and their words below; without words, ticks alone."""
        places = self.x(np.asarray(values, dtype=np.float64))
        foot = np.full(places.size, self.bottom)
        self.line(*_strokes(places, places, foot, foot + length), LIGHT.soft, width)
        base = self.bottom - TICK_GAP - DIGIT_HEIGHT * FONT_SIZE - 0.6
        for place, word in zip(places.tolist(), words, strict=False):
            self.text(place, base, word, LIGHT.soft)

    def _strokes_across(
        self, places: FloatArray, start: float, end: float, colour: str, width: float
    ) -> None:
        starts, ends = np.full(places.size, start), np.full(places.size, end)
        self.line(*_strokes(starts, ends, places, places), colour, width)

    def svg(self, *, title: str, description: str) -> Markup:
        """The sheet as SVG to stand inside a page: named, without prologue, ids only where referred to."""
        buffer = io.StringIO()
        FigureCanvasSVG(self.figure).print_svg(
            buffer, metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
        svg = buffer.getvalue()
        width, height = self._size()
        body = _HEAD.sub("", svg, count=1).rsplit("</svg>", 1)[0]
        wanted = set(_REFERENCE.findall(body))
        # matplotlib numbers its groups from 1 in every figure; two figures on one page would share ids.
        body = _ID.sub(lambda found: found.group() if found.group(1) in wanted else "", body)
        body = body.replace("xlink:href", "href")
        name = escape(f"{title}. {description}")
        return Markup(
            f'<svg class="plot" role="img" viewBox="0 0 {width:g} {height:g}" aria-label="{name}">'
            f"{follow_the_page(body)}{self._words_svg(height)}</svg>"
        )

    def _words_svg(self, height: float) -> str:
        """Text above everything else; places count from the upper left here."""
        return "".join(
            f'<text x="{one.x:.{DECIMALS}f}" y="{height - one.y:.{DECIMALS}f}" '
            f'text-anchor="{ANCHORS[one.side]}" '
            f'style="fill:{follow_the_page(one.colour)};font-size:{one.size:g}px">{escape(one.words)}</text>'
            for one in self._words
        )

    def _size(self) -> tuple[float, float]:
        """Width and height in points."""
        width, height = self.figure.get_size_inches()
        return 72.0 * float(width), 72.0 * float(height)

    def png(self, dpi: float) -> bytes:
        """The sheet as PNG on paper ground."""
        for one in self._words:
            self._add(
                Text(
                    one.x,
                    one.y,
                    one.words,
                    color=one.colour,
                    horizontalalignment=one.side,
                    verticalalignment="baseline",
                    fontproperties=FontProperties(family="sans-serif", size=one.size),
                    parse_math=False,
                )
            )
        self._words.clear()
        self.figure.set_facecolor(LIGHT.paper)
        buffer = io.BytesIO()
        FigureCanvasAgg(self.figure).print_figure(buffer, format="png", dpi=dpi, metadata={"Software": None})
        return buffer.getvalue()


_HEAD = re.compile(r"^.*?<svg[^>]*>\s*(<metadata>.*?</metadata>)?", re.DOTALL)
_ID = re.compile(r'\s+id="([^"]+)"')
_REFERENCE = re.compile(r'(?:url\(#|href="#)([^")]+)')


def _widened(ends: tuple[float, float]) -> tuple[float, float]:
    low, high = ends
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    if high - low > LEAST_SPAN * max(abs(low), abs(high)):
        return low, high
    # A flat line stands in the middle of its field.
    half = AIR * max(abs(low), abs(high)) or AIR
    return low - half, high + half


def _placed(value: Any, ends: tuple[float, float], places: tuple[float, float]) -> FloatArray:
    share = (np.asarray(value, dtype=np.float64) - ends[0]) / (ends[1] - ends[0])
    return np.round(places[0] + np.clip(share, 0.0, 1.0) * (places[1] - places[0]), DECIMALS)


def _strokes(x0: FloatArray, x1: FloatArray, y0: FloatArray, y1: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Strokes as one line that lifts the pen between them."""
    nothing = np.full(x0.size, np.nan)
    return np.stack((x0, x1, nothing), 1).ravel(), np.stack((y0, y1, nothing), 1).ravel()


def strokes(x: FloatArray, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Upright strokes at places `x` from `low` to `high` as one line that lifts the pen between them."""
    return _strokes(x, x, low, high)


def with_air(low: float, high: float) -> tuple[float, float]:
    """Ends of a scale a little outside of what is on it."""
    return low - AIR * (high - low), high + AIR * (high - low)


def value_ticks(ends: tuple[float, float], parts: int = Y_PARTS) -> tuple[list[float], list[str]]:
    """Round values inside a scale and their text, all with the same decimals."""
    slack = 1e-9 * (ends[1] - ends[0])
    found = MaxNLocator(parts).tick_values(*ends)
    ticks = [float(one) for one in found if ends[0] - slack <= one <= ends[1] + slack]
    return ticks, tick_words(ticks)


def tick_words(ticks: Sequence[float]) -> list[str]:
    """Text of evenly spaced values: no more decimals than they need, a true minus sign."""
    step = min((b - a for a, b in pairwise(ticks)), default=1.0)
    largest = max(map(abs, ticks), default=0.0)
    if largest >= 1e7 or step <= 1e-5:
        return [f"{one:.3g}".replace("-", "\u2212") for one in ticks]
    # 0.25 takes one decimal more than its power of ten says.
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    while decimals < 6 and any(abs(round(one, decimals) - one) > 0.01 * step for one in ticks):
        decimals += 1
    return [f"{round(one, decimals) + 0.0:.{decimals}f}".replace("-", "\u2212") for one in ticks]


def power_ticks(ends: tuple[float, float]) -> tuple[list[float], list[str]]:
    """Values of 1, 2 and 5 times powers of ten inside a scale by powers, and their text."""
    found = LogLocator(subs=(1.0, 2.0, 5.0)).tick_values(*ends)
    ticks = [float(one) for one in found if ends[0] <= one <= ends[1]]
    return ticks, [f"{one:g}" for one in ticks]
