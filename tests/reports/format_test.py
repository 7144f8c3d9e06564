"""Numbers and instants as text."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimkeep.reports.format import MINUS, NARROW_SPACE, NO_BREAK_SPACE, Formatter, decimals_for
from trimkeep.reports.wording import load_words

METRIC = Formatter(load_words(), "metric", ZoneInfo("Europe/Lisbon"))
IMPERIAL = Formatter(load_words(), "imperial", ZoneInfo("Europe/Lisbon"))


@pytest.mark.parametrize(
    ("value", "spread", "text"),
    [
        (6.083, 1.2, "6.1"),
        (1.931, 0.9, "1.9"),
        (0.503, 0.285, "0.50"),
        (61.3, 14.0, "61"),
        (0.0214, 0.0031, "0.0214"),
        (12.3, None, "12"),
        (0.0, None, "0"),
        (123456.0, 1000.0, f"123{NARROW_SPACE}456"),
        (-0.004, 1.2, "0.0"),
    ],
)
def test_digits_follow_the_interval(value: float, spread: float | None, text: str) -> None:
    assert METRIC.number(value, decimals_for(value, spread)) == text


def test_unit_stands_with_its_number() -> None:
    assert METRIC.quantity(6.083, "m", spread=1.2) == f"6.1{NO_BREAK_SPACE}m"
    assert METRIC.quantity(0.108, "share", spread=0.01) == f"10.8{NARROW_SPACE}%"
    assert METRIC.quantity(-3.2, "deg", spread=1.0, signed=True) == f"{MINUS}3.2°"
    assert METRIC.quantity(214.0, "s") == f"4{NO_BREAK_SPACE}min"


def test_imperial_follows_exact_definitions() -> None:
    # 0.3048 m to the foot, 1852 m to the nautical mile: exact.
    assert IMPERIAL.quantity(3.048, "m", spread=0.3) == f"10.0{NO_BREAK_SPACE}ft"
    assert IMPERIAL.quantity(1852.0 / 3600.0, "m/s", spread=0.05) == f"1.00{NO_BREAK_SPACE}kt"
    assert IMPERIAL.quantity(0.00508, "m/s", metric="climb_rate_rms_mps", spread=0.005).endswith("ft/min")
    assert IMPERIAL.quantity(0.0, "degC", spread=2.0) == f"32{NO_BREAK_SPACE}°F"
    # A difference of 10 degrees Celsius is 18 degrees Fahrenheit, not 50.
    assert IMPERIAL.quantity(10.0, "degC", spread=5.0, signed=True) == f"+18{NO_BREAK_SPACE}°F"


def test_the_smallest_float_as_spread_does_not_divide_by_zero() -> None:
    assert METRIC.quantity(0.0, "m", spread=5e-324).startswith("0")


@given(
    st.floats(allow_nan=True, allow_infinity=True),
    st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True)),
)
def test_any_float_becomes_text(value: float, spread: float | None) -> None:
    assert METRIC.quantity(value, "m", spread=spread)


def test_days_are_the_fleets_own() -> None:
    late = datetime(2026, 7, 3, 23, 30, tzinfo=UTC)
    # Lisbon is an hour ahead of UTC in July, so this is already the 4th.
    assert METRIC.day(late) == f"4{NO_BREAK_SPACE}July 2026"
    assert METRIC.moment(late).endswith("00:30")


def test_period_ends_on_its_last_day() -> None:
    start = datetime(2026, 3, 9, tzinfo=UTC)
    assert METRIC.period(start, start + timedelta(days=7)) == f"9 to 15{NO_BREAK_SPACE}March 2026"
    assert METRIC.period(start, start + timedelta(days=1)) == f"9{NO_BREAK_SPACE}March 2026"
    across = METRIC.period(datetime(2025, 12, 29, tzinfo=UTC), datetime(2026, 1, 5, tzinfo=UTC))
    assert across == f"29{NO_BREAK_SPACE}December 2025 to 4{NO_BREAK_SPACE}January 2026"
