"""A store of many flights that nobody flew: rows straight into the tables, as ingest would have left them.

Every airframe has the same number of flights, one a day; firmware changes at two thirds of its history (and,
on every seventh airframe, makes altitude hold worse), a servo is replaced at a third. The numbers
come from hashes, so that the same call makes the same store, and a larger fleet contains the smaller.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator
from datetime import datetime, timedelta
from itertools import islice
from typing import Any

import pyarrow as pa

from trimkeep.detectors.model import DetectorSpec, Metric
from trimkeep.detectors.registry import load_registry
from trimkeep.service.store.audit import NO_ROW, row_hash
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import canonical_json, insert_rows

FIRST_DAY = datetime(2025, 1, 1, 9)
WORSE_EVERY = 7
PARAMETERS = 40
CONTEXTS = ("held_level", "held_turn")

_LOGS = """
INSERT INTO log_file SELECT sha256, airframe, path, 1000000 + number, sha256, 'card', started_at, NULL, 1, 0,
    'ingested', NULL, NULL, started_at, NULL FROM flown
"""
_SIGHTINGS = """
INSERT INTO log_sighting
SELECT sha256, path, airframe, 1000000 + number, 0, number, started_at, NULL FROM flown
"""
_RECORDINGS = """
INSERT INTO recording SELECT sha256, airframe, path, 'table', 1, 1, started_at, 'satellite', 1500.0, firmware,
    'b-7', '[]', '[]' FROM flown
"""
_FLIGHTS = """
INSERT INTO flight SELECT sha256, 1, airframe, started_at, 'satellite', 60.0, 1460.0, FALSE, FALSE, 100000,
    firmware, 'b-7', parameter_set FROM flown
"""
_RUNS = """
INSERT INTO detector_run SELECT sha256, 1, detector, version, 'measured', NULL, ''
FROM flown CROSS JOIN (SELECT DISTINCT detector, version FROM template)
"""
# Box and Muller on two hashes; on the scale on which the judge looks at the metric.
_NOISE = """
sqrt(-2.0 * ln((hash(sha256 || metric || context) % 1000000 + 1) / 1000001.0))
    * cos(2.0 * pi() * (hash(metric || sha256) % 1000000) / 1000000.0)
"""
_OBSERVATIONS = f"""
INSERT INTO observation
SELECT sha256, 1, airframe, detector, version, metric, context,
    CASE WHEN is_log THEN level * exp(0.15 * noise + shift)
        ELSE level + 0.3 * spread * noise + shift * spread END,
    0.05 * spread, 600.0, [100.0, 700.0]
