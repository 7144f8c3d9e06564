"""A person's answer to a finding: checked, kept in its history and in the audit chain."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import duckdb

from trimkeep.config.errors import UsageError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Finding, Status
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import answer_finding
from trimkeep.service.store.mutes import note_mute_end

# Near year 9999 no zone can be applied to a date, and nobody means it.
LAST_YEAR = 2999


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person says of a finding.

    `until` is the day in the fleet's time zone from which a muted one is open again; None for no end.
    """

    status: Status
    who: str
    reason: str
    until: date | None = None


def give_answer(
    store: Store,
    fleet: FleetSettings,
    finding_id: str,
    answer: Answer,
    now: datetime,
    alongside: Callable[[duckdb.DuckDBPyConnection], None] | None = None,
) -> Finding:
    """Record an answer; the finding as it stands then.

    Parameters
    ----------
    store, fleet
    finding_id : str
        Whole.
    answer : Answer
    now : datetime
        Aware.
    alongside : callable or None
        Called with the connection inside the transaction; what it raises undoes all of it.

    Raises
    ------
    UsageError
        There is no such finding, name or reason is empty, or the end of the mute is not ahead; its subject
        is `who`, `reason` or `until` then.
    """
    for name, text in (("who", answer.who), ("reason", answer.reason)):
        if not text.strip():
            raise UsageError("is empty", subject=name, next_step="The record needs a name and a reason")
    end = None
    if answer.until is not None:
        if answer.status != "muted":
            raise UsageError(
                "is only for a mute", subject="until", next_step="Leave the day empty, or answer with a mute"
            )
        if answer.until.year > LAST_YEAR:
            raise UsageError("is too far ahead", subject="until", next_step="Leave the end of the mute open")
        end = datetime.combine(answer.until, time.min, ZoneInfo(fleet.time_zone)).astimezone(UTC)
        if end <= now:
            raise UsageError("is not in the future", subject="until", next_step="Give a later day")
    note = answer.reason if answer.until is None else f"{answer.reason} (until {answer.until.isoformat()})"

    def with_it(connection: duckdb.DuckDBPyConnection) -> None:
        note_mute_end(connection, finding_id, end, now)
        if alongside is not None:
            alongside(connection)

    who = answer.who.strip()
    return answer_finding(store, finding_id, answer.status, who=who, note=note, at=now, alongside=with_it)
