"""Components by their serial number: where and when each was fitted, moved from airframe to airframe."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from trimkeep.service.configuration import FITTING_KINDS
from trimkeep.service.journal import effective_at
from trimkeep.service.store.journal import JournalRow

Slot = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Fitting:
    """One stay of a component on one airframe.

    `since` None means since the airframe's first flight, because the journal begins with its removal;
    `until` None means still fitted.
    """

    airframe: str
    since: datetime | None
    until: datetime | None


@dataclass(frozen=True, slots=True)
class Component:
    """One component with all its stays, oldest first; `name` is its text as first written."""

    kind: str
    part: str
    name: str
    fittings: tuple[Fitting, ...]

    @property
    def airframe(self) -> str | None:
        """Where it is fitted now."""
        return next((one.airframe for one in self.fittings if one.until is None), None)


def components(journal: Iterable[JournalRow], time_zone: str) -> tuple[Component, ...]:
    """Every component that the journal names.

    What `after` says is fitted from then on, in place of what was there; what `before` says was there. A
    text with a digit in it is taken for a serial number or a label that no other component has, so that
    the same text on another airframe is the same component, moved there. A text without one ("new") tells
    nothing, and stands for a component of its own each time.
    """
    fleet = _Stock()
    dated = [(effective_at(row.done_at, time_zone), row.seq, row) for row in journal]
    for at, _, row in sorted(dated, key=lambda one: one[:2]):
        if row.standing == "current" and row.kind in FITTING_KINDS:
            fleet.work(row, at)
    return fleet.listed()


class _Stock:
    """What is fitted where while the journal is gone through in order."""

    def __init__(self) -> None:
        self.known: dict[str, Component] = {}
        self.fitted: dict[Slot, str] = {}

    def work(self, row: JournalRow, at: datetime) -> None:
        slot = (row.airframe, row.kind, (row.part or row.kind).casefold())
        if row.before and slot not in self.fitted:
            removed = self._key(row, row.before)
            # Known from elsewhere, it cannot have been here since the first flight.
            if removed not in self.known:
                self._fit(removed, row, row.before, slot, None)
        if row.before or row.after:
            self._remove(slot, at)
        if row.after:
            key = self._key(row, row.after)
            for elsewhere in [place for place, one in self.fitted.items() if one == key]:
                self._remove(elsewhere, at)
            self._fit(key, row, row.after, slot, at)

    def _key(self, row: JournalRow, text: str) -> str:
        plain = " ".join(text.casefold().split())
        if any(letter.isdigit() for letter in plain):
            return f"{row.kind}:{plain}"
        return f"{row.kind}:{plain}:{row.seq}"

    def _fit(self, key: str, row: JournalRow, name: str, slot: Slot, since: datetime | None) -> None:
        known = self.known.get(key) or Component(row.kind, row.part, name, ())
        stay = Fitting(row.airframe, since, None)
        self.known[key] = replace(known, part=row.part, fittings=(*known.fittings, stay))
        self.fitted[slot] = key

    def _remove(self, slot: Slot, at: datetime) -> None:
        key = self.fitted.pop(slot, None)
        if key is not None:
            known = self.known[key]
            *earlier, last = known.fittings
            self.known[key] = replace(known, fittings=(*earlier, replace(last, until=at)))

    def listed(self) -> tuple[Component, ...]:
        return tuple(sorted(self.known.values(), key=lambda one: (one.kind, one.part, one.name)))
