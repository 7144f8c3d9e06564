"""Parameters that no person sets: counters, clocks, and what a flight controller learns by itself.

Some autopilots keep their number of starts or the hours flown among the parameters. Such a value rises with
what it counts, and it never falls behind: a counter of starts is higher after every night, a counter of hours
after every hour flown. A setting that a person raises now and then falls behind all of these within a few
flights, however few of the logs show it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from trimkeep.detectors.model import FloatArray

# Parameters travel as 32-bit floats and are printed as decimals in tables: the same setting may differ in
# the seventh digit.
SAME_RELATIVE = 1e-6
# A setting that a person types has few digits; what a flight controller learns or counts has all seven.
TYPED_DIGITS = 4
LEAST_COMPARISONS = 3
# Nobody retunes one whole number before most of so many flights.
MANY_COMPARISONS = 8
# People choose round numbers, a counter comes by one in five times: three of three are 1 in 125.
ROUND = 5.0
# Flights that no log shows, starts on the bench, motors run on the ground: a counter may rise by so many
# times what the logs show, and by so many more at once.
MOST_TIMES, MOST_MORE, MOST_MORE_S = 4.0, 10.0, 2.0 * 3600.0
# What must have passed, and over how many comparisons, before a rise with it says anything. Whole hours and
# nights pass so slowly that a setting raised by large steps keeps up with them from one log in ten to the
# next; nothing that a person raises keeps up with minutes.
LEAST_FLIGHTS, LEAST_NIGHTS = (3.0, 3), (5.0, 4)
LEAST_OF_UNIT_S = {3600.0: (6.0, 4), 360.0: (12.0, 2), 60.0: (30.0, 1), 1.0: (900.0, 1)}
# A whole number that only rose, in more than half of the comparisons and so often, is no person's either.
MANY_RISES = 6


@dataclass(frozen=True, slots=True)
class Reading:
    """A parameter's value in a flight, by the flight's order.

    `days` is how many nights (long pauses) lie between the airframe's first flight and this one, `flown_s`
    the time in the air in all its logged flights before.
    """

    order: int
    value: float
    days: int = 0
    flown_s: float = 0.0


def same_value(a: float, b: float) -> bool:
    """Whether two readings are the same setting.

    >>> same_value(0.12, float(np.float32(0.12))), same_value(0.12, 0.13)
    (True, False)
    """
    return abs(a - b) <= SAME_RELATIVE * max(abs(a), abs(b))


def moves_by_itself(readings: Sequence[Reading]) -> bool:
    """Whether a parameter is a counter, a clock or something learned rather than a setting.

    Rules, any of which is enough:

    - learned: different in more than half of at least three comparisons of one reading with the next, and
      mostly to values of more than four significant digits;
    - restless: whole numbers, different in two of three of many comparisons (seconds awake, read once in
      each flight, come out equal now and then);
    - counting: whole numbers that rise and keep up with what they may count, see `keeps_count`.

    A person who tunes before every flight types short numbers, up and down, and stays visible; so does one
    who raises a limit three times in a season.

    >>> [moves_by_itself([Reading(k, v) for k, v in enumerate(values)])
    ...  for values in ([101, 102, 103, 104], [0.10, 0.12, 0.11, 0.14])]
    [True, False]
    """
    pairs = list(pairwise(reading.value for reading in readings))
    moves = [(a, b) for a, b in pairs if not same_value(a, b)]
    if not moves:
        return False
    if len(pairs) >= LEAST_COMPARISONS and 2 * len(moves) > len(pairs):
        learned = sum(significant_digits(b) > TYPED_DIGITS for _, b in moves)
        if 2 * learned > len(moves):
            return True
    whole = all(float(reading.value).is_integer() for reading in readings)
    if not whole:
        return False
    restless = len(pairs) >= MANY_COMPARISONS and 3 * len(moves) >= 2 * len(pairs)
    return restless or keeps_count(readings)


@dataclass(frozen=True, slots=True)
class _Counted:
    """Something that can be counted: how much of it had passed by each reading.

    A counter may lag by `lag` (what is begun is not counted yet) and be ahead at once by `more`; `least` of
    it must have passed in all, over so many comparisons, before anything is concluded.
    """

    passed: FloatArray
    lag: float
    more: float
    least: tuple[float, int]


def keeps_count(readings: Sequence[Reading]) -> bool:
    """Whether whole numbers rise with flights, nights, or time flown, and never fall behind.

    Between any two readings the value must have risen by at least what the logs show to have passed, and by
    no more than some times as much: there are flights without logs and starts on the bench. It may fall back
    to nothing now and then, as when a board is set up anew. Round numbers throughout are a person's.
    """
    values = np.array([reading.value for reading in readings], dtype=np.float64)
    known = {float(value) for value in values if value != 0.0}
    if len(known) < 2 or all(value % ROUND == 0.0 for value in known):
        return False
    steps = np.diff(values)
    rises = int(np.count_nonzero(steps > 0.0))
    if rises >= MANY_RISES and 2 * rises > steps.size and not np.any(steps < 0.0):
        return True
    return any(_keeps_up(values, counted) for counted in _countable(readings))


def _countable(readings: Sequence[Reading]) -> Iterator[_Counted]:
    flights = np.array([reading.order for reading in readings], dtype=np.float64)
    nights = np.array([reading.days for reading in readings], dtype=np.float64)
    flown_s = np.array([reading.flown_s for reading in readings], dtype=np.float64)
    yield _Counted(flights, lag=0.0, more=MOST_MORE, least=LEAST_FLIGHTS)
    yield _Counted(nights, lag=0.0, more=MOST_MORE, least=LEAST_NIGHTS)
    for unit_s, least in LEAST_OF_UNIT_S.items():
        yield _Counted(flown_s / unit_s, lag=1.0, more=MOST_MORE_S / unit_s, least=least)


def _keeps_up(values: FloatArray, counted: _Counted) -> bool:
    """Whether the values rise as what is counted passes, apart from a few falls back to nothing."""
    steps, passed = np.diff(values), np.diff(counted.passed)
    falls = np.flatnonzero(steps < 0.0)
    room = MOST_TIMES * passed + counted.more
    if falls.size > max(1, steps.size // 8) or np.any(values[falls + 1] > room[falls]):
        return False
    seen = 0.0
    for part in np.split(np.arange(values.size), falls + 1):
        behind = values[part] - counted.passed[part]
        if np.max(np.maximum.accumulate(behind) - behind) > counted.lag:
            return False
        if np.any(np.diff(values[part]) > room[part[:-1]]):
            return False
        seen += float(counted.passed[part[-1]] - counted.passed[part[0]])
    least, comparisons = counted.least
    return seen >= least and steps.size >= comparisons


def significant_digits(value: float) -> int:
    """Digits of the shortest decimal that is this value as a 32-bit float.

    >>> [significant_digits(v) for v in (0.12, 1500.0, float(np.float32(0.0123456)), 0.0)]
    [2, 2, 6, 0]
    """
    text = np.format_float_scientific(np.float32(value), unique=True, trim="-")
    digits = text.lower().split("e")[0].lstrip("-").replace(".", "").strip("0")
    return len(digits)
