"""What the judge says today, and the dated history of what was said, which is never rewritten."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

import duckdb
import pyarrow as pa

from trimkeep.config.errors import UsageError
from trimkeep.detectors.history.model import Finding, Status, Tier
from trimkeep.service.store.audit import append_record
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.finding_codec import finding_from_json, finding_to_json
from trimkeep.service.store.values import Row, aware, first_row, insert_rows, to_store

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


_STORED = "SELECT id, body, is_current FROM finding WHERE ? OR list_contains(?, airframe)"
_DELETE = "DELETE FROM finding WHERE id IN (SELECT unnest(?))"
_LAST_EVENT = "SELECT coalesce(max(seq), 0) FROM finding_event"
_FINDING = pa.schema(
    [
        ("id", pa.string()),
        ("scope", pa.string()),
        ("metric", pa.string()),
        ("context", pa.string()),
        ("kind", pa.string()),
        ("verdict", pa.string()),
        ("tier", pa.string()),
        ("status", pa.string()),
        ("opened_at", pa.timestamp("us")),
        ("updated_at", pa.timestamp("us")),
        ("is_current", pa.bool_()),
        ("body", pa.string()),
        ("airframe", pa.string()),
    ]
)
_EVENT = pa.schema(
    [
        ("seq", pa.int64()),
        ("finding_id", pa.string()),
        ("said_at", pa.timestamp("us")),
        ("kind", pa.string()),
        ("who", pa.string()),
        ("note", pa.string()),
        ("verdict", pa.string()),
        ("tier", pa.string()),
        ("status", pa.string()),
        ("body", pa.string()),
    ]
)


def save_findings(
    store: Store, findings: Sequence[Finding], at: datetime, airframes: Collection[str] | None = None
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
    airframes : collection of str or None
        Only these airframes' own findings are looked at: those not said any more are taken to be gone.
        None means the whole fleet was judged.

    Raises
    ------
    ValueError
        Two findings have the same id.
    """
    ids = {finding.id for finding in findings}
    if len(ids) != len(findings):
        raise ValueError("two findings have the same id")
    changes: dict[str, list[str]] = {"opened": [], "changed": [], "gone": [], "returned": []}
    with unit_of_work(store) as connection:
        stored = {
            row[0]: (finding_from_json(row[1]), bool(row[2]))
            for row in connection.execute(_STORED, [airframes is None, sorted(airframes or ())]).fetchall()
        }
        writer = _Writer(connection, at)
        for finding in findings:
            kind = writer.bring_up_to_date(finding, stored.get(finding.id))
            if kind is not None:
                changes[kind].append(finding.id)
        for finding_id, (finding, is_current) in stored.items():
            if is_current and finding_id not in ids:
                writer.write(replace(finding, updated_at=at), is_current=False)
                writer.event(finding, "gone")
                changes["gone"].append(finding_id)
        writer.flush()
    return FindingChanges(**{kind: tuple(names) for kind, names in changes.items()})


class _Writer:
    """Gathers findings and events, and writes them inside one transaction: one by one would take ten times
    as long."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, at: datetime) -> None:
        self.connection = connection
        self.at = at
        self.findings: dict[str, Row] = {}
        self.events: list[Row] = []
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
        self.findings[finding.id] = (
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
            finding.airframes[0] if finding.scope == "airframe" else "",
        )

    def event(self, finding: Finding, kind: EventKind, who: str = "", note: str = "") -> None:
        self.seq += 1
        said = (str(finding.verdict), str(finding.tier), finding.status, finding_to_json(finding))
        self.events.append((self.seq, finding.id, to_store(self.at), kind, who, note, *said))

    def flush(self) -> None:
        """Write what was gathered."""
        if self.findings:
            self.connection.execute(_DELETE, [list(self.findings)])
        insert_rows(self.connection, "finding", _FINDING, list(self.findings.values()))
        insert_rows(self.connection, "finding_event", _EVENT, self.events)


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
    store: Store,
    finding_id: str,
    status: Status,
    *,
    who: str,
    note: str,
    at: datetime,
    alongside: Callable[[duckdb.DuckDBPyConnection], None] | None = None,
) -> Finding:
    """Record what a person said of a finding, in its history and in the audit chain.

    `alongside` is called inside the transaction; what it raises undoes all of it.

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
        writer.flush()
        airframe = finding.airframes[0] if finding.scope == "airframe" else ""
        body = {"finding": finding_id, "status": status, "who": who, "note": note}
        append_record(connection, "finding_answered", airframe, body)
        if alongside is not None:
            alongside(connection)
    return finding


_LOAD = """
SELECT body FROM finding
WHERE (is_current OR ?) AND (? OR scope = ?) AND (? OR list_contains(?, airframe))
ORDER BY opened_at, id
"""


def load_findings(
    store: Store,
    *,
    with_gone: bool = False,
    scope: Literal["airframe", "fleet"] | None = None,
    airframes: Collection[str] | None = None,
) -> tuple[Finding, ...]:
    """What the judge says today, oldest first.

    Parameters
    ----------
    store : Store
    with_gone : bool
        Also what it no longer says.
    scope : {"airframe", "fleet"} or None
        Only these.
    airframes : collection of str or None
        Only what is said of these airframes alone.
    """
    wanted = [scope is None, scope or "", airframes is None, sorted(airframes or ())]
    with unit_of_work(store) as connection:
        rows = connection.execute(_LOAD, [with_gone, *wanted]).fetchall()
    return tuple(finding_from_json(row[0]) for row in rows)


_EVENTS = """
SELECT seq, finding_id, said_at, kind, who, note, verdict, tier, status
FROM finding_event WHERE finding_id = ? OR ? ORDER BY seq
"""


_COUNT = """
SELECT verdict, count(*) FROM finding WHERE is_current AND tier = ? AND status = ? GROUP BY verdict
"""


def count_findings(store: Store, tier: Tier, status: Status) -> dict[str, int]:
    """How many of a tier and status the judge says today, by verdict."""
    with unit_of_work(store) as connection:
        return dict(connection.execute(_COUNT, [str(tier), status]).fetchall())


def load_finding_events(store: Store, finding_id: str | None = None) -> tuple[FindingEvent, ...]:
    """What was said, in order; None means of all findings."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_EVENTS, [finding_id or "", finding_id is None]).fetchall()
    return tuple(_event(row) for row in rows)


_RETURNS = "SELECT finding_id, max(said_at) FROM finding_event WHERE kind = 'returned' GROUP BY finding_id"


def load_last_returns(store: Store) -> dict[str, datetime]:
    """When each finding that was gone was last said again."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_RETURNS).fetchall()
    return {finding_id: aware(at) for finding_id, at in rows}


def _event(row: Row) -> FindingEvent:
    seq, finding_id, at, kind, who, note, verdict, tier, status = row
    return FindingEvent(seq, finding_id, aware(at), kind, who, note, verdict, tier, status)
