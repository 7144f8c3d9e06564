"""Small drawings made by hand as inline SVG: marks, tallies, the small rule, the line of dots.

They hold numbers and words of our own only; the words are escaped all the same. Colours come from
the page's stylesheet by class, so they follow dark mode and print.
"""

from __future__ import annotations

import math

from markupsafe import Markup, escape

from trimkeep.reports.views import RuleView, SparkView, TallyView

MAX_STROKES = 20
RULE_WIDTH, RULE_HEIGHT = 360.0, 92.0
# No figure is shown so finely; the smallest floats would make the scale infinite.
LEAST_SPAN = 1e-9
RULE_INSET = 26.0
SPARK_WIDTH, SPARK_HEIGHT = 168.0, 30.0


def mark(verdict: str) -> Markup:
    """The mark of a verdict: its shape says the same as its colour. Decorative, a word stands beside it."""
    shapes = {
        # A workshop's tag with its hole; the stripes keep it apart in black and white.
        "attention": '<path class="fill" fill-rule="evenodd" '
        'd="M0 9 6 2H20V16H6ZM6.5 6.8a2.2 2.2 0 1 0 .01 0Z"/><path class="cut" d="M12.5 2v14M16 2v14"/>',
        "worse": '<path class="fill" d="M10 1 18 9 10 17 2 9Z"/>',
        "better": '<circle class="fill" cx="10" cy="9" r="7.2"/>',
        "no_material_change": '<path class="line" d="M3 6H17M3 12H17"/>',
        "too_early": '<circle class="line" cx="10" cy="9" r="6.8" stroke-dasharray="1.2 3.07" '
        'stroke-linecap="round"/>',
    }
    return Markup(
        f'<svg class="mark v-{verdict}" viewBox="0 0 20 18" aria-hidden="true">'
        f"{shapes.get(verdict, '')}</svg>"
    )


def tally(view: TallyView) -> Markup:
    """Flights as strokes in fives: before above, after below, flights still needed dotted."""
    upper, upper_end = _strokes(view.before, 0.0, 1.0, "old")
    lower, lower_end = _strokes(view.after, 0.0, 22.0, "new")
    needed, needed_end = _strokes(view.needed, lower_end + 3.0 if view.needed else lower_end, 22.0, "due")
    width = max(upper_end, needed_end, 40.0)
    return Markup(
        f'<svg class="tally" viewBox="-1 0 {width + 2:.0f} 38" width="{width + 2:.0f}" height="38" '
        f'role="img" aria-label="{escape(view.name)}">{upper}{lower}{needed}</svg>'
    )


def _strokes(count: int, x: float, y: float, css_class: str) -> tuple[str, float]:
    if count <= 0:
        return "", x
    path = []
    for number in range(1, min(count, MAX_STROKES) + 1):
        if number % 5:
            path.append(f"M{x:.1f} {y:.0f}v14")
            x += 4.2
        else:
            path.append(f"M{x - 19.2:.1f} {y + 11.5:.1f}l17.6 -9")
            x += 3.6
    drawn = f'<path class="{css_class}" d="{"".join(path)}"/>'
    if count > MAX_STROKES:
        drawn += f'<text class="{css_class}" x="{x:.1f}" y="{y + 11:.0f}">+{count - MAX_STROKES}</text>'
        x += 8.0 * len(str(count)) + 8.0
    return drawn, x


def rule(view: RuleView) -> Markup:
    """Before and after on a small rule, the likely range as a bar, what is too small to matter hatched."""
    ends = (
        view.before,
        view.after,
        view.low,
        view.high,
        view.before - view.margin,
        view.before + view.margin,
    )
    low, high = min(ends), max(ends)
    if not high - low > LEAST_SPAN:
        low, high = low - 0.5, high + 0.5
    scale = (RULE_WIDTH - 2.0 * RULE_INSET) / (high - low)

    def x(value: float) -> float:
        return RULE_INSET + (value - low) * scale

    before, after = x(view.before), x(view.after)
    parts = [_hatch(x(view.before - view.margin), x(view.before + view.margin)) if view.margin > 0.0 else ""]
    parts.append(_scale(low, high, x, view.unit))
    heading = 1.0 if after >= before else -1.0
    if abs(after - before) > 14.0:
        parts.append(f'<path class="way" d="M{before + heading * 5:.1f} 40H{after - heading * 8:.1f}"/>')
    parts.append(
        f'<path class="range" d="M{x(view.low):.1f} 40H{x(view.high):.1f}'
        f'M{x(view.low):.1f} 35v10M{x(view.high):.1f} 35v10"/>'
    )
    parts.append(f'<circle class="ring" cx="{before:.1f}" cy="40" r="4.6"/>')
    parts.append(_after_mark(view.verdict, after))
    parts.append(_label(before, 16.0, "old", view.before_text))
    parts.append(_label(after, 29.0 if abs(after - before) < 150.0 else 16.0, "new", view.after_text))
    return Markup(
        f'<svg class="rule v-{view.verdict}" viewBox="0 0 {RULE_WIDTH:.0f} {RULE_HEIGHT:.0f}" role="img" '
        f'aria-label="{escape(view.name)}">{"".join(parts)}</svg>'
    )


