"""The one place where a number and its unit, or an instant, becomes text.

Digits follow the interval: one or two significant digits of the uncertainty, as measurement
practice has it (GUM, JCGM 100:2008, 7.2.6: two at most); two where it begins with 1 to 3, else one
(the rounding rule of the Particle Data Group's Review of Particle Physics, introduction, 5.3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from trimkeep.reports.inputs import UnitSystem
from trimkeep.reports.wording import Words

LONG_SECONDS = 90.0
NARROW_SPACE = "\u202f"
NO_BREAK_SPACE = "\u00a0"
MINUS = "\u2212"
MAX_DECIMALS = 4
# However narrow an interval is, nobody reads more of a figure.
MAX_DIGITS = 4
# Metrics without a unit whose name says that they are a part of a whole, shown as percentages.
SHARES = ("_share", "_likelihood", "_fraction")
TWO_DIGITS_BELOW = 3.55


@dataclass(frozen=True, slots=True)
class ShownUnit:
    """How a stored unit is shown: value * factor + offset, then `label`."""

    label: str
    factor: float = 1.0
    offset: float = 0.0
    space: str = NO_BREAK_SPACE


_DEGREE = {
    "deg": ShownUnit("°", space=""),
    "deg/s": ShownUnit("°/s", space=""),
    "deg/s2": ShownUnit("°/s²", space=""),
    "dps": ShownUnit("°/s", space=""),
}
_METRIC = {
    **_DEGREE,
    "": ShownUnit("", space=""),
    "1": ShownUnit("", space=""),
    "share": ShownUnit("%", 100.0, space=NARROW_SPACE),
    "%": ShownUnit("%", space=NARROW_SPACE),
    "m/s2": ShownUnit("m/s²"),
    "m/s^2": ShownUnit("m/s²"),
    "m^(2/3)/s": ShownUnit("m²ᐟ³/s"),
    "m2/3/s": ShownUnit("m²ᐟ³/s"),
    "kg/m3": ShownUnit("kg/m³"),
    "kgpm3": ShownUnit("kg/m³"),
    "1/min": ShownUnit("rev/min"),
    "1/flight": ShownUnit("per flight"),
    "1/h": ShownUnit("per hour"),
    "1/s": ShownUnit("per second"),
    "degC": ShownUnit("°C"),
    "ohm": ShownUnit("Ω"),
    "mohm": ShownUnit("mΩ"),
    "count": ShownUnit("", space=""),
}
# International foot (0.3048 m), nautical mile (1852 m), statute mile (1609.344 m): exact by definition.
_IMPERIAL = {
    **_METRIC,
    "m": ShownUnit("ft", 1.0 / 0.3048),
    "m/s": ShownUnit("kt", 3600.0 / 1852.0),
    "m/s2": ShownUnit("ft/s²", 1.0 / 0.3048),
    "m/s^2": ShownUnit("ft/s²", 1.0 / 0.3048),
    "km": ShownUnit("mi", 1000.0 / 1609.344),
    "Wh/km": ShownUnit("Wh/mi", 1609.344 / 1000.0),
    "J/m": ShownUnit("Wh/mi", 1609.344 / 3600.0),
    "kg": ShownUnit("lb", 1.0 / 0.45359237),
    "degC": ShownUnit("°F", 1.8, 32.0),
}
# Vertical speeds are spoken of in feet per minute, other speeds in knots.
_IMPERIAL_CLIMB = ShownUnit("ft/min", 60.0 / 0.3048)


def shown_unit(unit: str, units: UnitSystem, *, metric: str = "") -> ShownUnit:
    """How a unit is shown; an unknown unit is shown as it is written."""
    if units == "imperial" and unit == "m/s" and "climb" in metric:
        return _IMPERIAL_CLIMB
    if unit in ("", "1") and metric.endswith(SHARES):
        unit = "share"
    table = _IMPERIAL if units == "imperial" else _METRIC
    return table.get(unit, ShownUnit(unit))


def decimals_for(value: float, spread: float | None) -> int:
    """Decimal places a figure deserves.

    Parameters
    ----------
    value : float
        The figure, in the unit it is shown in.
    spread : float or None
        Half the width of its interval, same unit; None or not positive: two significant digits.

    Returns
    -------
    int
        0 to `MAX_DECIMALS`.
    """
    has_spread = spread is not None and math.isfinite(spread) and spread > 0.0
    basis = spread if spread is not None and has_spread else abs(value)
    if basis == 0.0 or not math.isfinite(basis):
        return 0
    power = math.floor(math.log10(basis))
    if power < -MAX_DECIMALS:
        # Finer than is ever shown; for the smallest floats the power of ten below would be zero.
        fine = MAX_DECIMALS
    else:
        keeps_two = not has_spread or basis / 10.0**power < TWO_DIGITS_BELOW
        fine = max(int(keeps_two) - power, 0)
    if 1.0 <= abs(value) < math.inf:
        fine = min(fine, max(MAX_DIGITS - 1 - math.floor(math.log10(abs(value))), 0))
    return min(fine, MAX_DECIMALS)


@dataclass(frozen=True, slots=True)
class Formatter:
    """Numbers, durations and instants in the fleet's units and time zone."""

    words: Words
    units: UnitSystem
    zone: ZoneInfo

    def quantity(
        self,
        value: float,
        unit: str,
        *,
        spread: float | None = None,
        metric: str = "",
        signed: bool = False,
        with_unit: bool = True,
    ) -> str:
        """A value with its unit; `spread` (stored unit) sets the digits, `signed` shows a plus."""
        if unit == "s" and not signed and with_unit and abs(value) >= LONG_SECONDS:
            return self.duration(value)
        unit_shown = shown_unit(unit, self.units, metric=metric)
        # A difference of temperatures has no offset, and only differences are shown signed.
        number = value * unit_shown.factor + (0.0 if signed else unit_shown.offset)
        shown_spread = None if spread is None else abs(spread * unit_shown.factor)
        text = self.number(number, decimals_for(number, shown_spread), signed=signed)
        return f"{text}{unit_shown.space}{unit_shown.label}" if with_unit else text

    def number(self, value: float, decimals: int, *, signed: bool = False) -> str:
        """A bare number with a true minus sign and thin spaces between thousands."""
        if not math.isfinite(value):
            return self.words.text("not_known")
        text = f"{abs(value):,.{decimals}f}".replace(",", NARROW_SPACE)
        is_zero = not any(digit in "123456789" for digit in text)
        if is_zero and decimals > 2:
            # `0.0000 %` boasts of digits that say nothing.
            text = "0"
        sign = "" if is_zero else MINUS if value < 0.0 else "+" if signed else ""
        return f"{sign}{text}"

    def to_shown(self, value: float, unit: str, *, metric: str = "") -> float:
        """The number itself in the unit it is shown in, for drawings."""
        unit_shown = shown_unit(unit, self.units, metric=metric)
        return value * unit_shown.factor + unit_shown.offset

    def unit_label(self, unit: str, *, metric: str = "") -> str:
        """The unit as it is shown, alone."""
        return shown_unit(unit, self.units, metric=metric).label

    def percent(self, share: float) -> str:
        """A share of 0..1 as a percentage without false digits."""
        percent = 100.0 * share
        return f"{self.number(percent, 0 if percent >= 1.0 or percent == 0.0 else 1)}{NARROW_SPACE}%"

    def duration(self, seconds: float) -> str:
        """Minutes below two hours, hours above."""
        if seconds < LONG_SECONDS:
            return f"{self.number(seconds, 0)}{NO_BREAK_SPACE}s"
        if seconds < 7200.0:
            return f"{self.number(seconds / 60.0, 0)}{NO_BREAK_SPACE}min"
        return f"{self.number(seconds / 3600.0, 1)}{NO_BREAK_SPACE}h"

    def hours(self, hours: float) -> str:
        """Hours of a life: one decimal below a hundred."""
        return f"{self.number(hours, 1 if hours < 100.0 else 0)}{NO_BREAK_SPACE}h"

    def day(self, at: datetime) -> str:
        """`3 March 2026`, in the fleet's zone."""
        local = at.astimezone(self.zone)
        return f"{local.day}{NO_BREAK_SPACE}{self.words.month(local.month)} {local.year}"

    def short_day(self, at: datetime) -> str:
        """`3 Mar`, in the fleet's zone."""
        local = at.astimezone(self.zone)
        return f"{local.day}{NO_BREAK_SPACE}{self.words.short_month(local.month)}"

    def moment(self, at: datetime) -> str:
        """`3 March 2026, 14:05`, in the fleet's zone."""
        local = at.astimezone(self.zone)
        return f"{self.day(at)}, {local.hour:02d}:{local.minute:02d}"

    def short_moment(self, at: datetime) -> str:
        """`3 Mar 14:05`, in the fleet's zone."""
        local = at.astimezone(self.zone)
        return f"{self.short_day(at)} {local.hour:02d}:{local.minute:02d}"

    def period(self, start: datetime, end: datetime) -> str:
        """First to last day of a period whose `end` is the first instant after it."""
        first = start.astimezone(self.zone)
        last = (end - timedelta(microseconds=1)).astimezone(self.zone)
        if first.date() == last.date():
            return self.day(start)
        if (first.year, first.month) == (last.year, last.month):
            left = str(first.day)
        elif first.year == last.year:
            left = f"{first.day}{NO_BREAK_SPACE}{self.words.month(first.month)}"
        else:
            left = self.day(start)
        return self.words.sentence("from_to", first=left, last=self.day(last))
