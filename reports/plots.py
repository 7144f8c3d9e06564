"""Large plots: SVG for pages, PNG for mail.

Same input, same bytes: no date is written, ids are made from the plot's own name, and text stays
text so that it can be read aloud, searched and set in the reader's font.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from markupsafe import Markup

from trimkeep.detectors.model import FloatArray
from trimkeep.reports.page_views import SpectrumView, TraceView
from trimkeep.reports.palette import LIGHT, verdict_colour
from trimkeep.reports.sheet import (
    MAJOR_TICK,
    SMALL_SIZE,
    Sheet,
    house_style,
    power_ticks,
    strokes,
    value_ticks,
    with_air,
)
from trimkeep.reports.views import TrendPoint, TrendView

WIDTH_IN, HEIGHT_IN = 4.7, 2.5
TRACE_WIDTH_IN, TRACE_HEIGHT_IN = 4.2, 2.1
TREND_FIELD = (0.115, 0.185, 0.875, 0.66)
TRACE_FIELD = (0.13, 0.21, 0.85, 0.66)
SPECTRUM_FIELD = (0.115, 0.21, 0.875, 0.66)
POINT_SIZE = 3.8
BALLOON_SIZE, BALLOON_RISE, ABOVE_BALLOONS = 13.0, 9.0, 19.0
SIDE_AIR = 0.01
TIME_PARTS = 7
MAX_DATES = 5


def _trend_sheet(view: TrendView, flight_axis: str) -> Sheet:
    """A trend: flights as points with uncertainty, changes as numbered balloons, levels."""
    sheet = Sheet((WIDTH_IN, HEIGHT_IN), TREND_FIELD, _order_ends(view), _value_ends(view))
    sheet.scales(view.axis, flight_axis, rise=ABOVE_BALLOONS)
    _draw_flights(sheet, view)
    colour = verdict_colour(view.verdict)
    _draw_levels(sheet, view, colour)
    turn = _turning_order(view)
    sides = (
        ([point for point in view.points if turn is not None and point.order < turn], True),
        ([point for point in view.points if turn is None or point.order >= turn], False),
    )
    for points, is_old in sides:
        _draw_points(sheet, [point for point in points if not point.odd], colour, is_old)
    _draw_odd(sheet, [point for point in view.points if point.odd])
    _draw_marks(sheet, view)
    return sheet


def _order_ends(view: TrendView) -> tuple[float, float]:
    orders = [point.order for point in view.points]
    return min(orders) - 1.0, max(orders) + 1.0


def _value_ends(view: TrendView) -> tuple[float, float]:
    edges = [point.value + way * point.error for point in view.points for way in (-1.0, 1.0)]
    edges += [edge for level in view.levels for edge in (level.level, level.low, level.high)]
    known = [edge for edge in edges if np.isfinite(edge)]
    low, high = with_air(min(known, default=0.0), max(known, default=1.0))
    return (0.0 if all(point.value >= 0.0 for point in view.points) else low), high


def _draw_flights(sheet: Sheet, view: TrendView) -> None:
    """One small tick a flight, and the dates of a few."""
    chosen = _spread(view.points, MAX_DATES)
    sheet.foot_ticks([point.order for point in view.points], (), length=2.5, width=0.6)
    dates = [point.day_text for point in chosen]
    sheet.foot_ticks([point.order for point in chosen], dates, length=MAJOR_TICK)


def _turning_order(view: TrendView) -> int | None:
    cited = [mark.order for mark in view.marks if mark.cited]
    if cited:
        return cited[0]
    return view.levels[-1].first if len(view.levels) > 1 else None


def _draw_levels(sheet: Sheet, view: TrendView, colour: str) -> None:
    for place, level in enumerate(view.levels):
        is_after = place == len(view.levels) - 1 and len(view.levels) > 1
        shade = colour if is_after else LIGHT.soft
        left, right = sheet.x([level.first - 0.4, level.last + 0.4]).tolist()
        low, at, high = sheet.y([level.low, level.level, level.high]).tolist()
        if high > low:
            sheet.block((left, right), (low, high), shade, alpha=0.16)
        dashes = None if is_after else (0.0, (5.0, 2.0))
        sheet.line([left, right], [at, at], shade, 1.8, dashes)


def _draw_points(sheet: Sheet, points: list[TrendPoint], colour: str, is_old: bool) -> None:
    if not points:
        return
    shade = LIGHT.soft if is_old else colour
    x = sheet.x([point.order for point in points])
    value, error = _column(points, "value"), _column(points, "error")
    sheet.line(*strokes(x, sheet.y(value - error), sheet.y(value + error)), shade, 0.8)
    face = LIGHT.paper if is_old else shade
    sheet.marks(x, sheet.y(value), "o", POINT_SIZE, shade, face, 1.1)


def _column(points: Sequence[TrendPoint], name: str) -> FloatArray:
    return np.asarray([getattr(point, name) for point in points], dtype=np.float64)


def _draw_odd(sheet: Sheet, points: list[TrendPoint]) -> None:
    if points:
        x, y = sheet.x([point.order for point in points]), sheet.y(_column(points, "value"))
        sheet.marks(x, y, "x", POINT_SIZE + 1.5, LIGHT.ink)


def _draw_marks(sheet: Sheet, view: TrendView) -> None:
    """Changes as a plumb line with a numbered balloon on top, as on a workshop drawing."""
    for mark in view.marks:
        x = float(sheet.x(mark.order - 0.5))
        strong = LIGHT.ink if mark.cited else LIGHT.soft
        sheet.line([x, x], [sheet.bottom, sheet.top], strong, 0.9, (0.0, (1.0, 2.0)))
        middle = sheet.top + BALLOON_RISE
        number = str(mark.number)
        size = BALLOON_SIZE + 2.5 * (len(number) - 1)
        sheet.marks([x], [middle], "o", size, strong, LIGHT.ink if mark.cited else LIGHT.paper, 0.8)
        words = LIGHT.paper if mark.cited else LIGHT.ink
        sheet.text(x, middle - 0.36 * SMALL_SIZE, number, words, size=SMALL_SIZE)


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
        return _trend_sheet(view, flight_axis).svg(title=view.title, description=view.description)


def trend_png(view: TrendView, flight_axis: str, dpi: float = 144.0) -> bytes:
    """The trend as PNG on paper ground, for mail."""
    with house_style(view.key):
        return _trend_sheet(view, flight_axis).png(dpi)


def trace_svg(view: TraceView, time_axis: str, asked: str) -> Markup:
    """One trace as inline SVG: what was measured in full ink, what was asked for dotted, brackets below."""
    with house_style(view.key):
        # Brackets need a strip of their own under the trace.
        strip = 0.12 * (view.high - view.low) if view.windows else 0.0
        sheet = Sheet(
            (TRACE_WIDTH_IN, TRACE_HEIGHT_IN),
            TRACE_FIELD,
            _with_side_air(view.time_s),
            (view.low - strip, view.high),
        )
        sheet.scales(view.axis, time_axis)
        sheet.foot_ticks(*value_ticks(sheet.x_ends, TIME_PARTS))
        x = sheet.x(view.time_s)
        if view.asked is not None:
            sheet.line(x, sheet.y(view.asked), LIGHT.soft, 1.1, (0.0, (1.0, 1.6)))
            sheet.text(sheet.right, sheet.top + 5.0, f"… {asked}", LIGHT.soft, "right", SMALL_SIZE)
        sheet.line(x, sheet.y(view.value), verdict_colour(view.verdict) if view.verdict else LIGHT.ink, 1.0)
        _draw_brackets(sheet, view)
        return sheet.svg(title=view.caption, description=view.name)


def _with_side_air(values: FloatArray) -> tuple[float, float]:
    if not values.size:
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    return low - SIDE_AIR * (high - low), high + SIDE_AIR * (high - low)


def _draw_brackets(sheet: Sheet, view: TraceView) -> None:
    """Stretches that were used as brackets along the foot, like a dimension on a drawing."""
    height = sheet.top - sheet.bottom
    upper, lower = sheet.bottom + 0.055 * height, sheet.bottom + 0.02 * height
    for start, end in view.windows:
        left, right = sheet.x([start, end]).tolist()
        sheet.line([left, left, right, right], [upper, lower, lower, upper], LIGHT.ink, 1.0)


def spectrum_svg(view: SpectrumView, frequency_axis: str) -> Markup:
    """Strength over frequency, before hollow and dashed, after in the verdict's colour."""
    with house_style(view.key):
        positive = view.frequency_hz > 0.0
        frequency = view.frequency_hz[positive]
        sides = [side[positive] for side in (view.before, view.after) if side is not None]
        strongest = max((float(np.nanmax(side)) for side in sides if side.size), default=1.0)
        low, high = (float(frequency.min()), float(frequency.max())) if frequency.size else (0.1, 1.0)
        air = (high / low) ** SIDE_AIR
        sheet = Sheet(
            (WIDTH_IN, TRACE_HEIGHT_IN),
            SPECTRUM_FIELD,
            (low / air, high * air),
            (0.0, with_air(0.0, strongest)[1]),
            log_x=True,
        )
        sheet.scales(view.axis, frequency_axis)
        sheet.foot_ticks(*power_ticks(sheet.x_ends))
        x = sheet.x(frequency)
        if view.before is not None:
            sheet.line(x, sheet.y(view.before[positive]), LIGHT.soft, 1.2, (0.0, (4.0, 1.5)))
        if view.after is not None:
            sheet.line(x, sheet.y(view.after[positive]), verdict_colour(view.verdict), 1.5)
        return sheet.svg(title=view.caption, description=view.name)
