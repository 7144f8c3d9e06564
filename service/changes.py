"""Changes of an airframe: what its logs show and what its journal says, brought together.

The logs are right about when something changed, the journal about what it was: so an entry that speaks
of a change seen in the logs goes with it, even when its date is some days off, and is not counted twice.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import groupby, takewhile

from trimkeep.detectors.history.model import Change, ChangeItem
from trimkeep.service.counting_parameters import TYPED_DIGITS, Reading, same_value, significant_digits
from trimkeep.service.journal import effective_at
from trimkeep.service.seen_changes import (
    SeenItem,
    number_text,
    parameter_histories,
    parameter_names,
    seen_changes,
)
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import PlacedFlight, load_flights, load_parameter_sets
from trimkeep.service.store.journal import JournalRow, load_journal

# How far from a change in the logs an entry about it may be dated: people write up the week's work on
# Sunday, and load a firmware some days after they noted it down.
NEAR = timedelta(days=8)
SEEN_KINDS = ("firmware", "autopilot_board", "parameters")
CALIBRATING_KINDS = frozenset({"calibration", "sensor", "trim", "balance", "firmware", "autopilot_board"})
_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?(?![\w.])", re.IGNORECASE)
_WORD = re.compile(r"\w[\w.\-]*\w|\w")


@dataclass(frozen=True, slots=True)
class UnseenEntry:
    """A current entry of a kind that logs show, which the logs contradict.

    `flights_checked` is the number of flights after it that state the matter and show no change.
    """

    airframe: str
    entry: JournalRow
    flights_checked: int


@dataclass(frozen=True, slots=True)
class AirframeChanges:
    """All changes of one airframe in order, and entries that the logs contradict.

    `entries` gives for every other current entry (by its place in the record) the ids of the changes it
    belongs to: usually one, more where the logs show its work piece by piece.
    """

    airframe: str
    changes: tuple[Change, ...]
    unseen: tuple[UnseenEntry, ...]
    entries: Mapping[int, tuple[str, ...]] = field(default_factory=dict)


def load_changes(store: Store, time_zone: str, airframes: Iterable[str] | None = None) -> tuple[Change, ...]:
    """Every change of the fleet, by airframe and time.

    Parameters
    ----------
    store : Store
    time_zone : str
        The fleet's IANA zone; an entry with a day only is in effect from that day's first instant there.
    airframes : iterable of str or None
        Only these; None means the fleet.
    """
    return tuple(
        change for one in load_airframe_changes(store, time_zone, airframes) for change in one.changes
    )


def load_airframe_changes(
    store: Store, time_zone: str, airframes: Iterable[str] | None = None
) -> tuple[AirframeChanges, ...]:
    """Changes and contradicted entries, one record for each airframe that has flights or entries."""
    wanted = None if airframes is None else sorted(airframes)
    flights = load_flights(store, wanted)
    journal = [row for row in load_journal(store, wanted) if row.standing == "current"]
    names = {r.parameter_set for flight in flights for r in flight.recordings if r.parameter_set}
    parameters = load_parameter_sets(store, names)
    by_airframe = {name: tuple(own) for name, own in groupby(flights, key=lambda flight: flight.airframe)}
    entries: dict[str, list[JournalRow]] = {}
    for row in journal:
        entries.setdefault(row.airframe, []).append(row)
    return tuple(
        changes_of(name, by_airframe.get(name, ()), entries.get(name, []), parameters, time_zone)
        for name in sorted({*by_airframe, *entries})
    )


@dataclass(frozen=True, slots=True)
class _Entry:
    """An entry with the instant it took effect and the gap that puts it in (order of the flight after)."""

    row: JournalRow
    at: datetime
    gap: int


@dataclass(frozen=True, slots=True)
class _History:
    """One airframe's flights, the parameter sets of its logs by their hash, and every parameter in them."""

    flights: Sequence[PlacedFlight]
    parameters: Mapping[str, Mapping[str, float]]
    stated: Sequence[str]

    def mentioned(self, row: JournalRow) -> tuple[str, ...]:
        """Logged parameters that an entry names."""
        words = set(_WORD.findall(" ".join((row.part, row.before, row.after, row.note)).casefold()))
        return tuple(name for name in self.stated if name.casefold() in words)

    def readings(self, name: str) -> Sequence[Reading]:
        """A stated parameter's values, flight by flight."""
        return parameter_histories(self.flights, self.parameters, [name])[name]


