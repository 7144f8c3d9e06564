"""How well counters are told from settings that a person raises, in full and in sparse logs.

`python -m tests.benchmarks.counting_parameters [SEASONS [FIRST_SEED]]`. Seeds below 1,000,000 were used to
choose the rule's limits; the figures in service/README.md are from 1,000,000 on.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from trimkeep.service.counting_parameters import Reading, moves_by_itself, same_value

UNSEEN = 1_000_000
# Share of flights whose logs state the parameters at all.
SHARES = (1.0, 0.5, 0.2, 0.1)


@dataclass(frozen=True, slots=True)
class Season:
    """Flights of one airframe: which day, how long, which are logged, which of these state parameters."""

    day: np.ndarray
    seconds: np.ndarray
    logged: np.ndarray
    read: np.ndarray


def season(share: float, rng: np.random.Generator) -> Season:
    """10 to 80 flights, one to five on a flying day, a tenth of them without a log."""
    count = int(rng.integers(10, 81))
    day = np.repeat(np.arange(count), rng.integers(1, 6, count))[:count]
    seconds = rng.uniform(300.0, 2700.0, count)
    logged = rng.random(count) < 0.9
    return Season(day, seconds, logged, logged & (rng.random(count) < share))


def readings(flown: Season, values: np.ndarray) -> list[Reading]:
    """What the logs show of a parameter that had these values at the start of each flight."""
    order = np.cumsum(flown.logged) - 1
    days = np.cumsum(np.diff(flown.day[flown.logged], prepend=flown.day[flown.logged][:1]) > 0)
    logged_s = np.where(flown.logged, flown.seconds, 0.0)
    before_s = np.cumsum(logged_s) - logged_s
    return [
        Reading(int(order[k]), float(np.float32(values[k])), int(days[order[k]]), float(before_s[k]))
        for k in np.flatnonzero(flown.read)
    ]


# --- counters ---


def starts(restarted: float) -> Callable[[Season, np.random.Generator], np.ndarray]:
    """Starts of the board: at least one on each day, and before this share of the other flights."""

    def values(flown: Season, rng: np.random.Generator) -> np.ndarray:
        first = np.diff(flown.day, prepend=-1) > 0
        again = first | (rng.random(flown.day.size) < restarted)
        # A start on the bench now and then.
        bench = np.where(first, rng.poisson(0.5, flown.day.size), 0)
        return _reset(float(rng.integers(0, 4000)) + np.cumsum(again + bench), rng)

    return values


def clock(unit_s: float) -> Callable[[Season, np.random.Generator], np.ndarray]:
    """Time flown, or with motors running, in whole units, stored after each flight."""

    def values(flown: Season, rng: np.random.Generator) -> np.ndarray:
        ran = flown.seconds * rng.uniform(1.0, 1.3) + rng.uniform(0.0, 120.0, flown.seconds.size)
        total = float(rng.uniform(0.0, 200.0)) * 3600.0 + np.cumsum(ran) - ran
        return _reset(np.floor(total / unit_s), rng)

    return values


def flights(flown: Season, rng: np.random.Generator) -> np.ndarray:
    """Flights, with or without a log."""
    return _reset(float(rng.integers(0, 900)) + np.arange(flown.day.size), rng)


def _reset(values: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One season in ten the board is set up anew and counts from nothing."""
    if rng.random() < 0.1:
        at = int(rng.integers(1, values.size))
        values = np.concatenate((values[:at], values[at:] - values[at]))
    return values


COUNTERS: dict[str, Callable[[Season, np.random.Generator], np.ndarray]] = {
    "flights": flights,
    "starts, one for each flight": starts(1.0),
    "starts, one flight in two": starts(0.5),
    "starts, one for each day": starts(0.0),
    "seconds flown": clock(1.0),
    "minutes flown": clock(60.0),
    "tenths of hours flown": clock(360.0),
    "hours flown": clock(3600.0),
}


# --- settings ---


def raised(
    low: float, high: float, step: Sequence[float], moves: tuple[int, int], digits: int
) -> Callable[[Season, np.random.Generator], np.ndarray]:
    """A setting that a person raises some times in a season, by one of these steps each time."""

    def values(flown: Season, rng: np.random.Generator) -> np.ndarray:
        count = min(int(rng.integers(moves[0], moves[1] + 1)), flown.day.size - 1)
        at = np.sort(rng.choice(np.arange(1, flown.day.size), count, replace=False))
        changed = np.zeros(flown.day.size)
        changed[at] = rng.choice(np.asarray(step), count)
        start = round(float(rng.uniform(low, high)), digits)
        return np.round(start + np.cumsum(changed), digits)

    return values


SETTINGS: dict[str, Callable[[Season, np.random.Generator], np.ndarray]] = {
    "a percentage, raised three times by 1 to 5": raised(20, 80, (1, 2, 3, 4, 5), (3, 3), 0),
    "a small whole number, raised three times by 1": raised(1, 12, (1,), (3, 3), 0),
    "a pulse width, raised three times by 2 to 12": raised(1450, 1550, range(2, 13), (3, 3), 0),
    "a limit, raised three times by 10": raised(80, 200, (10,), (3, 3), 0),
    "a gain, raised three times by 0.01 to 0.05": raised(0.1, 0.9, (0.01, 0.02, 0.05), (3, 3), 2),
    "a whole number, raised four to six times": raised(10, 90, (1, 2, 3), (4, 6), 0),
    "a whole number, moved once": raised(5, 120, (1, 2, 3, 5, 10), (1, 1), 0),
    "a whole number, up and down three to six times": raised(20, 80, (-3, -2, -1, 1, 2, 3), (3, 6), 0),
}


@dataclass(frozen=True, slots=True)
class Tally:
    """Seasons in which a move was seen at all, and in how many of these it was taken for itself moving."""

    shown: int = 0
    by_itself: int = 0


def tally(
    made: Callable[[Season, np.random.Generator], np.ndarray], share: float, seeds: Sequence[int]
) -> Tally:
    """Play seasons, one for each seed."""
    shown = by_itself = 0
    for seed in seeds:
        rng = np.random.default_rng(seed)
        flown = season(share, rng)
        seen = readings(flown, made(flown, rng))
        if any(not same_value(a.value, b.value) for a, b in pairwise(seen)):
            shown += 1
            by_itself += moves_by_itself(seen)
    return Tally(shown, by_itself)


def main(arguments: Sequence[str]) -> None:
    """Print both tables."""
    count = int(arguments[0]) if arguments else 1000
    first = int(arguments[1]) if len(arguments) > 1 else UNSEEN
    for title, group, wrong in (
        ("counters reported as a change", COUNTERS, lambda one: one.shown - one.by_itself),
        ("settings whose changes were not reported", SETTINGS, lambda one: one.by_itself),
    ):
        sys.stdout.write(f"| {title} | " + " | ".join(f"{share:.0%} of logs" for share in SHARES) + " |\n")
        sys.stdout.write("|---" * (len(SHARES) + 1) + "|\n")
        for number, (name, made) in enumerate(group.items()):
            cells = []
            for share in SHARES:
                start = first + number * 100_000 + int(1000 * share) * 10_000_000
                one = tally(made, share, range(start, start + count))
                cells.append(f"{wrong(one)} of {one.shown}")
            sys.stdout.write(f"| {name} | " + " | ".join(cells) + " |\n")


if __name__ == "__main__":
    main(sys.argv[1:])
