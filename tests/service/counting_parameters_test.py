"""Counters are told from settings, in full logs and in sparse ones."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest

from tests.benchmarks.counting_parameters import COUNTERS, SETTINGS, UNSEEN, readings, season
from trimkeep.service.counting_parameters import Reading, keeps_count, moves_by_itself, same_value

# A short season of the benchmark's: what moves once or twice in it can be anything.
LONG_SEASON, FEW_COMPARISONS = 20, 6


def one_a_day(values: Sequence[float]) -> list[Reading]:
    """One flight of ten minutes a day, each with a reading."""
    return [Reading(k, float(np.float32(value)), k, 600.0 * k) for k, value in enumerate(values)]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([1, 2, 3, 4, 5], True),  # counter of flights
        ([112.0, 733.0, 1941.0, 2618.0], True),  # seconds flown
        ([0.012345, 0.023456, 0.011111, 0.034567], True),  # offset learned in flight
        ([0.10, 0.12, 0.11, 0.14], False),  # a pilot who tunes
        ([40, 45, 40, 50], False),  # up and down in whole numbers: a person
        ([40, 45, 50, 55], False),  # only up, and in round numbers: a person
        ([1.0, 1.0, 1.0, 2.0], False),  # once
        ([1, 2, 3], False),  # too little to know
        ([47, 56, 65, 74, 69, 65, 61, 69, 54], True),  # seconds awake, read once in each flight
        ([10, 10, 9, 8, 40, 40, 11, 8, 9, 38, 39, 39, 9, 10], True),  # the same, equal now and then
        ([40, 45, 40, 40, 40, 45, 50, 50, 55], False),  # a person, in whole numbers, not before each flight
        ([7, 7, 7, 8, 8, 8, 8, 9, 9, 9, 10, 10], False),  # raised three times by one
        ([812, 813, 815, 816, 0, 1, 2, 4], True),  # a counter of starts on a board that was set up anew
    ],
)
def test_parameters_that_move_by_themselves(values: list[float], expected: bool) -> None:
    assert moves_by_itself(one_a_day(values)) is expected


def test_starts_that_move_in_a_third_of_the_flights_are_no_change() -> None:
    # Three flights on each of eight days, all on one battery: the board starts once a day.
    days = np.repeat(np.arange(8), 3)
    counted = [Reading(k, float(417 + day), int(day), 1200.0 * k) for k, day in enumerate(days)]
    assert moves_by_itself(counted)
    # A setting raised on three of those days stands still on the others.
    raised = [Reading(k, float(417 + min(day, 3)), int(day), 1200.0 * k) for k, day in enumerate(days)]
    assert not moves_by_itself(raised)


def test_hours_are_whole_so_rarely_that_they_move_in_few_flights() -> None:
    counted = [Reading(k, float(int(41.3 + 0.3 * 1.1 * k)), k, 1080.0 * k) for k in range(30)]
    assert sum(not same_value(a.value, b.value) for a, b in pairwise(counted)) < 15
    assert moves_by_itself(counted)


def test_one_reading_in_ten_flights_is_enough_for_seconds_and_not_for_a_pulse_width() -> None:
    flown = range(0, 40, 10)
    assert moves_by_itself([Reading(k, 412_345.0 + 1311.0 * k, k // 3, 1200.0 * k) for k in flown])
    assert not keeps_count(
        [Reading(k, 1504.0 + v, k // 3, 1200.0 * k) for k, v in zip(flown, (0, 4, 7, 11), strict=True)]
    )


@pytest.mark.parametrize("name", COUNTERS)
@pytest.mark.parametrize("share", [1.0, 0.5])
def test_no_counter_is_reported_in_seasons_never_seen(name: str, share: float) -> None:
    reported = shown = 0
    for seed in range(UNSEEN, UNSEEN + 60):
        rng = np.random.default_rng(seed)
        flown = season(share, rng)
        seen = readings(flown, COUNTERS[name](flown, rng))
        if flown.day.size >= LONG_SEASON and len(seen) > FEW_COMPARISONS:
            shown += 1
            reported += not moves_by_itself(seen)
    assert shown > 30
    assert reported == 0


@pytest.mark.parametrize("name", [name for name in SETTINGS if "three times" in name or "once" in name])
@pytest.mark.parametrize("share", [1.0, 0.5])
def test_every_setting_that_moved_is_reported_in_seasons_never_seen(name: str, share: float) -> None:
    missed = shown = 0
    for seed in range(UNSEEN, UNSEEN + 60):
        rng = np.random.default_rng(seed)
        flown = season(share, rng)
        seen = readings(flown, SETTINGS[name](flown, rng))
        if any(not same_value(a.value, b.value) for a, b in pairwise(seen)):
            shown += 1
            missed += moves_by_itself(seen)
    assert shown > 30
    assert missed == 0
