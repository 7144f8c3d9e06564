"""Hand-made drawings say what the numbers say."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from trimkeep.reports.drawings import RULE_WIDTH, mark, nice_step, rule, spark, tally
from trimkeep.reports.views import RuleView, SparkView, TallyView


def strokes(svg: str, css_class: str) -> int:
    path = re.search(rf'<path class="{css_class}" d="([^"]*)"', svg)
    return path.group(1).count("M") if path else 0


@pytest.mark.parametrize("count", [0, 1, 4, 5, 8, 20])
def test_a_tally_has_one_stroke_per_flight(count: int) -> None:
    svg = str(tally(TallyView(count, 3, 0, "so many")))
    assert strokes(svg, "old") == count
    assert strokes(svg, "new") == 3


def test_a_long_tally_counts_the_rest() -> None:
    svg = str(tally(TallyView(34, 3, 2, "so many")))
    assert strokes(svg, "old") == 20 and "+14" in svg
    assert strokes(svg, "due") == 2


def test_marks_differ_by_shape() -> None:
    verdicts = ("attention", "worse", "better", "no_material_change", "too_early")
    shapes = {re.sub(r'class="mark[^"]*"', "", str(mark(verdict))) for verdict in verdicts}
    assert len(shapes) == len(verdicts)


def test_the_rule_places_what_is_larger_further_right() -> None:
    view = RuleView(2.4, 6.1, 4.9, 7.3, 0.5, "worse", "before 2.4 m", "after 6.1 m", "m", "a name")
    svg = str(rule(view))
    ring = float(re.findall(r'class="ring" cx="([\d.]+)"', svg)[0])
    solid = float(re.findall(r'class="fill" d="M([\d.]+)', svg)[0])
    low, high = re.findall(r'class="range" d="M([\d.]+) 40H([\d.]+)', svg)[0]
    assert ring < float(low) < solid < float(high) < RULE_WIDTH
    # Place on the rule is linear in the value.
    assert (solid - ring) / (float(high) - float(low)) == pytest.approx((6.1 - 2.4) / (7.3 - 4.9), rel=0.01)


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=5, max_size=5),
)
@example([0.0, 0.0, 0.0, 0.0, 2.2250738585072014e-308])
def test_any_rule_stays_inside_its_frame(values: list[float]) -> None:
    before, after, low, high, margin = values
    view = RuleView(before, after, min(low, high), max(low, high), abs(margin), "worse", "b", "a", "m", "n")
    svg = str(rule(view))
    assert "nan" not in svg and "inf" not in svg
    assert all(-1.0 <= float(x) <= RULE_WIDTH + 1.0 for x in re.findall(r'c?x="([-\d.]+)"', svg))


@given(st.floats(1e-9, 1e9))
def test_steps_are_one_two_or_five(span: float) -> None:
    step = nice_step(span)
    assert step * 6.0 >= span * (1.0 - 1e-6)
    assert round(step / 10.0 ** math.floor(math.log10(step) + 1e-9)) in (1, 2, 5)


def test_a_line_of_dots_has_one_dot_per_flight() -> None:
    svg = str(spark(SparkView((1.0, 2.0, 3.0, 2.0), (2,), "worse", 'a "name"')))
    assert svg.count("h0") == 3 and svg.count("<circle") == 1
    assert strokes(svg, "ticks") == 1
    assert "&#34;name&#34;" in svg


def test_one_flight_or_a_constant_line_is_drawn() -> None:
    for values in ((1.0,), (2.0, 2.0, 2.0)):
        assert "nan" not in str(spark(SparkView(values, (), "", "n")))
