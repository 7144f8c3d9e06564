"""Findings muted until a date: when the date has come they are open again, and the history says so."""

from __future__ import annotations

from datetime import datetime

import duckdb

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.findings import answer_finding, load_findings
from trimkeep.service.store.values import aware, to_store

NOBODY = "trimkeep"
_DELETE = "DELETE FROM finding_mute WHERE finding_id = ?"
_INSERT = "INSERT INTO finding_mute VALUES (?, ?, ?)"
_ALL = "SELECT finding_id, until_at FROM finding_mute"


def set_mute_end(store: Store, finding_id: str, until: datetime | None, at: datetime) -> None:
    """Note until when a finding is muted; None forgets what was noted."""
    with unit_of_work(store) as connection:
        note_mute_end(connection, finding_id, until, at)


def note_mute_end(
    connection: duckdb.DuckDBPyConnection, finding_id: str, until: datetime | None, at: datetime
) -> None:
    """`set_mute_end` inside the caller's transaction."""
    connection.execute(_DELETE, [finding_id])
    if until is not None:
        connection.execute(_INSERT, [finding_id, to_store(until), to_store(at)])


def lift_mutes(store: Store, now: datetime) -> tuple[str, ...]:
    """Open again what was muted until now or earlier; ids of the findings that were."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_ALL).fetchall()
    over = [finding_id for finding_id, until in rows if aware(until) <= now]
    if not over:
        return ()
    muted = {one.id for one in load_findings(store, with_gone=True) if one.status == "muted"}
    for finding_id in over:
        if finding_id in muted:
            answer_finding(store, finding_id, "open", who=NOBODY, note="the mute ended", at=now)
        set_mute_end(store, finding_id, None, now)
    return tuple(finding_id for finding_id in over if finding_id in muted)
