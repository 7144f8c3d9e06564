"""What the store knows of the age of files that retention may remove."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import Row, aware

_RECORDINGS = """
SELECT log.sha256, log.airframe, log.path, log.size_bytes, log.lease IS NOT NULL,
    greatest(
        coalesce(log.finished_at, log.claimed_at),
        coalesce((SELECT max(started_at) FROM flight WHERE flight.log_sha256 = log.sha256), log.claimed_at),
        coalesce(again.at, log.claimed_at)
    )
FROM recording JOIN log_file log ON log.sha256 = recording.log_sha256
LEFT JOIN (
    SELECT json_extract_string(body, '$.sha256') AS sha256, max(recorded_at) AS at
    FROM audit_record WHERE kind = 'recording_made_again' GROUP BY ALL
) again ON again.sha256 = log.sha256
ORDER BY log.airframe, log.path
"""


@dataclass(frozen=True, slots=True)
class StoredRecording:
    """One decoded recording and its log.

    `kept_since` is the latest of: its last flight, when its log was read, when it was made again.
    """

    log_sha256: str
    airframe: str
    log_path: str
    log_bytes: int
    being_read: bool
    kept_since: datetime


def load_stored_recordings(store: Store) -> tuple[StoredRecording, ...]:
    """Every recording that has a row, by airframe and path; its file need not be there."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_RECORDINGS).fetchall()
    return tuple(_recording(row) for row in rows)


def _recording(row: Row) -> StoredRecording:
    sha256, airframe, path, size_bytes, being_read, since = row
    return StoredRecording(sha256, airframe, path, size_bytes, being_read, aware(since))
