"""Undocumented changes planted in fleets at random: how many are reported, and what is reported besides.

`python -m tests.benchmarks.planted_changes [FLEETS [FIRST_SEED [DAYS_OFF]]]`. The logs state firmware, board
and parameters now and then only, as real ones do; counters and learned values move among the settings; and
entries are dated up to DAYS_OFF days off. Seeds from 1,000,000 on were not used in tuning anything.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from trimkeep.detectors.model import ClockSource
from trimkeep.service.changes import changes_of
from trimkeep.service.seen_changes import number_text
from trimkeep.service.store.flights import PlacedFlight, StoredFlight, place_flights
from trimkeep.service.store.journal import JournalRow

UNSEEN = 1_000_000
FIRST = datetime(2026, 3, 2, 9, tzinfo=UTC)
AIRFRAMES = 4
# Settings with the steps by which people change them.
SETTINGS: dict[str, tuple[float, tuple[float, ...]]] = {
    "PITCH_GAIN": (0.12, (-0.02, 0.01, 0.03)),
    "ROLL_GAIN": (0.4, (-0.05, 0.05, 0.1)),
    "CLIMB_LIMIT": (35.0, (-5.0, 2.0, 5.0)),
    "CRUISE_THROTTLE": (48.0, (1.0, 2.0, 3.0)),
    "ELEVATOR_TRIM_US": (1500.0, (-8.0, 4.0, 7.0)),
    "TURN_RADIUS": (60.0, (-10.0, 10.0, 15.0)),
}
BY_THEMSELVES = ("STARTS", "SECONDS_FLOWN", "HOURS_FLOWN", "GYRO_OFFSET")


@dataclass(frozen=True, slots=True)
class Planted:
    """One change: first flight that has it, of what, from what to what, and whether it was written down."""

    flight: int
    kind: str
    part: str
    before: str
    after: str
    documented: bool


@dataclass(frozen=True, slots=True)
class History:
    """One airframe with its truth; only changes that the logs can show are planted."""

    flights: tuple[PlacedFlight, ...]
    sets: Mapping[str, Mapping[str, float]]
    journal: tuple[JournalRow, ...]
    planted: tuple[Planted, ...]


@dataclass(frozen=True, slots=True)
class Score:
    """Undocumented changes planted and missed; documented ones called undocumented, or missing from the logs;
    what moves by itself and was called a change."""

    undocumented: int = 0
    missed: int = 0
    documented: int = 0
    called_undocumented: int = 0
    called_missing: int = 0
    by_itself: int = 0

    def plus(self, other: Score) -> Score:
        """The sum."""
        return Score(*(getattr(self, name) + getattr(other, name) for name in Score.__slots__))


def history(name: str, rng: np.random.Generator, days_off: int) -> History:
    """Fly a season of 25 to 60 flights on one airframe."""
    count = int(rng.integers(25, 61))
    day = np.cumsum(rng.choice([0, 0, 1, 1, 2, 5], count))
    hour = np.zeros(count)
    for k in range(1, count):
        hour[k] = hour[k - 1] + 1.0 if day[k] == day[k - 1] else 0.0
    at = [FIRST + timedelta(days=int(d), hours=float(h)) for d, h in zip(day, hour, strict=True)]
    seconds = rng.uniform(600.0, 2700.0, count)
    states, planted = _states(count, rng)
    stated = {
        kind: rng.random(count) < share
        for kind, share in (("firmware", 0.9), ("autopilot_board", 0.7), ("parameters", 0.6))
    }
    for told in stated.values():
        told[[0, -1]] = True
    planted = [one for one in planted if _can_be_shown(one, planted, stated[one.kind])]
    by_itself = _moving(count, day, seconds, rng)
    sets, flights = {}, []
    for k in range(count):
        parameters = {**states[k]["parameters"], **{part: by_itself[part][k] for part in BY_THEMSELVES}}
        label = f"{name}-{k}"
        sets[label] = {part: float(np.float32(value)) for part, value in parameters.items()}
        flights.append(
            StoredFlight(
                f"{k:012x}".ljust(64, "0"),
                1,
                name,
                at[k],
                ClockSource.SATELLITE,
                0.0,
                float(seconds[k]),
                False,
                False,
                100,
                states[k]["firmware"] if stated["firmware"][k] else None,
                states[k]["autopilot_board"] if stated["autopilot_board"][k] else None,
                label if stated["parameters"][k] else None,
                "a.tlog",
                f"{name}/a.tlog",
            )
        )
    journal = [
        _entry(seq, name, one, at, rng, days_off)
        for seq, one in enumerate(planted, start=1)
        if one.documented
    ]
    return History(place_flights(flights), sets, tuple(journal), tuple(planted))


def _states(count: int, rng: np.random.Generator) -> tuple[list[dict[str, object]], list[Planted]]:
    """What each flight is flown with, and the changes between them."""
    moves: dict[int, list[tuple[str, str]]] = {}
    things = [("firmware", "")] * int(rng.integers(1, 4)) + [("autopilot_board", "")] * int(
        rng.integers(0, 2)
    )
    things += [("parameters", str(part)) for part in rng.choice(list(SETTINGS), int(rng.integers(2, 8)))]
    for thing in things:
        moves.setdefault(int(rng.integers(1, count)), []).append(thing)
    firmware, board = 1, 1
    values = {part: start for part, (start, _) in SETTINGS.items()}
    states, planted = [], []
    for k in range(count):
        for kind, part in dict.fromkeys(moves.get(k, [])):
            noted = bool(rng.random() < 0.6)
            if kind == "firmware":
                before, firmware = f"4.{firmware}", firmware + int(rng.integers(1, 4))
                after = f"4.{firmware}"
            elif kind == "autopilot_board":
                before, board = f"board {board}", board + 1
                after = f"board {board}"
            else:
                before = number_text(values[part])
                step = float(rng.choice(SETTINGS[part][1]))
                values[part] = round(values[part] + step, 3)
                after = number_text(values[part])
            planted.append(Planted(k, kind, part, before, after, noted))
        states.append(
            {"firmware": f"4.{firmware}", "autopilot_board": f"board {board}", "parameters": dict(values)}
        )
    return states, planted


def _can_be_shown(one: Planted, planted: Sequence[Planted], stated: np.ndarray) -> bool:
    """Whether a log before and one after state it, with no other change of the same thing between them."""
    before = int(np.flatnonzero(stated[: one.flight])[-1])
    after = one.flight + int(np.flatnonzero(stated[one.flight :])[0])
    return not any(
        other is not one
        and (other.kind, other.part) == (one.kind, one.part)
        and before < other.flight <= after
        for other in planted
    )


def _moving(
    count: int, day: np.ndarray, seconds: np.ndarray, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    first = np.diff(day, prepend=-1) > 0
    ran = seconds * rng.uniform(1.0, 1.2)
    total = 3600.0 * rng.uniform(10.0, 90.0) + np.cumsum(ran) - ran
    return {
        "STARTS": rng.integers(50, 900) + np.cumsum(first | (rng.random(count) < 0.3)).astype(float),
        "SECONDS_FLOWN": np.floor(total),
        "HOURS_FLOWN": np.floor(total / 3600.0),
        "GYRO_OFFSET": rng.normal(0.01, 0.003, count),
    }


def _entry(
    seq: int,
    name: str,
    one: Planted,
    at: Sequence[datetime],
    rng: np.random.Generator,
    days_off: int,
) -> JournalRow:
    """Written down on the day of the flight after, or some days off."""
    off = int(rng.integers(-days_off, days_off + 1)) if days_off else 0
    done_at = (at[one.flight] + timedelta(days=off)).date().isoformat()
    if not days_off and at[one.flight].date() == at[one.flight - 1].date():
        # Work between two flights of a day has a time.
        done_at = (at[one.flight] - timedelta(minutes=20)).isoformat(timespec="minutes")
    texts = (one.kind, one.part, one.before, one.after, "Ann", "")
    return JournalRow(seq, name, FIRST, "file", done_at, *texts, standing="current")


def score(one: History, name: str) -> Score:
    """Compare what is reported with what was planted."""
    found = changes_of(name, one.flights, one.journal, one.sets, "UTC")
    said = [
        (item.kind, item.part, item.after)
        for change in found.changes
        for item in change.items
        if not item.documented
    ]
    undocumented = [(p.kind, p.part, p.after) for p in one.planted if not p.documented]
    documented = [(p.kind, p.part, p.after) for p in one.planted if p.documented]
    left = list(said)
    missed = 0
    for key in undocumented:
        if key in left:
            left.remove(key)
        else:
            missed += 1
    by_itself = [key for key in left if key[1] in BY_THEMSELVES]
    return Score(
        len(undocumented),
        missed,
        len(documented),
        len([key for key in left if key in documented]),
        len(found.unseen),
        len({part for _, part, _ in by_itself}),
    )


def fleet_score(seed: int, days_off: int = 0) -> Score:
    """One fleet."""
    rng = np.random.default_rng(seed)
    total = Score()
    for number in range(AIRFRAMES):
        name = f"heron-{number:02d}"
        total = total.plus(score(history(name, rng, days_off), name))
    return total


def main(arguments: Sequence[str]) -> None:
    """Print the sums."""
    count = int(arguments[0]) if arguments else 200
    first = int(arguments[1]) if len(arguments) > 1 else UNSEEN
    days = [int(arguments[2])] if len(arguments) > 2 else [0, 1, 3]
    for days_off in days:
        total = Score()
        for seed in range(first, first + count):
            total = total.plus(fleet_score(seed, days_off))
        sys.stdout.write(f"{count} fleets, entries up to {days_off} days off: {total}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
