"""Every single change that a channel map could need: a sign, a unit, a pair exchanged, a sensor's unit.

Which units are possible rests on the map: a column that is read as radians may be in degrees after all,
one that is read in the channel's own unit may be in any other usual one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from trimkeep.config.airframe import ColumnMap
from trimkeep.config.channels import CHANNELS
from trimkeep.config.units import UNITS, conversion, units_of
from trimkeep.detectors.channel_frame import VELOCITIES, Frame
from trimkeep.detectors.channel_relations import ACCELS, GYROS, RATES

ReadAs = dict[str, tuple[str, float]]
Kind = Literal["sign", "unit", "swapped"]
Columns = Mapping[str, ColumnMap]

ATTITUDE = ("bank_deg", "pitch_deg")
PLACE = ("latitude_deg", "longitude_deg")
TOGETHER: tuple[tuple[str, ...], ...] = (
    ATTITUDE,
    (*ATTITUDE, "heading_deg"),
    RATES,
    GYROS,
    ACCELS,
    VELOCITIES,
)
"""One sensor or one message: its unit is wrong for all of it or for none."""
TARGETS = ("bank_target_deg", "pitch_target_deg")
RATE_TARGETS = ("roll_rate_target_dps", "pitch_rate_target_dps", "yaw_rate_target_dps")
ONE_PROGRAM: tuple[tuple[str, ...], ...] = (
    (*ATTITUDE, *TARGETS),
    (*ATTITUDE, "heading_deg", *TARGETS, "heading_target_deg"),
    (*RATES, *RATE_TARGETS),
    (*RATES, *GYROS, *RATE_TARGETS),
    ("altitude_m", "altitude_target_m"),
    ("altitude_m", "height_m", "altitude_target_m"),
    ("airspeed_mps", "airspeed_target_mps"),
)
"""What one program writes in one unit: a state and its target hold each other up when both are misread."""
ALL_RADIANS = (
    ((*ATTITUDE, *TARGETS), "rad"),
    ((*RATES, *GYROS, *RATE_TARGETS), "rad/s"),
)
"""An attitude in radians and its rates in radians a second agree with each other, only not with the track."""
EXCHANGED: tuple[tuple[str, ...], ...] = (
    ATTITUDE,
    RATES,
    GYROS,
    ACCELS,
    VELOCITIES,
    PLACE,
    ("elevator_cmd", "aileron_cmd"),
    ("bank_target_deg", "pitch_target_deg"),
    ("roll_rate_target_dps", "pitch_rate_target_dps"),
    ("stick_pitch", "stick_roll"),
)
# Units that logs are written in, and those that are seldom met: of two that would do the usual one is named.
COMMON_UNITS: Mapping[str, tuple[str, ...]] = {
    "angle": ("rad", "cdeg", "degE7"),
    "angular_rate": ("rad/s", "mrad/s", "cdeg/s"),
    "length": ("ft", "cm", "mm"),
    "speed": ("kt", "km/h", "cm/s", "ft/s", "ft/min"),
    "acceleration": ("g", "mg", "ft/s2"),
    "pressure": ("Pa", "kPa"),
    "ratio": ("%",),
    "voltage": ("mV",),
    "current": ("mA", "cA"),
    "charge": ("mAh",),
}
SELDOM = frozenset({"cdeg", "degE7", "mrad/s", "cdeg/s", "ft/s", "ft/s2", "kPa"})
COST = {"sign": 0.02, "swapped": 0.04, "unit": 0.03}
"""Far below what one relation weighs (1): they only settle which of two explanations is named."""
COST_TURNED = 0.02
COST_SELDOM = 0.03
COST_ONE_SENSOR = -0.01
"""Where only one axis of a sensor shows its unit, the others are in the same one."""
COST_ONE_PROGRAM = 0.02
SAME = 1e-6


@dataclass(frozen=True, slots=True)
class Change:
    """One change of the map: channels with where to read them and the factor on top."""

    kind: Kind
    factors: tuple[tuple[str, str, float], ...]
    extra_cost: float = 0.0

    @property
    def channels(self) -> frozenset[str]:
        """The channels whose lines change."""
        return frozenset(name for name, _, _ in self.factors)

    @property
    def cost(self) -> float:
        """How unlikely it is before anything is seen."""
        turned = self.kind == "unit" and any(factor < 0.0 for _, _, factor in self.factors)
        return COST[self.kind] + COST_TURNED * turned + self.extra_cost

    def on(self, read_as: ReadAs) -> ReadAs:
        """The map with this change applied after what was changed already."""
        new = dict(read_as)
        for name, source, factor in self.factors:
            origin, so_far = read_as.get(source, (source, 1.0))
            new[name] = (origin, so_far * factor)
        return new


def changes(present: Iterable[str], frame: Frame, columns: Columns) -> Iterator[Change]:
    """Every single change of the map that touches one of the channels."""
    named = sorted(present)
    for name in named:
        yield Change("sign", ((name, name, -1.0),))
        for unit, factor in other_units(name, columns.get(name)):
            for turned in (1.0, -1.0):
                yield Change("unit", ((name, name, turned * factor),), COST_SELDOM * (unit in SELDOM))
    for group in TOGETHER:
        there = [name for name in group if frame.has(name)]
        if set(there) & set(named):
            yield from _all_in_one_unit(there, columns, COST_ONE_SENSOR)
    for group in ONE_PROGRAM:
        there = [name for name in group if frame.has(name)]
        if set(there) & set(named):
            yield from _all_in_one_unit(there, columns, COST_ONE_PROGRAM)
    yield from _all_radians(frame, columns)
    for group in EXCHANGED:
        there = [name for name in group if frame.has(name)]
        for index, one in enumerate(there):
            for other in there[index + 1 :]:
                if one in named or other in named:
                    yield Change("swapped", ((one, other, 1.0), (other, one, 1.0)))


def _all_in_one_unit(names: list[str], columns: Columns, cost: float) -> Iterator[Change]:
    """One sensor's channels, those that are not yet read so, in another unit."""
    factors = {name: dict(other_units(name, columns.get(name))) for name in names}
    for unit in sorted({unit for found in factors.values() for unit in found}):
        touched = tuple((name, name, factors[name][unit]) for name in names if unit in factors[name])
        if len(touched) > 1:
            yield Change("unit", touched, cost + COST_SELDOM * (unit in SELDOM))


