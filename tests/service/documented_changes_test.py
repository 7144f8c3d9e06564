"""Whatever is changed and written down or not: every undocumented change is reported, no documented one is.

Histories are made at random, with the truth beside them; one flight a day, and work between two flights noted
on some day of the gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.benchmarks.planted_changes import UNSEEN, Score, fleet_score
from tests.service.changes_test import DAY_ONE, flown
from trimkeep.service.changes import changes_of
from trimkeep.service.store.journal import JournalRow

# Versions of which one is the beginning of another, as they come after 4.9.
VERSIONS = ["4.1", "4.2", "4.10", "4.11", "4.1.2", "v5.0", "5.0-rc1"]
BOARDS = ["board A", "board B", "board AB"]
GAINS = [0.1, 0.12, 0.2, 1.5, 2.25]
PARTS = ("PITCH_GAIN", "ROLL_GAIN")


@dataclass(frozen=True)
class Planted:
    """One change: in which gap, of what, to what, and whether somebody wrote it down."""

    gap: int
    kind: str
    part: str
    before: str
    after: str
    documented: bool


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[dict[str, object]], list[Planted]]:
    state = {"firmware": "4.1", "autopilot_board": "board A", "PITCH_GAIN": 0.1, "ROLL_GAIN": 0.1}
    choices = {"firmware": VERSIONS, "autopilot_board": BOARDS, "PITCH_GAIN": GAINS, "ROLL_GAIN": GAINS}
    states, planted = [], []
    for flight in range(draw(st.integers(2, 12))):
        # Rarely enough that nothing looks as if it moved by itself.
        moving = draw(st.sets(st.sampled_from(sorted(choices)), max_size=2)) if flight % 3 == 1 else set()
        for name in sorted(moving):
            new = draw(st.sampled_from([one for one in choices[name] if one != state[name]]))
            kind, part = ("parameters", name) if name in PARTS else (name, "")
            before, after, noted = f"{state[name]}", f"{new}", draw(st.booleans())
            planted.append(Planted(flight, kind, part, before, after, noted))
            state[name] = new
        states.append(
            {
                "firmware": state["firmware"],
                "board": state["autopilot_board"],
                "parameters": {part: state[part] for part in PARTS},
            }
        )
    return states, planted


def entry(seq: int, one: Planted) -> JournalRow:
    """A line of the journal, dated on the day of the flight after: in effect before its first flight."""
    day = (DAY_ONE + timedelta(days=one.gap)).date().isoformat()
    texts = (one.kind, one.part, one.before, one.after, "Ann", "")
    return JournalRow(seq, "heron-01", DAY_ONE, "file", day, *texts, standing="current")


@settings(max_examples=200, deadline=None)
@given(histories())
def test_every_undocumented_change_is_reported_and_no_documented_one(
    history: tuple[list[dict[str, object]], list[Planted]],
) -> None:
    states, planted = history
    flights, sets = flown(states)
    journal = [entry(seq, one) for seq, one in enumerate(planted, start=1) if one.documented]
    found = changes_of("heron-01", flights, journal, sets, "UTC")
    reported = {
        (change.first_order, item.kind, item.part)
        for change in found.changes
        for item in change.items
        if not item.documented
    }
    assert reported == {(one.gap, one.kind, one.part) for one in planted if not one.documented}
    # What was done and written down is never said to be missing from the logs, nor counted twice.
    assert found.unseen == ()
    items = [(c.first_order, item.kind, item.part) for c in found.changes for item in c.items]
    assert sorted(items) == sorted((one.gap, one.kind, one.part) for one in planted)


@pytest.mark.parametrize("days_off", [0, 1, 3])
def test_in_fleets_of_seeds_never_seen_every_undocumented_change_is_reported_and_no_other(
    days_off: int,
) -> None:
    """Logs that state little, counters among the settings, entries dated some days off: nothing is missed."""
    total = Score()
    for seed in range(UNSEEN, UNSEEN + 15):
        total = total.plus(fleet_score(seed, days_off))
    assert min(total.undocumented, total.documented) > 100
    assert total == Score(undocumented=total.undocumented, documented=total.documented)


def test_an_entry_dated_before_another_change_belongs_to_the_one_it_names() -> None:
    # Read on the 1st, the 3rd and the 5th; moved twice, and only the second was written down, a day early.
    gains = {0: 0.12, 2: 0.15, 4: 0.18}
    states = [{"parameters": {"PITCH_GAIN": gains[day]}} if day in gains else {} for day in range(6)]
    flights, sets = flown(states)
    row = entry(1, Planted(2, "parameters", "PITCH_GAIN", "0.15", "0.18", True))
    found = changes_of("heron-01", flights, [row], sets, "UTC")
    items = [(item.after, item.documented) for change in found.changes for item in change.items]
    assert items == [("0.15", False), ("0.18", True)]
    assert found.unseen == ()
