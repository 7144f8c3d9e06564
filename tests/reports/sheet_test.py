"""The sheet that plots are drawn on: scales, ticks, text, and the same bytes for the same plot."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from xml.sax.saxutils import unescape

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimkeep.reports.page_views import TraceView
from trimkeep.reports.palette import LIGHT
from trimkeep.reports.plots import trace_svg
from trimkeep.reports.sheet import Sheet, house_style, power_ticks, strokes, tick_words, value_ticks
from trimkeep.reports.traces import thin

SIZE, FIELD = (4.0, 2.0), (0.1, 0.2, 0.8, 0.7)


def _sheet() -> Sheet:
    return Sheet(SIZE, FIELD, (0.0, 10.0), (-1.0, 1.0))


def _trace(**more: object) -> TraceView:
    time_s = np.linspace(0.0, 60.0, 400)
    given = {
        "key": "trace-1",
        "caption": "Altitude",
        "name": "Altitude over 60 s",
        "axis": "Altitude (m)",
        "verdict": "worse",
        "time_s": time_s,
        "value": np.sin(time_s),
        "asked": np.zeros(400),
        "low": -1.1,
        "high": 1.1,
        "windows": ((10.0, 30.0),),
        "table": (),
    }
    return TraceView(**(given | more))


def test_values_lie_between_the_ends_of_the_field() -> None:
    sheet = _sheet()
    # 4 inches are 288 points: the field is from 28.8 to 259.2.
    assert sheet.x([0.0, 5.0, 10.0]).tolist() == [28.8, 144.0, 259.2]
    assert sheet.y([-1.0, 1.0]).tolist() == [sheet.bottom, sheet.top] == [28.8, 129.6]


def test_what_lies_outside_comes_to_the_edge_and_a_gap_stays_a_gap() -> None:
    sheet = _sheet()
    assert sheet.y([-5.0, 7.0]).tolist() == [sheet.bottom, sheet.top]
    assert math.isnan(float(sheet.y(math.nan)))


def test_a_scale_by_powers_has_equal_steps_for_equal_ratios() -> None:
    sheet = Sheet(SIZE, FIELD, (0.01, 1.0), (0.0, 1.0), log_x=True)
    first, middle, last = sheet.x([0.01, 0.1, 1.0]).tolist()
    assert middle - first == pytest.approx(last - middle, abs=0.02)  # places are rounded to 0.01


@pytest.mark.parametrize("ends", [(3.0, 3.0), (0.0, 0.0), (math.nan, math.nan), (-math.inf, 1.0)])
def test_a_scale_without_a_span_is_widened(ends: tuple[float, float]) -> None:
    sheet = Sheet(SIZE, FIELD, (0.0, 1.0), ends)
    assert sheet.y_ends[0] < sheet.y_ends[1]
    assert np.all(np.isfinite(sheet.y(sheet.y_ends)))


@given(
    st.floats(-1e6, 1e6, allow_nan=False),
    st.floats(1e-3, 1e6, allow_nan=False),
)
def test_ticks_are_inside_and_their_words_say_their_values(low: float, span: float) -> None:
    ends = (low, low + span)
    ticks, words = value_ticks(ends)
    assert 1 <= len(ticks) <= 5
    step = ticks[1] - ticks[0] if len(ticks) > 1 else span
    for tick, word in zip(ticks, words, strict=True):
        assert ends[0] - 1e-6 * span <= tick <= ends[1] + 1e-6 * span
        assert float(word.replace("\u2212", "-")) == pytest.approx(tick, abs=0.011 * step)
    assert len(set(words)) == len(words)


def test_ticks_have_no_more_decimals_than_they_need() -> None:
    assert tick_words([0.0, 0.25, 0.5]) == ["0.00", "0.25", "0.50"]
    assert tick_words([-50.0, 0.0, 50.0]) == ["\u221250", "0", "50"]
    assert tick_words([0.0, 2.5, 5.0]) == ["0.0", "2.5", "5.0"]
    assert power_ticks((0.025, 2.0)) == (
        [0.05, 0.1, 0.2, 0.5, 1.0, 2.0],
        ["0.05", "0.1", "0.2", "0.5", "1", "2"],
    )


def test_strokes_are_one_line_that_lifts_the_pen() -> None:
    x, y = strokes(np.array([1.0, 2.0]), np.array([0.0, 0.0]), np.array([5.0, 6.0]))
    assert np.isnan(x).tolist() == np.isnan(y).tolist() == [False, False, True] * 2
    assert np.nan_to_num(y).tolist() == [0.0, 5.0, 0.0, 0.0, 6.0, 0.0]


def test_text_is_escaped_and_keeps_colours_that_it_speaks_of() -> None:
    hostile = f'<script>&"{LIGHT.worse}'
    with house_style("one"):
        sheet = _sheet()
        sheet.text(10.0, 10.0, hostile, LIGHT.soft)
        svg = str(sheet.svg(title=hostile, description=""))
    found = re.search(r"<text [^>]*>(.*?)</text>", svg)
    assert found is not None
    assert unescape(found.group(1), {"&#34;": '"'}) == hostile
    assert "<script>" not in svg
    assert "fill:var(--soft)" in svg


def test_a_plot_is_well_formed_and_the_same_bytes_each_time() -> None:
    first, second = (str(trace_svg(_trace(), "s", "asked for")) for _ in range(2))
    assert first == second
    root = ET.fromstring(first)
    assert root.attrib["role"] == "img"
    assert "".join(root.itertext()).count("Altitude (m)") == 1


def test_every_colour_follows_the_page() -> None:
    svg = str(trace_svg(_trace(), "s", "asked for"))
    assert not re.search(r"#[0-9a-f]{6}", svg, re.IGNORECASE)


def test_plots_leave_the_library_as_they_found_it() -> None:
    before = dict(matplotlib.rcParams)
    trace_svg(_trace(), "s", "asked for")
    assert dict(matplotlib.rcParams) == before


@pytest.mark.parametrize("value", [np.full(400, np.nan), np.full(400, 7.0), np.zeros(400)])
def test_gaps_and_flat_lines_can_be_drawn(value: np.ndarray) -> None:
    ET.fromstring(str(trace_svg(_trace(value=value, asked=None, low=7.0, high=7.0), "s", "asked for")))


@pytest.mark.parametrize("size", [3, 1200, 1201, 5000, 12_345])
def test_a_thinned_trace_keeps_every_extreme_and_its_gaps(size: int) -> None:
    rng = np.random.default_rng(size)
    time_s, value = np.arange(size, dtype=float), rng.normal(size=size)
    value[size // 4 : size // 2] = np.nan
    value[size - 1] = 99.0
    times, thinned = thin(time_s, value)
    assert thinned.size <= 1201
    assert np.all(np.diff(times) > 0.0)
    assert np.nanmax(thinned) == 99.0
    assert np.nanmin(thinned) == np.nanmin(value)
    assert np.isnan(thinned).any() == np.isnan(value).any()
    assert set(times.tolist()) <= set(time_s.tolist())
