"""The physics check of the channel map: wrong units, exchanged columns, wrong signs.

The relations of motion, commands and bounds are asked of the log as it is read. Where some fail, every single
change of the map (a sign, a unit, a pair exchanged, one sensor's three axes together) is tried, and the
one that puts most relations right is kept, until nothing gets better. The fewest changes that explain
what is seen are the doubts. Where two changes explain it equally well, both channels are named.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from trimkeep.config.airframe import ColumnMap
from trimkeep.detectors.channel_bounds import BOUNDS
from trimkeep.detectors.channel_changes import Change, Columns, Kind, ReadAs, changes, unit_of
from trimkeep.detectors.channel_commands import COMMANDS
from trimkeep.detectors.channel_frame import Frame, Relation
from trimkeep.detectors.channel_relations import MOTION
from trimkeep.detectors.model import Recording
from trimkeep.detectors.numerics.agreement import Agreement, Answer

RELATIONS = (*MOTION, *COMMANDS, *BOUNDS)
FAILED = {Agreement.DIFFERS: 1.0, Agreement.SILENT: 1.2}
"""A pair that goes together, though the wrong way, is nearer to the truth than one that does not."""
LOST_AGREEMENT = 0.6
LOST_ANSWER = 0.9
"""A change under which a relation has no answer any more has not put it right."""
FINE = 0.05
"""Of two units that both would do the one that fits better."""
WORTH = 0.15
"""Least gain for which a change is tried, and below: what a change of several must be worth in the end."""
NEEDED = 0.5
ALIKE = 0.045
"""Below what tells two explanations apart; more than what their likelihood beforehand does."""
MOST_CHANGES = 16
ROUNDING = 1e-9
"""Of sums of a hundred weights; what is this near to a bound is worked out in full."""


@dataclass(frozen=True, slots=True)
class MapDoubt:
    """One line of the channel map that physics speaks against.

    Parameters
    ----------
    channel : str
    column : str or None
        The column that it is to be read from; None where no map was given.
    kind : str
        `sign`, `unit` (with or without the sign) or `swapped`.
    factor : float
        What the values as read have to be multiplied with; 1 for exchanged ones.
    unit : str or None
        Unit that the column seems to be in; None where no usual unit fits or the unit is right.
    swapped_with : str or None
        The channel with which it is exchanged.
    witnesses : tuple of str
        The relations that fail as it is read and hold with the change.
    or_channels : tuple of str
        Channels whose change would explain the same.
    """

    channel: str
    column: str | None
    kind: Kind
    factor: float
    unit: str | None
    swapped_with: str | None
    witnesses: tuple[str, ...]
    or_channels: tuple[str, ...] = ()


class _Court:
    """Asks the relations, remembering each answer for a reading of its channels."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.relations = [one for one in RELATIONS if any(frame.has(name) for name in one.channels)]
        self._known: dict[tuple[str, tuple[tuple[str, float] | None, ...]], Answer] = {}
        self.first = {one.name: self.answer(one, {}) for one in self.relations}

    def answer(self, relation: Relation, read_as: ReadAs) -> Answer:
        key = (relation.name, tuple(read_as.get(name) for name in relation.channels))
        if key not in self._known:
            self._known[key] = relation.ask(self.frame.with_map(read_as))
        return self._known[key]

    def weight(self, relation: Relation, read_as: ReadAs) -> float:
        """How much one relation speaks against a reading."""
        answer, before = self.answer(relation, read_as), self.first[relation.name].said
        said = answer.said
        if said is Agreement.UNKNOWN and before is not Agreement.UNKNOWN:
            return LOST_AGREEMENT if before is Agreement.AGREES else LOST_ANSWER
        return FAILED.get(said, FINE * min(answer.apart, 1.0))

    def cured(self, change: Change, read_as: ReadAs, failing: list[Relation]) -> float | None:
        """How much less the failing relations speak against the reading once it is changed.

        None where the change puts nothing right.
        """
        return self._eased(change, read_as, failing, WORTH)

    def gain(
        self, change: Change, read_as: ReadAs, failing: list[Relation], cured: float, at_least: float
    ) -> float | None:
        """How much less all relations speak against the reading once it is changed; None below a bound."""
        others = [one for one in self.relations if one not in failing]
        eased = self._eased(change, read_as, others, at_least + change.cost - cured)
        return None if eased is None else cured + eased - change.cost

    def _eased(
        self, change: Change, read_as: ReadAs, relations: list[Relation], at_least: float
    ) -> float | None:
        """What the change takes from the weight of some relations; None as soon as that cannot reach a bound.

        No weight is negative, so that what is left to ask can at best take away all that it weighs now.
        """
        new, channels = change.on(read_as), change.channels
        touched = [one for one in relations if not channels.isdisjoint(one.channels)]
        before = [self.weight(one, read_as) for one in touched]
        possible, after = sum(before), []
        for relation in touched:
            if possible < at_least - ROUNDING:
                return None
            after.append(self.weight(relation, new))
            possible -= after[-1]
        eased = sum(old - now for old, now in zip(before, after, strict=True))
        return None if eased < at_least - ROUNDING else eased

    def total(self, read_as: ReadAs) -> float:
        return sum(self.weight(one, read_as) for one in self.relations)

    def failing(self, read_as: ReadAs) -> list[Relation]:
        return [one for one in self.relations if self.answer(one, read_as).said in FAILED]


