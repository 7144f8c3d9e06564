"""What the logs themselves show to have changed between two flights: firmware, board, parameters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from trimkeep.service.store.flights import PlacedFlight

# Parameters travel as 32-bit floats and are printed as decimals in tables: the same setting may differ in
# the seventh digit.
SAME_RELATIVE = 1e-6
# A setting that a person types has few digits; what a flight controller learns or counts has all seven.
TYPED_DIGITS = 4
LEAST_COMPARISONS = 3
# Nobody retunes one whole number before most of so many flights.
MANY_COMPARISONS = 8


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


@dataclass(frozen=True, slots=True)
class Reading:
    """A parameter's value in a flight, by the flight's order."""

    order: int
    value: float


def _moved(
    flights: Sequence[PlacedFlight], parameters: Mapping[str, Mapping[str, float]]
) -> Iterator[SeenItem]:
    for name, readings in parameter_histories(flights, parameters).items():
        values = [reading.value for reading in readings]
        if moves_by_itself(values):
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
    for flight in flights:
        merged: dict[str, float] = {}
        for recording in reversed(flight.recordings):
            merged.update(parameters.get(recording.parameter_set or "", {}))
        for name, value in merged.items():
            histories.setdefault(name, []).append(Reading(flight.order, value))
    return histories


def same_value(a: float, b: float) -> bool:
    """Whether two readings are the same setting.

    >>> same_value(0.12, float(np.float32(0.12))), same_value(0.12, 0.13)
    (True, False)
    """
    return abs(a - b) <= SAME_RELATIVE * max(abs(a), abs(b))


def moves_by_itself(values: Sequence[float]) -> bool:
    """Whether a parameter is a counter, a clock or something learned rather than a setting.

    Rule: it was read in at least four flights, was different in more than half of the comparisons of one
    flight with the next, and what it moved to looks like no person's choice: whole numbers that only
    rise (counters of flights, starts, seconds), or mostly values with more than four significant digits
    (offsets learned in flight); or whole numbers that were different in at least two of three of many
    comparisons (seconds awake, read once in each flight, come out equal now and then). A pilot who tunes a
    gain before every flight types short numbers, up and down, and stays visible.

    >>> moves_by_itself([101, 102, 103, 104]), moves_by_itself([0.10, 0.12, 0.11, 0.14])
    (True, False)
    """
    pairs = list(pairwise(values))
    moves = [(a, b) for a, b in pairs if not same_value(a, b)]
    if len(pairs) < LEAST_COMPARISONS or 2 * len(moves) <= len(pairs):
        return False
    counts = all(b > a and float(b).is_integer() for a, b in moves)
    learned = sum(significant_digits(b) > TYPED_DIGITS for _, b in moves)
    whole = all(float(value).is_integer() for value in values)
    restless = whole and len(pairs) >= MANY_COMPARISONS and 3 * len(moves) >= 2 * len(pairs)
    return counts or restless or 2 * learned > len(moves)


def significant_digits(value: float) -> int:
    """Digits of the shortest decimal that is this value as a 32-bit float.

    >>> [significant_digits(v) for v in (0.12, 1500.0, float(np.float32(0.0123456)), 0.0)]
    [2, 2, 6, 0]
    """
    text = np.format_float_scientific(np.float32(value), unique=True, trim="-")
    digits = text.lower().split("e")[0].lstrip("-").replace(".", "").strip("0")
    return len(digits)


def number_text(value: float) -> str:
    """A parameter's value as people write it.

    >>> number_text(float(np.float32(0.12))), number_text(1500.0)
    ('0.12', '1500')
    """
    if float(value).is_integer() and abs(value) < 1e15:
        return str(int(value))
    return np.format_float_positional(np.float32(value), unique=True, trim="-")
