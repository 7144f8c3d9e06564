"""Stored logs that today's detectors or splitter would measure differently."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from trimkeep.detectors.model import DetectorRun
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.judgings import forget_judgings
from trimkeep.service.store.results import save_flights, save_runs
from trimkeep.service.store.rows import FlightRow, LogOutcome


@dataclass(frozen=True, slots=True)
class Outdated:
    """One log to be measured anew, with the detectors whose numbers are missing or of another version."""

    sha256: str
    airframe: str
    path: str
    mtime_ns: int
    splitter_version: int
    firmware: str | None
    board: str | None
    detectors: frozenset[str]


_RECORDINGS = """
SELECT log.sha256, log.airframe, log.path,
    coalesce((SELECT max(mtime_ns) FROM log_sighting s WHERE s.sha256 = log.sha256), 0),
    recording.splitter_version, recording.firmware, recording.board,
    (SELECT count(*) FROM flight WHERE flight.log_sha256 = log.sha256)
FROM recording JOIN log_file log ON log.sha256 = recording.log_sha256
WHERE log.outcome IN ('ingested', 'no_flight') AND log.lease IS NULL
ORDER BY log.airframe, log.path
"""
_RUNS = "SELECT log_sha256, detector, version FROM detector_run GROUP BY ALL"


def find_outdated(store: Store, current: Mapping[str, int], splitter_version: int) -> tuple[Outdated, ...]:
    """Logs to be measured anew, by airframe and path.

    Parameters
    ----------
    store : Store
    current : mapping of str to int
        Detector to its version today.
    splitter_version : int
        Version of the code that finds flights.
    """
    with unit_of_work(store) as connection:
        recordings = connection.execute(_RECORDINGS).fetchall()
        runs = connection.execute(_RUNS).fetchall()
    versions: dict[str, dict[str, int]] = {}
    for sha256, detector, version in runs:
        versions.setdefault(sha256, {})[detector] = version
    found = []
    for sha256, airframe, path, mtime_ns, version, firmware, board, flights in recordings:
        own = versions.get(sha256, {})
        wanted = frozenset(name for name, version in current.items() if own.get(name) != version)
        one = Outdated(sha256, airframe, path, mtime_ns, version, firmware, board, wanted)
        if one.splitter_version != splitter_version or (flights and wanted):
            found.append(one)
    return tuple(found)


_DELETE_RUNS = "DELETE FROM detector_run WHERE log_sha256 = ? AND list_contains(?, detector)"
_DELETE_OBSERVATIONS = "DELETE FROM observation WHERE log_sha256 = ? AND list_contains(?, detector)"


def replace_runs(store: Store, one: Outdated, runs: Sequence[tuple[int, DetectorRun]]) -> None:
    """Replace the numbers of these detectors for one log."""
    names = sorted(one.detectors)
    with unit_of_work(store) as connection:
        connection.execute(_DELETE_RUNS, [one.sha256, names])
        connection.execute(_DELETE_OBSERVATIONS, [one.sha256, names])
        save_runs(connection, one.sha256, one.airframe, runs)
        forget_judgings(connection)


_SPLITTER = "UPDATE recording SET splitter_version = ? WHERE log_sha256 = ?"
_OUTCOME = "UPDATE log_file SET outcome = ? WHERE sha256 = ?"


def replace_flights(store: Store, one: Outdated, flights: Sequence[FlightRow], splitter_version: int) -> None:
    """Replace the flights of one log and all that was measured in them."""
    outcome = LogOutcome.INGESTED if flights else LogOutcome.NO_FLIGHT
    with unit_of_work(store) as connection:
        for table in ("flight", "segment", "detector_run", "observation"):
            connection.execute(f"DELETE FROM {table} WHERE log_sha256 = ?", [one.sha256])
        connection.execute(_SPLITTER, [splitter_version, one.sha256])
        connection.execute(_OUTCOME, [str(outcome), one.sha256])
        save_flights(connection, one.sha256, one.airframe, one.firmware, one.board, flights)
        forget_judgings(connection)
