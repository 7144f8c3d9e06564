"""Storing what one log gave, all of it or nothing."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import duckdb
import pyarrow as pa

from trimkeep.detectors.model import DetectorRun
from trimkeep.service.store.audit import append_record
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.rows import FlightRow, LogResult, RecordingRow
from trimkeep.service.store.values import (
    canonical_json,
    finite,
    first_row,
    insert_rows,
    now_utc,
    readable,
    readable_or_none,
    to_store,
)

PER_LOG_TABLES = ("recording", "flight", "segment", "detector_run", "observation")

_FINISH = """
UPDATE log_file SET outcome = ?, slug = ?, reason = ?, finished_at = ?, lease = NULL, airframe = ?, path = ?,
    card_hash = ?
WHERE sha256 = ? AND lease = ?
"""


def save_result(store: Store, result: LogResult, *, lease: str, path: str, card_hash: str) -> bool:
    """Replace everything the store knows of one log, in one transaction.

    Returns
    -------
    bool
        False when the claim has passed to another run meanwhile: then nothing was stored, and that run
        stores the same.
    """
    with unit_of_work(store) as connection:
        rejection = result.rejection
        finish = [
            str(result.outcome),
            rejection.slug if rejection else None,
            rejection.sentence if rejection else None,
            now_utc(),
            result.airframe,
            path,
            card_hash,
            result.sha256,
            lease,
        ]
        changed = first_row(connection, _FINISH, finish)
        if not changed or not changed[0]:
            return False
        for table in PER_LOG_TABLES:
            connection.execute(f"DELETE FROM {table} WHERE log_sha256 = ?", [result.sha256])
        if result.recording is not None:
            _save_recording(connection, result.sha256, result.airframe, result.recording)
            row = result.recording
            save_flights(connection, result.sha256, result.airframe, row.firmware, row.board, result.flights)
        body = {"sha256": result.sha256, "path": path, "outcome": str(result.outcome)}
        append_record(connection, "log_stored", result.airframe, body)
    return True


_NEW_RECORDING = "INSERT INTO recording VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"


def _save_recording(
    connection: duckdb.DuckDBPyConnection, sha256: str, airframe: str, row: RecordingRow
) -> None:
    notes = json.dumps([asdict(note) | {"values": dict(note.values)} for note in row.notes])
    connection.execute(
        _NEW_RECORDING,
        [
            sha256,
            airframe,
            readable(row.source),
            row.reader,
            row.reader_version,
            row.splitter_version,
            to_store(row.start_utc),
            str(row.clock),
            row.duration_s,
            readable_or_none(row.firmware),
            readable_or_none(row.board),
            notes,
            canonical_json(sorted(row.channels)),
        ],
    )


_FLIGHT = pa.schema(
    [
        ("log_sha256", pa.string()),
        ("number", pa.int32()),
        ("airframe", pa.string()),
        ("started_at", pa.timestamp("us")),
        ("clock", pa.string()),
        ("start_s", pa.float64()),
        ("end_s", pa.float64()),
        ("starts_airborne", pa.bool_()),
        ("ends_airborne", pa.bool_()),
        ("samples", pa.int64()),
        ("firmware", pa.string()),
        ("board", pa.string()),
        ("parameter_set", pa.string()),
    ]
)
_SEGMENT = pa.schema(
    [
        ("log_sha256", pa.string()),
        ("number", pa.int32()),
        ("position", pa.int32()),
        ("start_s", pa.float64()),
        ("end_s", pa.float64()),
        ("mode", pa.string()),
        ("phase", pa.string()),
    ]
)


def save_flights(
    connection: duckdb.DuckDBPyConnection,
    sha256: str,
    airframe: str,
    firmware: str | None,
    board: str | None,
    flights: Sequence[FlightRow],
) -> None:
    """Add the flights of a log with everything measured in them."""
    rows: list[tuple[Any, ...]] = []
    segments: list[tuple[Any, ...]] = []
    for flight in flights:
        parameter_set = _save_parameters(connection, flight.parameters)
        place = (sha256, flight.number)
        rows.append(
            (
                *place,
                airframe,
                to_store(flight.started_at),
                str(flight.clock),
                flight.start_s,
                flight.end_s,
                flight.starts_airborne,
                flight.ends_airborne,
                flight.samples,
                readable_or_none(firmware),
                readable_or_none(board),
                parameter_set,
            )
        )
        segments += [
            (*place, position, s.start_s, s.end_s, s.mode, s.phase)
            for position, s in enumerate(flight.segments)
        ]
    insert_rows(connection, "flight", _FLIGHT, rows)
    insert_rows(connection, "segment", _SEGMENT, segments)
    runs = [(flight.number, run) for flight in flights for run in flight.runs]
    save_runs(connection, sha256, airframe, runs)


_RUN = pa.schema(
    [
        ("log_sha256", pa.string()),
        ("number", pa.int32()),
        ("detector", pa.string()),
        ("version", pa.int32()),
        ("outcome", pa.string()),
        ("reason", pa.string()),
        ("detail", pa.string()),
    ]
)
_OBSERVATION = pa.schema(
    [
        ("log_sha256", pa.string()),
        ("number", pa.int32()),
        ("airframe", pa.string()),
        ("detector", pa.string()),
        ("version", pa.int32()),
        ("metric", pa.string()),
        ("context", pa.string()),
        ("value", pa.float64()),
        ("standard_error", pa.float64()),
        ("seconds", pa.float64()),
        ("windows_s", pa.list_(pa.float64())),
    ]
)


def save_runs(
    connection: duckdb.DuckDBPyConnection,
    sha256: str,
    airframe: str,
    runs: Sequence[tuple[int, DetectorRun]],
) -> None:
    """Add detector runs and their observations, each with its flight's number."""
    run_rows: list[tuple[Any, ...]] = []
    observations: list[tuple[Any, ...]] = []
    for number, run in runs:
        run_rows.append(
            (sha256, number, run.detector, run.version, str(run.outcome), run.reason, readable(run.detail))
        )
        for seen in run.observations:
            value = finite(seen.value)
            if value is None:
                continue  # run_all refuses these already; a NaN here would spoil every average
            windows = [bound for window in seen.windows for bound in window]
            head = (sha256, number, airframe, run.detector, run.version, seen.metric, seen.context)
            observations.append((*head, value, finite(seen.standard_error), seen.seconds, windows))
    insert_rows(connection, "detector_run", _RUN, run_rows)
    insert_rows(connection, "observation", _OBSERVATION, observations)


_PARAMETER = pa.schema([("parameter_set", pa.string()), ("name", pa.string()), ("value", pa.float64())])
_HAS_SET = "SELECT count(*) FROM parameter_value WHERE parameter_set = ?"


def _save_parameters(connection: duckdb.DuckDBPyConnection, parameters: Mapping[str, float]) -> str | None:
    known = {name: value for name, value in sorted(parameters.items()) if finite(value) is not None}
    if not known:
        return None
    parameter_set = hashlib.sha256(canonical_json(known).encode()).hexdigest()
    row = first_row(connection, _HAS_SET, [parameter_set])
    if row is None or row[0] == 0:
        rows = [(parameter_set, name, value) for name, value in known.items()]
        insert_rows(connection, "parameter_value", _PARAMETER, rows)
    return parameter_set