FROM (
    SELECT *, {_NOISE} AS noise,
        CASE WHEN worse AND family = 'altitude_hold' THEN 0.8 ELSE 0.0 END AS shift
    FROM flown CROSS JOIN template
)
ORDER BY started_at, sha256
"""
_JOURNAL = pa.schema(
    [
        ("seq", pa.int64()),
        ("recorded_at", pa.timestamp("us")),
        ("kind", pa.string()),
        ("airframe", pa.string()),
        ("body", pa.string()),
        ("previous_sha256", pa.string()),
        ("sha256", pa.string()),
    ]
)


def airframe_name(number: int) -> str:
    """Id of an airframe, counted from 0."""
    return f"heron-{number:04d}"


def fill(
    store: Store,
    airframes: int,
    flights_each: int,
    *,
    first_airframe: int = 0,
    portion: int = 5000,
    families: Collection[str] | None = None,
) -> None:
    """Add airframes with their whole history to a store, in the order in which it was flown.

    Parameters
    ----------
    store : Store
        Made by `open_store`.
    airframes, flights_each : int
    first_airframe : int
        Number of the first; so that a store can be made larger.
    portion : int
        Flights in one transaction.
    families : collection of str or None
        Of these families alone is there anything measured; None means of all.
    """
    template = pa.Table.from_pylist(list(_template(families)))
    names = range(first_airframe, first_airframe + airframes)
    flown = (_flight(airframe, number, flights_each) for number in range(flights_each) for airframe in names)
    while rows := list(islice(flown, portion)):
        _write(store, template, rows)


def add_flight(
    store: Store, airframe: int, number: int, flights_each: int, *, families: Collection[str] | None = None
) -> None:
    """One more flight of one airframe, numbered from `flights_each` on."""
    row = _flight(airframe, number, flights_each)
    _write(store, pa.Table.from_pylist(list(_template(families))), [row], journal=False)


def _write(store: Store, template: pa.Table, rows: list[dict[str, Any]], *, journal: bool = True) -> None:
    flown = pa.Table.from_pylist(rows)
    with unit_of_work(store) as connection:
        connection.register("flown", flown)
        connection.register("template", template)
        for sql in (_LOGS, _SIGHTINGS, _RECORDINGS, _FLIGHTS, _RUNS, _OBSERVATIONS):
            connection.execute(sql)
        for name in sorted({row["parameter_set"] for row in rows}):
            known = connection.execute("SELECT count(*) FROM parameter_value WHERE parameter_set = ?", [name])
            if not known.fetchall()[0][0]:
                connection.execute(
                    "INSERT INTO parameter_value SELECT ?, 'P' || range, range / 8.0 FROM range(?)",
                    [name, PARAMETERS],
                )
        last = connection.execute("SELECT seq, sha256 FROM audit_record ORDER BY seq DESC LIMIT 1").fetchall()
        seq, head = last[0] if last else (0, NO_ROW)
        insert_rows(connection, "audit_record", _JOURNAL, list(_chain(rows, seq, head, journal)))
        connection.unregister("flown")
        connection.unregister("template")


def _template(families: Collection[str] | None) -> Iterator[dict[str, Any]]:
    """Every metric of every detector in up to two contexts, at a level that asks for no attention."""
    for detector in load_registry():
        spec: DetectorSpec = detector.spec
        if families is not None and spec.family not in families:
            continue
        contexts = CONTEXTS if spec.family in ("altitude_hold", "oscillation") else CONTEXTS[:1]
        for metric in spec.metrics:
            for context in contexts:
                yield {
                    "detector": spec.id,
                    "version": spec.version,
                    "family": spec.family,
                    "metric": metric.name,
                    "context": context,
                    "is_log": metric.scale == "log",
                    "level": _level(metric),
                    "spread": metric.matters,
                }


def _level(metric: Metric) -> float:
    if metric.attention is None:
        return 2.0 * metric.matters
    return 3.0 * metric.attention if metric.better == "higher" else metric.attention / 4.0


def _flight(airframe: int, number: int, flights: int) -> dict[str, Any]:
    updated = number >= 2 * flights // 3
    name = airframe_name(airframe)
    return {
        "sha256": hashlib.sha256(f"{airframe}|{number}".encode()).hexdigest(),
        "airframe": name,
        "number": number,
        "path": f"{name}/{number:05d}.tlog",
        "started_at": FIRST_DAY + timedelta(days=number, minutes=airframe % 300),
        "firmware": "4.3.0" if updated else "4.2.1",
        "parameter_set": hashlib.sha256(f"set {airframe % 20}".encode()).hexdigest(),
        "worse": updated and airframe % WORSE_EVERY == 0,
        "servo": number == flights // 3,
    }


def _chain(rows: list[dict[str, Any]], seq: int, head: str, journal: bool) -> Iterator[tuple[Any, ...]]:
    for row in rows:
        bodies: list[tuple[str, dict[str, Any]]] = [
            ("log_stored", {"sha256": row["sha256"], "path": row["path"], "outcome": "ingested"})
        ]
        if journal and row["servo"]:
            day = row["started_at"].date().isoformat()
            entry = {"done_at": day, "kind": "servo", "part": "elevator servo", "before": "a", "after": "b"}
            bodies.append(("journal_added", {**entry, "done_by": "x", "note": "", "source": "file"}))
        for kind, body in bodies:
            seq += 1
            text = canonical_json(body)
            sha256 = row_hash(seq, row["started_at"], kind, row["airframe"], text, head)
            yield seq, row["started_at"], kind, row["airframe"], text, head, sha256
            head = sha256
