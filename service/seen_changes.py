"""What the logs themselves show to have changed between two flights: firmware, board, parameters."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

import numpy as np

from trimkeep.service.counting_parameters import Reading, moves_by_itself, same_value
from trimkeep.service.store.flights import PlacedFlight

# A pause so long that the aeroplane was switched off in it: nobody leaves a board powered overnight.
NIGHT = timedelta(hours=6)


@dataclass(frozen=True, slots=True)
class SeenItem:
    """Something that was different in a flight than in the one before that stated it.

    `gap` is the order of the first flight that shows the new state, `after_flight` that of the last one
    that shows the old; logs of flights between them do not say. `part` is the parameter's name.
    """

    gap: int
    after_flight: int
    kind: str
    part: str
    before: str
    after: str


def seen_changes(
    flights: Sequence[PlacedFlight], parameters: Mapping[str, Mapping[str, float]]
) -> tuple[SeenItem, ...]:
    """Changes between consecutive flights of one airframe, in order.

    A flight whose log does not state something is passed over: the last known state is carried on.

    Parameters
    ----------
    flights : sequence of PlacedFlight
        One airframe, in order.
    parameters : mapping
        Parameter sets by their hash.
    """
    items = [
        *_stated(flights, "firmware", lambda flight: flight.firmware),
        *_stated(flights, "autopilot_board", lambda flight: flight.board),
        *_moved(flights, parameters),
    ]
    return tuple(sorted(items, key=lambda item: (item.gap, item.kind, item.part)))


def _stated(
    flights: Sequence[PlacedFlight], kind: str, state: Callable[[PlacedFlight], str | None]
) -> Iterator[SeenItem]:
    last: str | None = None
    since = 0
    for flight in flights:
        now = state(flight)
        if now is None:
            continue
        if last is not None and now != last:
            yield SeenItem(flight.order, since, kind, "", last, now)
        last, since = now, flight.order


def _moved(
    flights: Sequence[PlacedFlight], parameters: Mapping[str, Mapping[str, float]]
) -> Iterator[SeenItem]:
    # Most parameters never move, and the history of one that does not has nothing to tell.
    moving = [name for name, values in _stated_values(flights, parameters).items() if len(values) > 1]
    for name, readings in parameter_histories(flights, parameters, moving).items():
        if moves_by_itself(readings):
            continue
        for earlier, later in pairwise(readings):
            if not same_value(earlier.value, later.value):
                texts = (number_text(earlier.value), number_text(later.value))
                yield SeenItem(later.order, earlier.order, "parameters", name, *texts)


def parameter_names(
    flights: Sequence[PlacedFlight], parameters: Mapping[str, Mapping[str, float]]
) -> tuple[str, ...]:
    """The parameters that any of the flights' logs states, in the order of their first statement."""
    return tuple(_stated_values(flights, parameters))


def _stated_values(
    flights: Sequence[PlacedFlight], parameters: Mapping[str, Mapping[str, float]]
) -> dict[str, set[float]]:
    """Every value that each parameter has in the flights; sets that flights share are looked at once."""
    values: dict[str, set[float]] = {}
    for sets in dict.fromkeys(_sets_of(flight) for flight in flights):
        for name, value in _merged(sets, parameters).items():
            values.setdefault(name, set()).add(value)
    return values


def parameter_histories(
    flights: Sequence[PlacedFlight],
    parameters: Mapping[str, Mapping[str, float]],
    names: Collection[str] | None = None,
) -> dict[str, list[Reading]]:
    """Every parameter's values in the flights whose logs state it, in order; only of `names` where given."""
    histories: dict[str, list[Reading]] = {}
    nights, flown_s = 0, 0.0
    last: PlacedFlight | None = None
    for flight in flights:
        nights += last is not None and flight.at - last.at >= NIGHT
        last = flight
        merged = _merged(_sets_of(flight), parameters)
        for name in merged if names is None else names:
            if name in merged:
                histories.setdefault(name, []).append(Reading(flight.order, merged[name], nights, flown_s))
        flown_s += flight.main.seconds
    return histories


def _sets_of(flight: PlacedFlight) -> tuple[str, ...]:
    return tuple(recording.parameter_set or "" for recording in flight.recordings)


def _merged(sets: tuple[str, ...], parameters: Mapping[str, Mapping[str, float]]) -> Mapping[str, float]:
    """What the recordings of one flight state together; the richest, which comes first, has the last word."""
    if len(sets) == 1:
        return parameters.get(sets[0], {})
    merged: dict[str, float] = {}
    for one in reversed(sets):
        merged.update(parameters.get(one, {}))
    return merged


def number_text(value: float) -> str:
    """A parameter's value as people write it.

    >>> number_text(float(np.float32(0.12))), number_text(1500.0)
    ('0.12', '1500')
    """
    if float(value).is_integer() and abs(value) < 1e15:
        return str(int(value))
    return np.format_float_positional(np.float32(value), unique=True, trim="-")
