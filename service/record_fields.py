"""What a maintenance entry must hold, after 14 CFR 43.9(a), and what an entry lacks of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trimkeep.config.errors import JournalError
from trimkeep.service.journal_table import EntryText
from trimkeep.service.store.journal import JournalRow


@dataclass(frozen=True, slots=True)
class RecordRule:
    """One thing a record must hold: the rule that asks for it, what it asks, and how to give it."""

    rule: str
    asks: str
    how: str


# The list of 43.9(a) is taken from two courses for mechanics that agree; its exact words are from memory.
# 43.11 asks for the total time in service with an inspection.
RULES = {
    "description": RecordRule(
        "14 CFR 43.9(a)(1)", "a description of the work", "Say what was done: part, before, after or note"
    ),
    "done_at": RecordRule(
        "14 CFR 43.9(a)(2)", "the date of completion", "Give done_at, for example 2026-03-14"
    ),
    "done_by": RecordRule(
        "14 CFR 43.9(a)(3)", "the name of the person who did the work", "Give done_by, the person's name"
    ),
    "approved_by": RecordRule(
        "14 CFR 43.9(a)(4)",
        "the name of the person who approved it for return to service",
        "Give approved_by; the same name as done_by where one person did both",
    ),
    "certificate": RecordRule(
        "14 CFR 43.9(a)(4)",
        "the kind and number of the approver's certificate",
        "Give certificate, for example 'club inspector 12'",
    ),
    "flight_hours": RecordRule(
        "14 CFR 43.11(a)", "the total time in service", "Give flight_hours, the airframe's total hours"
    ),
}


@dataclass(frozen=True, slots=True)
class Lack:
    """A field an entry does not hold, with the rule that asks for it."""

    field: str
    rule: RecordRule


def lacks(entry: EntryText | JournalRow, required: Sequence[str]) -> tuple[Lack, ...]:
    """What an entry lacks, in the order of the settings.

    Parameters
    ----------
    entry : EntryText or JournalRow
    required : sequence of str
        Names of `RULES`, from `maintenance.required`.
    """
    return tuple(Lack(name, RULES[name]) for name in required if not _held(entry, name))


def _held(entry: EntryText | JournalRow, name: str) -> bool:
    extra = dict(entry.extra)
    if name == "description":
        # The kind alone says where work was done, not what was done; a reference to data is enough.
        return any((entry.part, entry.before, entry.after, entry.note, extra.get("reference")))
    if name in ("done_at", "done_by"):
        return bool(getattr(entry, name))
    return bool(extra.get(name))


def refuse_incomplete(entry: EntryText, required: Sequence[str], subject: str) -> None:
    """Refuse an entry that lacks what a record must hold.

    Raises
    ------
    JournalError
        Names the first missing field and the rule that asks for it.
    """
    missing = lacks(entry, required)
    if missing:
        first = missing[0]
        others = "" if len(missing) == 1 else f" (also missing: {', '.join(m.field for m in missing[1:])})"
        raise JournalError(
            f"{first.field} is missing: {first.rule.rule} asks for {first.rule.asks}{others}",
            subject=subject,
            next_step=first.rule.how,
        )