def changes_of(
    airframe: str,
    flights: Sequence[PlacedFlight],
    journal: Sequence[JournalRow],
    parameters: Mapping[str, Mapping[str, float]],
    time_zone: str,
) -> AirframeChanges:
    """Changes of one airframe from its flights in order and its current entries."""
    history = _History(flights, parameters, parameter_names(flights, parameters))
    starts = [flight.at for flight in flights]
    entries = [_placed(row, starts, time_zone) for row in journal]
    used: set[int] = set()
    gaps: dict[int, list[ChangeItem]] = {}
    noted: dict[int, list[datetime]] = {}
    stands: dict[int, set[int]] = {}
    for item, matches in _matched(seen_changes(flights, parameters), entries, history):
        used.update(entry.row.seq for entry in matches if entry.row.kind == item.kind)
        gap = _gap_of(item, matches)
        gaps.setdefault(gap, []).append(_seen_item(item, matches))
        for entry in matches:
            if entry.row.kind == item.kind:
                stands.setdefault(entry.row.seq, set()).add(gap)
        noted.setdefault(gap, []).extend(entry.at for entry in matches if entry.gap == gap)
    unseen = []
    for entry in entries:
        if entry.row.seq in used:
            continue
        checked = _contradicted(entry, history)
        if checked:
            unseen.append(UnseenEntry(airframe, entry.row, checked))
            continue
        gaps.setdefault(entry.gap, []).append(_journal_item(entry.row))
        noted.setdefault(entry.gap, []).append(entry.at)
        stands.setdefault(entry.row.seq, set()).add(entry.gap)
    changes = tuple(_change(airframe, gap, gaps[gap], noted[gap], flights) for gap in sorted(gaps))
    ids = {change.first_order: change.id for change in changes}
    by_entry = {seq: tuple(ids[gap] for gap in sorted(found)) for seq, found in stands.items()}
    return AirframeChanges(airframe, changes, tuple(unseen), by_entry)


def _placed(row: JournalRow, starts: Sequence[datetime], time_zone: str) -> _Entry:
    at = effective_at(row.done_at, time_zone)
    return _Entry(row, at, sum(start < at for start in starts))


def _matched(
    items: Sequence[SeenItem], entries: Sequence[_Entry], history: _History
) -> list[tuple[SeenItem, list[_Entry]]]:
    """Each change seen in the logs with the entries that speak of it: of its own gap, failing that near.

    An entry that has its change in its own gap documents no other change of the same thing; and a near one
    documents only the change it is nearest to, or the second of two changes would hide behind the first. But
    one that names what another change nearby became, and not what this one did, is only dated wrongly.
    """
    speaking = [[e for e in entries if _speaks_of(e.row, item, history)] for item in items]
    matches = [
        [
            entry
            for entry in found
            if item.after_flight < entry.gap <= item.gap and not _means_another(entry, item, items, history)
        ]
        for item, found in zip(items, speaking, strict=True)
    ]
    taken = {
        (entry.row.seq, item.kind, item.part)
        for item, own in zip(items, matches, strict=True)
        for entry in own
    }
    near = [
        (_distance(entry, item, history), place, entry)
        for place, (item, own) in enumerate(zip(items, matches, strict=True))
        if not own
        for entry in speaking[place]
        # Farther off than the gap itself, an entry must name what became, or it could mean another change.
        if _names(entry.row, item, history)
    ]
    for distance, place, entry in sorted(near, key=lambda one: (one[0], one[1], one[2].row.seq)):
        item = items[place]
        if distance <= NEAR and (entry.row.seq, item.kind, item.part) not in taken:
            taken.add((entry.row.seq, item.kind, item.part))
            matches[place].append(entry)
    return list(zip(items, matches, strict=True))


def _means_another(entry: _Entry, item: SeenItem, items: Sequence[SeenItem], history: _History) -> bool:
    """Whether an entry says of another change of the same thing what that became, and not of this one."""
    if not entry.row.after or _names(entry.row, item, history):
        return False
    return any(
        other is not item
        and (other.kind, other.part) == (item.kind, item.part)
        and _names(entry.row, other, history)
        and _distance(entry, other, history) <= NEAR
        for other in items
    )


