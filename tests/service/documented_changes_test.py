"""Whatever is changed and written down or not: every undocumented change is reported, no documented one is.

Histories are made at random, with the truth beside them; one flight a day, and work between two flights noted
on some day of the gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

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