def check_map(recording: Recording, columns: Sequence[ColumnMap] = ()) -> tuple[MapDoubt, ...]:
    """What physics has against the way a log's columns are read.

    Parameters
    ----------
    recording : Recording
        As read with the present map.
    columns : sequence of ColumnMap
        That map, so that the doubts can name columns and units; for logs with named channels empty.

    Returns
    -------
    tuple of MapDoubt
        Empty when nothing speaks against it, or when too little is known.
    """
    if not recording.channels or recording.duration_s <= 0.0:
        return ()
    frame = Frame.of(recording)
    if not frame.flies:
        return ()
    court = _Court(frame)
    by_channel = {entry.channel: entry for entry in columns}
    kept: list[tuple[Change, tuple[Change, ...]]] = []
    read_as: ReadAs = {}
    while len(kept) < MOST_CHANGES and (failing := court.failing(read_as)):
        found = _best(court, read_as, failing, by_channel)
        if found is None:
            break
        kept.append(found)
        read_as = found[0].on(read_as)
    kept = _needed(court, kept)
    return tuple(_doubts(court, kept, by_channel))


def _best(
    court: _Court, read_as: ReadAs, failing: list[Relation], columns: Columns
) -> tuple[Change, tuple[Change, ...]] | None:
    """The change that puts most right, and others that put as much right."""
    scored = _gains(court, read_as, failing, columns)
    if not scored:
        return None
    best_gain, best = scored[0]
    others = tuple(
        change
        for gain, change in scored[1:]
        if best_gain - gain < ALIKE and not change.channels & best.channels and len(change.factors) == 1
    )
    return best, others


def _gains(
    court: _Court, read_as: ReadAs, failing: list[Relation], columns: Columns
) -> list[tuple[float, Change]]:
    """Changes that are worth it with what they gain, the best first; without some that gain far less."""
    present = {name for relation in failing for name in relation.channels if court.frame.has(name)}
    hopeful = [
        (cured, place, change)
        for place, change in enumerate(changes(present, court.frame, columns))
        if (cured := court.cured(change, read_as, failing)) is not None and cured >= WORTH
    ]
    # The most promising first: those that cannot come near it any more need not be asked to the end.
    hopeful.sort(key=lambda entry: (-entry[0], entry[1]))
    found: list[tuple[float, int, Change]] = []
    bar = WORTH
    for cured, place, change in hopeful:
        gained = court.gain(change, read_as, failing, cured, bar)
        if gained is not None and gained >= WORTH:
            found.append((gained, place, change))
            bar = max(bar, gained - ALIKE)
    found.sort(key=lambda entry: (-entry[0], entry[2].factors, entry[1]))
    return [(gained, change) for gained, _, change in found]


def _needed(
    court: _Court, kept: list[tuple[Change, tuple[Change, ...]]]
) -> list[tuple[Change, tuple[Change, ...]]]:
    """The changes without those that the others make needless, and without what only half helps."""
    index = 0
    while index < len(kept):
        without = kept[:index] + kept[index + 1 :]
        if court.total(_map_of(without)) - court.total(_map_of(kept)) < NEEDED:
            kept = without
        else:
            index += 1
    return kept


def _map_of(kept: Iterable[tuple[Change, tuple[Change, ...]]]) -> ReadAs:
    read_as: ReadAs = {}
    for change, _ in kept:
        read_as = change.on(read_as)
    return read_as


def _doubts(
    court: _Court,
    kept: list[tuple[Change, tuple[Change, ...]]],
    columns: Columns,
) -> Iterator[MapDoubt]:
    read_as = _map_of(kept)
    others = {
        name: tuple(sorted({one for other in others for one in other.channels}))
        for change, others in kept
        for name in change.channels
    }
    for name, (source, factor) in sorted(read_as.items()):
        if source == name and factor == 1.0:
            continue
        witnesses = tuple(
            one.name
            for one in court.relations
            if name in one.channels
            and court.first[one.name].said in FAILED
            and court.answer(one, read_as).said is Agreement.AGREES
        )
        entry = columns.get(source)
        yield MapDoubt(
            channel=name,
            column=None if entry is None else entry.column,
            kind="swapped" if source != name else "sign" if factor == -1.0 else "unit",
            factor=factor,
            unit=unit_of(name, abs(factor), entry),
            swapped_with=source if source != name else None,
            witnesses=witnesses,
            or_channels=others.get(name, ()),
        )


def corrected(entry: ColumnMap, doubt: MapDoubt) -> ColumnMap:
    """The line of the map as the doubt would have it.

    Parameters
    ----------
    entry : ColumnMap
        The present line of the channel; of the one it is exchanged with where it is.
    doubt : MapDoubt

    Examples
    --------
    >>> doubt = MapDoubt("bank_deg", "Roll", "unit", 57.29577951308232, "rad", None, ())
    >>> corrected(ColumnMap("bank_deg", "Roll"), doubt)
    ColumnMap(channel='bank_deg', column='Roll', unit='rad', scale=1.0, sign=1)
    """
    sign = entry.sign * (-1 if doubt.factor < 0.0 else 1)
    turned = replace(entry, channel=doubt.channel, sign=sign)
    if doubt.unit is not None:
        return replace(turned, unit=doubt.unit)
    return replace(turned, scale=entry.scale * abs(doubt.factor))
