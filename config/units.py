"""Units that a table's column may have, and how they turn into the catalogue's units.

Each unit is a factor and an offset to its dimension's base: base = factor * value + offset. The
factors are exact by definition where one exists (foot, knot, standard gravity, pound per square inch
from them).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import pi

FOOT_M = 0.3048
KNOT_MPS = 1852.0 / 3600.0
STANDARD_GRAVITY_MPS2 = 9.80665
PSI_PA = 6894.757293168361


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: what it measures, and base = factor * value + offset."""

    dimension: str
    factor: float
    offset: float = 0.0


UNITS: Mapping[str, Unit] = {
    "": Unit("ratio", 1.0),
    "1": Unit("ratio", 1.0),
    "%": Unit("ratio", 0.01),
    "permille": Unit("ratio", 0.001),
    "deg": Unit("angle", pi / 180.0),
    "rad": Unit("angle", 1.0),
    "mrad": Unit("angle", 1e-3),
    "cdeg": Unit("angle", pi / 18000.0),
    "degE7": Unit("angle", pi / 180.0 * 1e-7),
    "deg/s": Unit("angular_rate", pi / 180.0),
    "rad/s": Unit("angular_rate", 1.0),
    "mrad/s": Unit("angular_rate", 1e-3),
    "cdeg/s": Unit("angular_rate", pi / 18000.0),
    "m": Unit("length", 1.0),
    "cm": Unit("length", 0.01),
    "mm": Unit("length", 0.001),
    "km": Unit("length", 1000.0),
    "ft": Unit("length", FOOT_M),
    "m/s": Unit("speed", 1.0),
    "cm/s": Unit("speed", 0.01),
    "mm/s": Unit("speed", 0.001),
    "km/h": Unit("speed", 1.0 / 3.6),
    "kt": Unit("speed", KNOT_MPS),
    "mph": Unit("speed", 0.44704),
    "ft/s": Unit("speed", FOOT_M),
    "ft/min": Unit("speed", FOOT_M / 60.0),
    "m/s2": Unit("acceleration", 1.0),
    "g": Unit("acceleration", STANDARD_GRAVITY_MPS2),
    "mg": Unit("acceleration", STANDARD_GRAVITY_MPS2 * 1e-3),
    "ft/s2": Unit("acceleration", FOOT_M),
    "Pa": Unit("pressure", 1.0),
    "hPa": Unit("pressure", 100.0),
    "mbar": Unit("pressure", 100.0),
    "kPa": Unit("pressure", 1000.0),
    "bar": Unit("pressure", 1e5),
    "psi": Unit("pressure", PSI_PA),
    "degC": Unit("temperature", 1.0),
    "K": Unit("temperature", 1.0, -273.15),
    "degF": Unit("temperature", 5.0 / 9.0, -160.0 / 9.0),
    "V": Unit("voltage", 1.0),
    "mV": Unit("voltage", 1e-3),
    "A": Unit("current", 1.0),
    "mA": Unit("current", 1e-3),
    "cA": Unit("current", 1e-2),
    "Ah": Unit("charge", 1.0),
    "mAh": Unit("charge", 1e-3),
    "1/min": Unit("shaft_speed", 1.0),
    "rpm": Unit("shaft_speed", 1.0),
    "Hz": Unit("shaft_speed", 60.0),
    "s": Unit("time", 1.0),
    "ms": Unit("time", 1e-3),
    "us": Unit("time", 1e-6),
}


def conversion(source: str, target: str) -> tuple[float, float]:
    """Gain and offset that turn a value in one unit into another: value * gain + offset.

    Parameters
    ----------
    source, target : str
        Names in UNITS.

    Returns
    -------
    tuple of float
        Gain, offset.

    Raises
    ------
    KeyError
        A name is not in UNITS.
    ValueError
        The units measure different things.

    Examples
    --------
    >>> conversion("km", "m")
    (1000.0, 0.0)
    >>> gain, offset = conversion("degF", "degC")
    >>> round(212 * gain + offset, 9)
    100.0
    """
    given, wanted = UNITS[source], UNITS[target]
    if given.dimension != wanted.dimension:
        raise ValueError(f"{source!r} measures {given.dimension}, {target!r} measures {wanted.dimension}")
    if given == wanted:
        return 1.0, 0.0
    return given.factor / wanted.factor, (given.offset - wanted.offset) / wanted.factor


def units_of(dimension: str) -> tuple[str, ...]:
    """Names of all units that measure the dimension."""
    return tuple(name for name, unit in UNITS.items() if unit.dimension == dimension)