def _after_mark(verdict: str, x: float) -> str:
    if verdict == "worse":
        return f'<path class="fill" d="M{x:.1f} 33.4l6.6 6.6 -6.6 6.6 -6.6 -6.6Z"/>'
    return f'<circle class="fill" cx="{x:.1f}" cy="40" r="5.6"/>'


def _label(x: float, y: float, css_class: str, text: str) -> str:
    # Estimated text width (no font is measured here); keeps the label inside the drawing.
    half = 3.1 * len(text)
    inside = min(max(x, half + 2.0), RULE_WIDTH - half - 2.0)
    return (
        f'<text class="{css_class}" x="{inside:.1f}" y="{y:.0f}" text-anchor="middle">{escape(text)}</text>'
    )


def _hatch(left: float, right: float) -> str:
    strokes = []
    x = left
    while x < right:
        run = min(9.0, right - x)
        strokes.append(f"M{x:.1f} 60l{run:.1f} {-run / 9.0 * 12.0:.1f}")
        x += 4.5
    return f'<path class="hatch" d="{"".join(strokes)}"/>'


def nice_step(span: float, most: int = 6) -> float:
    """A step of 1, 2 or 5 times a power of ten that cuts a span into at most `most` parts."""
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    for factor in (1.0, 2.0, 5.0):
        if factor * power >= raw * (1.0 - 1e-9):
            return factor * power
    return 10.0 * power


def _scale(low: float, high: float, x: object, unit: str) -> str:
    position = x if callable(x) else float
    step = nice_step(high - low)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    minor = step / 5.0
    first, last = math.ceil(low / minor - 1e-6), math.floor(high / minor + 1e-6)
    ticks, numbers = [], []
    for count in range(first, last + 1):
        at = position(count * minor)
        is_major = count % 5 == 0
        ticks.append(f"M{at:.1f} 60v{8 if is_major else 4}")
        if is_major:
            value = count * minor
            text = f"{value:.{decimals}f}".replace("-", "\u2212") if round(value, decimals) else "0"
            numbers.append(f'<text class="tick" x="{at:.1f}" y="80" text-anchor="middle">{text}</text>')
    edge = f"M{position(low) - 12:.1f} 60H{position(high) + 12:.1f}"
    label = f'<text class="tick" x="{RULE_WIDTH - 2:.0f}" y="80" text-anchor="end">{escape(unit)}</text>'
    return f'<path class="edge" d="{edge}{"".join(ticks)}"/>{"".join(numbers)}{label}'


def spark(view: SparkView) -> Markup:
    """The last flights as a line of dots, the last one solid, ticks under it for changes."""
    values = view.values
    low, high = min(values), max(values)
    span = high - low or 1.0
    step = (SPARK_WIDTH - 12.0) / max(len(values) - 1, 1)

    def place(index: int) -> tuple[float, float]:
        x = 6.0 + index * step if len(values) > 1 else SPARK_WIDTH / 2.0
        return x, 21.0 - 17.0 * (values[index] - low) / span if high > low else 13.0

    # A dot is a stroke without length and with round ends: one path however many flights there are.
    dots = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in map(place, range(len(values) - 1)))
    ticks = "".join(f"M{place(index)[0] - step / 2.0:.1f} 24v5" for index in view.marks)
    x, y = place(len(values) - 1)
    return Markup(
        f'<svg class="spark v-{view.verdict or "none"}" viewBox="0 0 {SPARK_WIDTH:.0f} {SPARK_HEIGHT:.0f}" '
        f'role="img" aria-label="{escape(view.name)}"><path class="base" d="M2 24H{SPARK_WIDTH - 2:.0f}"/>'
        f'<path class="dots" d="{dots}"/><path class="ticks" d="{ticks}"/>'
        f'<circle class="last" cx="{x:.1f}" cy="{y:.1f}" r="3.1"/></svg>'
    )


def bar(share: float) -> Markup:
    """A probability as ten small strokes, as many heavy ones as tenths."""
    heavy = round(10.0 * share)
    solid = "".join(f"M{2 + 5 * place} 2v8" for place in range(heavy))
    pale = "".join(f"M{2 + 5 * place} 4v6" for place in range(heavy, 10))
    return Markup(
        '<svg class="share" viewBox="0 0 51 12" aria-hidden="true">'
        f'<path class="heavy" d="{solid}"/><path class="pale" d="{pale}"/></svg>'
    )
