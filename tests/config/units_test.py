"""Units against their definitions."""

from __future__ import annotations

import pytest

from trimkeep.config.channels import CHANNELS
from trimkeep.config.units import UNITS, conversion, units_of


@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        # International foot and nautical mile: exact by definition.
        (1.0, "ft", "m", 0.3048),
        (3600.0, "kt", "m/s", 1852.0),
        (1.0, "mph", "m/s", 0.44704),
        (1.0, "g", "m/s2", 9.80665),
        (180.0, "deg", "rad", 3.141592653589793),
        (471234567.0, "degE7", "deg", 47.1234567),
        (1013.25, "mbar", "hPa", 1013.25),
        (14.6959487755, "psi", "hPa", 1013.25),
        (212.0, "degF", "degC", 100.0),
        (0.0, "K", "degC", -273.15),
        (50.0, "%", "", 0.5),
        (100.0, "Hz", "1/min", 6000.0),
        (1000.0, "ft/min", "m/s", 5.08),
    ],
)
def test_conversions(value: float, source: str, target: str, expected: float) -> None:
    gain, offset = conversion(source, target)
    assert value * gain + offset == pytest.approx(expected, rel=1e-9)


def test_every_channel_has_a_known_unit_and_alternatives_lead_back() -> None:
    for kind in CHANNELS.values():
        for other in units_of(UNITS[kind.unit].dimension):
            gain, offset = conversion(kind.unit, other)
            back_gain, back_offset = conversion(other, kind.unit)
            assert (7.0 * gain + offset) * back_gain + back_offset == pytest.approx(7.0)


def test_units_that_measure_different_things_do_not_convert() -> None:
    with pytest.raises(ValueError, match="measures length"):
        conversion("ft", "deg")
    with pytest.raises(KeyError):
        conversion("furlong", "m")
