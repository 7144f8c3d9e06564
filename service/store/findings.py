"""What the judge says today, and the dated history of what was said, which is never rewritten."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

import duckdb

from trimkeep.config.errors import UsageError
from trimkeep.detectors.history.model import Finding, Status
from trimkeep.service.store.audit import append_record
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.finding_codec import finding_from_json, finding_to_json
from trimkeep.service.store.values import Row, aware, first_row, to_store

EventKind = Literal["opened", "changed", "gone", "returned", "answered"]


@dataclass(frozen=True, slots=True)
class FindingEvent:
    """One thing that was said of a finding; `who` is empty for the judge."""

    seq: int
    finding_id: str
    at: datetime
    kind: EventKind
    who: str
    note: str
    verdict: str
    tier: str
    status: str


@dataclass(frozen=True, slots=True)
class FindingChanges:
    """What a save changed, by finding id."""

    opened: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    returned: tuple[str, ...] = ()


_STORED = "SELECT id, body, is_current FROM finding"
_DELETE = "DELETE FROM finding WHERE id = ?"
_INSERT = "INSERT INTO finding VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_LAST_EVENT = "SELECT coalesce(max(seq), 0) FROM finding_event"
_EVENT = "INSERT INTO finding_event VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"


def save_findings(
    store: Store, findings: Sequence[Finding], at: datetime, airframes: Sequence[str] | None = None
) -> FindingChanges:
    """Replace the current findings; every difference becomes a dated event.

    A finding keeps the time it was first said and the answer a person gave it, however its numbers move.

    Parameters
    ----------
    store : Store
    findings : sequence of Finding
        Everything the judge says now of these airframes.
    at : datetime
        Aware.
    airframes : sequence of str or None
        Only findings that touch these are taken to be gone when they are not said any more; None means
        the whole fleet was judged.

    Raises
    ------
    ValueError
        Two findings have the same id.
    """
    ids = [finding.id for finding in findings]
    if len(set(ids)) != len(ids):
        raise ValueError("two findings have the same id")
    changes: dict[str, list[str]] = {"opened": [], "changed": [], "gone": [], "returned": []}
    with unit_of_work(store) as connection:
        stored = {
            row[0]: (finding_from_json(row[1]), bool(row[2]))
            for row in connection.execute(_STORED).fetchall()
        }
        writer = _Writer(connection, at)
        for finding in findings:
            kind = writer.bring_up_to_date(finding, stored.get(finding.id))
            if kind is not None:
                changes[kind].append(finding.id)
        for finding_id, (finding, is_current) in stored.items():
            judged = airframes is None or set(finding.airframes) & set(airframes)
            if is_current and judged and finding_id not in set(ids):
                writer.write(replace(finding, updated_at=at), is_current=False)
                writer.event(finding, "gone")
                changes["gone"].append(finding_id)
    return FindingChanges(**{kind: tuple(names) for kind, names in changes.items()})


class _Writer:
    """Writes findings and events inside one transaction."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, at: datetime) -> None:
        self.connection = connection
        self.at = at
        row = first_row(connection, _LAST_EVENT)
        self.seq = row[0] if row else 0

    def bring_up_to_date(self, finding: Finding, known: tuple[Finding, bool] | None) -> EventKind | None:
        if known is None:
            self.write(finding, is_current=True)
            self.event(finding, "opened")
            return "opened"
        before, was_current = known
        kept = replace(finding, opened_at=before.opened_at, status=_status(before, finding))
        if kept.status == "resolved" and before.status == "resolved":
            # When it was settled is what the next flight is measured against.
            kept = replace(kept, updated_at=max(before.updated_at, finding.updated_at))
        if was_current and _same(kept, before):
            return None
        kind: EventKind = "changed" if was_current else "returned"
        self.write(kept, is_current=True)
        self.event(kept, kind)
        return kind

    def write(self, finding: Finding, *, is_current: bool) -> None:
        self.connection.execute(_DELETE, [finding.id])
        self.connection.execute(
            _INSERT,
            [
                finding.id,
                finding.scope,
                finding.metric,
                finding.context,
                finding.kind,
                str(finding.verdict),
                str(finding.tier),
                finding.status,
                to_store(finding.opened_at),
                to_store(finding.updated_at),
                is_current,
                finding_to_json(finding),
            ],
        )

    def event(self, finding: Finding, kind: EventKind, who: str = "", note: str = "") -> None:
        self.seq += 1
        said = [str(finding.verdict), str(finding.tier), finding.status, finding_to_json(finding)]
        self.connection.execute(_EVENT, [self.seq, finding.id, to_store(self.at), kind, who, note, *said])


def _status(before: Finding, now: Finding) -> Status:
    """A person's answer stands; what was resolved opens again once a later flight shows it still."""
    if now.status != "open":
        return now.status
    if before.status == "resolved" and now.updated_at > before.updated_at:
        return "open"
    return before.status


def _same(a: Finding, b: Finding) -> bool:
    return replace(a, updated_at=b.updated_at) == b


_ONE = "SELECT body, is_current FROM finding WHERE id = ?"


def answer_finding(
    store: Store, finding_id: str, status: Status, *, who: str, note: str, at: datetime
) -> Finding:
    """Record what a person said of a finding, in its history and in the audit chain.

    Raises
    ------
    UsageError
        There is no such finding.
    """
    with unit_of_work(store) as connection:
        row = first_row(connection, _ONE, [finding_id])
        if row is None:
            raise UsageError(
                "there is no such finding",
                subject=finding_id,
                next_step="`trimkeep findings` lists them with their ids",
            )
        finding = replace(finding_from_json(row[0]), status=status, updated_at=at)
        writer = _Writer(connection, at)
        writer.write(finding, is_current=bool(row[1]))
        writer.event(finding, "answered", who, note)
        airframe = finding.airframes[0] if finding.scope == "airframe" else ""
        body = {"finding": finding_id, "status": status, "who": who, "note": note}
        append_record(connection, "finding_answered", airframe, body)
    return finding


_LOAD = "SELECT body FROM finding WHERE is_current OR ? ORDER BY opened_at, id"


def load_findings(store: Store, *, with_gone: bool = False) -> tuple[Finding, ...]:
    """What the judge says today, oldest first; `with_gone` adds what it no longer says."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_LOAD, [with_gone]).fetchall()
    return tuple(finding_from_json(row[0]) for row in rows)


_EVENTS = """
SELECT seq, finding_id, said_at, kind, who, note, verdict, tier, status
FROM finding_event WHERE finding_id = ? OR ? ORDER BY seq
"""


def load_finding_events(store: Store, finding_id: str | None = None) -> tuple[FindingEvent, ...]:
    """What was said, in order; None means of all findings."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_EVENTS, [finding_id or "", finding_id is None]).fetchall()
    return tuple(_event(row) for row in rows)


def _event(row: Row) -> FindingEvent:
    seq, finding_id, at, kind, who, note, verdict, tier, status = row
    return FindingEvent(seq, finding_id, aware(at), kind, who, note, verdict, tier, status)