def _distance(entry: _Entry, item: SeenItem, history: _History) -> timedelta:
    """From an entry to the gap of a change: nothing inside."""
    earliest, latest = history.flights[item.after_flight].at, history.flights[item.gap].at
    return max(earliest - entry.at, entry.at - latest, timedelta(0))


def _gap_of(item: SeenItem, matches: Sequence[_Entry]) -> int:
    """Where the change stands: where logs are silent for some flights, the entry knows better."""
    own = [entry.gap for entry in matches if item.after_flight < entry.gap <= item.gap]
    return min(own, default=item.gap)


def _speaks_of(row: JournalRow, item: SeenItem, history: _History) -> bool:
    if item.kind == "parameters" and row.kind in CALIBRATING_KINDS:
        # Work on a sensor leaves learned numbers behind; nobody writes those down one by one.
        return significant_digits(float(item.after)) > TYPED_DIGITS
    if row.kind != item.kind:
        return False
    if item.kind != "parameters":
        return True
    mentioned = history.mentioned(row)
    return not mentioned or item.part in mentioned


def _names(row: JournalRow, item: SeenItem, history: _History) -> bool:
    if item.kind == "parameters":
        written = [float(number) for number in _NUMBER.findall(row.after)]
        after = float(item.after)
        right = not written or any(same_value(number, after) for number in written)
        return right and item.part in history.mentioned(row)
    return says(" ".join((row.after, row.part, row.note)), item.after)


def says(text: str, version: str) -> bool:
    """Whether a text names a version, whole and not as the beginning of another.

    >>> says("Update to V4.2, see notes", "4.2"), says("4.10", "4.1"), says("4.2-rc1", "4.2"), says("4.2", "")
    (True, False, False, False)
    """
    plain, wanted = _plain(text), _plain(version)
    return bool(wanted) and re.search(rf"(?<![\w.]){re.escape(wanted)}(?!\w|[.+-]\w)", plain) is not None


def _plain(text: str) -> str:
    return re.sub(r"\bv(?=\d)", "", " ".join(text.casefold().split()))


def _seen_item(item: SeenItem, matches: Sequence[_Entry]) -> ChangeItem:
    return ChangeItem(
        kind=item.kind,
        part=item.part,
        before=item.before,
        after=item.after,
        documented=bool(matches),
        done_by=matches[0].row.done_by if matches else "",
        note=matches[0].row.note if matches else "",
    )


def _journal_item(row: JournalRow) -> ChangeItem:
    return ChangeItem(row.kind, row.part, row.before, row.after, True, row.done_by, row.note)


def _contradicted(entry: _Entry, history: _History) -> int:
    """In how many flights after an entry the logs show the old state; 0 when they cannot tell."""
    row = entry.row
    if row.kind == "firmware":
        return _unmoved(entry.gap, [(f.order, f.firmware) for f in history.flights if f.firmware], row.after)
    if row.kind == "autopilot_board":
        return _unmoved(entry.gap, [(f.order, f.board) for f in history.flights if f.board], row.after)
    if row.kind == "parameters":
        counts = [
            _unmoved(entry.gap, [(r.order, number_text(r.value)) for r in history.readings(name)])
            for name in history.mentioned(row)
        ]
        return min(counts, default=0)
    return 0


def _unmoved(gap: int, stated: Sequence[tuple[int, str]], became: str = "") -> int:
    """Flights from `gap` on, up to the first that states something else, that state what was before it."""
    before = [value for order, value in stated if order < gap]
    after = [value for order, value in stated if order >= gap]
    # Noted late: the logs had the new state already, so the entry is right about what it says.
    if not before or says(before[-1], became):
        return 0
    return sum(1 for _ in takewhile(lambda value: value == before[-1], after))


def _change(
    airframe: str,
    gap: int,
    items: Sequence[ChangeItem],
    noted: Sequence[datetime],
    flights: Sequence[PlacedFlight],
) -> Change:
    """One boundary. It stands at the earliest of its entries, else at the first flight after it."""
    first = "pending" if gap >= len(flights) else flights[gap].id
    at = min(noted) if noted else flights[gap].at
    rank = {kind: k for k, kind in enumerate(SEEN_KINDS)}
    arranged = sorted(items, key=lambda item: (rank.get(item.kind, len(rank)), item.kind, item.part))
    return Change(f"{airframe}:{first}", airframe, at, gap, tuple(arranged))