def _all_radians(frame: Frame, columns: Columns) -> Iterator[Change]:
    """Attitude and rates, with their targets, in radians."""
    touched = tuple(
        (name, name, factor)
        for names, wanted in ALL_RADIANS
        for name in names
        if frame.has(name)
        for unit, factor in other_units(name, columns.get(name))
        if unit == wanted
    )
    if len(touched) > 1:
        yield Change("unit", touched, COST_ONE_PROGRAM)


def other_units(name: str, entry: ColumnMap | None) -> list[tuple[str, float]]:
    """Units that the channel's column may be in instead, with what the values as read are to be
    multiplied with.

    Examples
    --------
    >>> [unit for unit, _ in other_units("bank_deg", ColumnMap("bank_deg", "Roll", unit="rad"))]
    ['deg', 'cdeg']
    """
    own = CHANNELS[name].unit
    if own not in UNITS:
        return []
    read_in = conversion(entry.unit, own)[0] if entry is not None and entry.unit else 1.0
    scale = abs(entry.scale) if entry is not None else 1.0
    found: list[tuple[str, float]] = []
    for unit in (own, *COMMON_UNITS.get(UNITS[own].dimension, ())):
        if unit == "degE7" and name not in PLACE:
            continue
        factor = conversion(unit, own)[0] / read_in
        found += [
            (unit, factor / kept) for kept in dict.fromkeys((1.0, scale)) if abs(factor / kept - 1.0) > SAME
        ]
    return found


def unit_of(name: str, factor: float, entry: ColumnMap | None) -> str | None:
    """The unit that explains a factor on top of the one the column is read in; None where none does."""
    own = CHANNELS[name].unit
    if factor == 1.0 or own not in UNITS:
        return None
    read_in = conversion(entry.unit, own)[0] if entry is not None and entry.unit else 1.0
    dimension = UNITS[own].dimension
    for unit in (own, *COMMON_UNITS.get(dimension, ()), *units_of(dimension)):
        if abs(conversion(unit, own)[0] / (read_in * factor) - 1.0) < 0.01:
            return unit
    return None
