"""Questions about the store as a whole, for `trimkeep check` and `trimkeep status`."""

from __future__ import annotations

from dataclasses import dataclass

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.results import PER_LOG_TABLES


def orphan_rows(store: Store) -> dict[str, int]:
    """Rows of each per-log table that belong to no log with that outcome."""
    found = {}
    with unit_of_work(store) as connection:
        for table in PER_LOG_TABLES:
            rows = connection.execute(
                f"SELECT count(*) FROM {table} WHERE log_sha256 NOT IN "
                "(SELECT sha256 FROM log_file WHERE outcome IN ('ingested', 'no_flight'))"
            ).fetchall()
            found[table] = int(rows[0][0])
        rows = connection.execute(
            "SELECT count(*) FROM observation o ANTI JOIN detector_run r ON r.log_sha256 = o.log_sha256 "
            "AND r.number = o.number AND r.detector = o.detector AND r.version = o.version"
        ).fetchall()
        found["observation without detector_run"] = int(rows[0][0])
    return found


_CONTRADICTED_LOGS = """
WITH said AS (
    SELECT json_extract_string(body, '$.sha256') AS sha256, airframe,
        json_extract_string(body, '$.outcome') AS outcome
    FROM audit_record WHERE kind = 'log_stored'
    QUALIFY row_number() OVER (PARTITION BY json_extract_string(body, '$.sha256') ORDER BY seq DESC) = 1
)
SELECT log.sha256, log.path, said.sha256 IS NULL
FROM log_file log LEFT JOIN said USING (sha256)
WHERE log.outcome IS NOT NULL
    AND (said.sha256 IS NULL OR said.outcome <> log.outcome OR said.airframe <> log.airframe)
ORDER BY log.path, log.sha256
"""


@dataclass(frozen=True, slots=True)
class ContradictedLog:
    """A stored log of which the record says something else; `unknown` when it says nothing."""

    sha256: str
    path: str
    unknown: bool


def contradicted_logs(store: Store) -> tuple[ContradictedLog, ...]:
    """Logs whose airframe or outcome is not what the record says."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_CONTRADICTED_LOGS).fetchall()
    return tuple(ContradictedLog(*row) for row in rows)


_CONTRADICTED_ANSWERS = """
WITH said AS (
    SELECT json_extract_string(body, '$.finding') AS finding_id, json_extract_string(body, '$.who') AS who,
        json_extract_string(body, '$.note') AS note, json_extract_string(body, '$.status') AS status,
        count(*) AS n
    FROM audit_record WHERE kind = 'finding_answered' GROUP BY ALL
)
SELECT event.seq, event.finding_id
FROM finding_event event LEFT JOIN said USING (finding_id, who, note, status)
WHERE event.kind = 'answered'
QUALIFY said.n IS NULL
    OR row_number() OVER (PARTITION BY finding_id, who, note, status ORDER BY event.seq) > said.n
ORDER BY event.seq
"""


def contradicted_answers(store: Store) -> tuple[tuple[int, str], ...]:
    """Answers in the findings' history that the record does not hold: their place there and the finding.

    One that is only in the record is none of these: a store that an export was put into has the record alone.
    """
    with unit_of_work(store) as connection:
        rows = connection.execute(_CONTRADICTED_ANSWERS).fetchall()
    return tuple((int(seq), str(finding_id)) for seq, finding_id in rows)


def stored_recordings(store: Store) -> frozenset[str]:
    """Logs whose decoded recording must be there."""
    with unit_of_work(store) as connection:
        rows = connection.execute("SELECT log_sha256 FROM recording").fetchall()
    return frozenset(row[0] for row in rows)


def row_counts(store: Store) -> dict[str, int]:
    """Rows of every table."""
    with unit_of_work(store) as connection:
        names = connection.execute(
            "SELECT table_name FROM duckdb_tables() WHERE NOT internal ORDER BY table_name"
        ).fetchall()
        return {
            name: int(connection.execute(f"SELECT count(*) FROM {name}").fetchall()[0][0])
            for (name,) in names
        }
