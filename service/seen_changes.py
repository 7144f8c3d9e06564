"""What the logs themselves show to have changed between two flights: firmware, board, parameters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
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
    for name, readings in parameter_histories(flights, parameters).items():
        if moves_by_itself(readings):
            continue
        for earlier, later in pairwise(readings):
            if not same_value(earlier.value, later.value):
                texts = (number_text(earlier.value), number_text(later.value))
                yield SeenItem(later.order, earlier.order, "parameters", name, *texts)


def parameter_histories(
    flights: Sequence[PlacedFlight], parameters: Mapping[str, Mapping[str, float]]
) -> dict[str, list[Reading]]:
    """Every parameter's values in the flights whose logs state it, in order."""
    histories: dict[str, list[Reading]] = {}
    nights, flown_s = 0, 0.0
    last: PlacedFlight | None = None
    for flight in flights:
        nights += last is not None and flight.at - last.at >= NIGHT
        last = flight
        merged: dict[str, float] = {}
        for recording in reversed(flight.recordings):
            merged.update(parameters.get(recording.parameter_set or "", {}))
        for name, value in merged.items():
            histories.setdefault(name, []).append(Reading(flight.order, value, nights, flown_s))
        flown_s += flight.main.seconds
    return histories


def number_text(value: float) -> str:
    """A parameter's value as people write it.

    >>> number_text(float(np.float32(0.12))), number_text(1500.0)
    ('0.12', '1500')
    """
    if float(value).is_integer() and abs(value) < 1e15:
        return str(int(value))
    return np.format_float_positional(np.float32(value), unique=True, trim="-")
