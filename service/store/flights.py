"""Flights in the order they were flown; two recordings of one flight are one flight."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby

import duckdb

from trimkeep.detectors.model import ClockSource, Segment
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.rows import flight_id
from trimkeep.service.store.values import Row, aware, first_row

# One aeroplane flies one flight at a time, so any real overlap means the same flight. A quarter of the
# shorter one leaves room for two recorders whose clocks differ by some seconds between two short flights.
SAME_FLIGHT_SHARE = 0.25
TRUSTED_CLOCKS = frozenset({ClockSource.SATELLITE, ClockSource.RECEIVER, ClockSource.METADATA})


@dataclass(frozen=True, slots=True)
class StoredFlight:
    """One flight of one recording, as stored."""

    log_sha256: str
    number: int
    airframe: str
    started_at: datetime
    clock: ClockSource
    start_s: float
    end_s: float
    starts_airborne: bool
    ends_airborne: bool
    samples: int
    firmware: str | None
    board: str | None
    parameter_set: str | None
    source: str
    path: str

    @property
    def id(self) -> str:
        """`<first 12 hex digits of the log's hash>-<number>`."""
        return flight_id(self.log_sha256, self.number)

    @property
    def seconds(self) -> float:
        """Airborne time."""
        return self.end_s - self.start_s

    @property
    def ended_at(self) -> datetime:
        """Landing, or the log's end in the air."""
        return self.started_at + timedelta(seconds=self.seconds)


@dataclass(frozen=True, slots=True)
class PlacedFlight:
    """A flight in its airframe's history.

    Parameters
    ----------
    order : int
        0-based place by time.
    recordings : tuple of StoredFlight
        The recordings of this flight, the richest first; its id, times and flags are those of the first.
    """

    order: int
    recordings: tuple[StoredFlight, ...]

    @property
    def main(self) -> StoredFlight:
        """The richest recording."""
        return self.recordings[0]

    @property
    def id(self) -> str:
        """Id of the richest recording's flight."""
        return self.main.id

    @property
    def airframe(self) -> str:
        """Airframe."""
        return self.main.airframe

    @property
    def at(self) -> datetime:
        """When it began, aware UTC."""
        return self.main.started_at

    @property
    def clock_in_doubt(self) -> bool:
        """True when the time rests on a file's name or date."""
        return self.main.clock not in TRUSTED_CLOCKS

    @property
    def firmware(self) -> str | None:
        """Firmware as any of its recordings states it."""
        return next((r.firmware for r in self.recordings if r.firmware is not None), None)

    @property
    def board(self) -> str | None:
        """Autopilot board as any of its recordings states it."""
        return next((r.board for r in self.recordings if r.board is not None), None)


_FLIGHTS = """
SELECT flight.log_sha256, number, flight.airframe, started_at, flight.clock, start_s, end_s, starts_airborne,
    ends_airborne, samples, flight.firmware, flight.board, parameter_set, recording.source, log.path
FROM flight
JOIN log_file log ON log.sha256 = flight.log_sha256
JOIN recording ON recording.log_sha256 = flight.log_sha256
LEFT JOIN log_file longer ON longer.sha256 = log.superseded_by AND longer.outcome = 'ingested'
WHERE longer.sha256 IS NULL AND (? OR list_contains(?, flight.airframe))
ORDER BY flight.airframe, started_at, flight.log_sha256, number
"""


def stored_flights(
    connection: duckdb.DuckDBPyConnection, airframes: Iterable[str] | None = None
) -> list[StoredFlight]:
    """Flights of logs that no longer log supersedes, by airframe and time."""
    wanted = [] if airframes is None else sorted(airframes)
    rows = connection.execute(_FLIGHTS, [airframes is None, wanted]).fetchall()
    return [_stored(row) for row in rows]


def _stored(row: Row) -> StoredFlight:
    sha256, number, airframe, started_at, clock, *rest = row
    return StoredFlight(sha256, number, airframe, aware(started_at), ClockSource(clock), *rest)


def place_flights(flights: Sequence[StoredFlight]) -> tuple[PlacedFlight, ...]:
    """Flights numbered by time within their airframe, recordings of the same flight brought together.

    The result depends on the set of flights only, never on the order of arrival.
    """
    placed: list[PlacedFlight] = []
    ordered = sorted(flights, key=lambda f: (f.airframe, f.started_at, f.log_sha256, f.number))
    for _, own in groupby(ordered, key=lambda f: f.airframe):
        groups = sorted(_together(list(own)), key=lambda group: (group[0].started_at, group[0].id))
        placed += [PlacedFlight(order, group) for order, group in enumerate(groups)]
    return tuple(placed)


def _together(flights: list[StoredFlight]) -> Iterator[tuple[StoredFlight, ...]]:
    group: list[StoredFlight] = []
    until: datetime | None = None
    for flight in flights:
        if group and until is not None and any(_same(other, flight) for other in group):
            group.append(flight)
            until = max(until, flight.ended_at)
            continue
        if group:
            yield _richest_first(group)
        group, until = [flight], flight.ended_at
    if group:
        yield _richest_first(group)


def _richest_first(group: list[StoredFlight]) -> tuple[StoredFlight, ...]:
    return tuple(sorted(group, key=lambda f: (-f.samples, f.log_sha256, f.number)))


def _same(a: StoredFlight, b: StoredFlight) -> bool:
    if a.log_sha256 == b.log_sha256 or not {a.clock, b.clock} <= TRUSTED_CLOCKS:
        return False
    overlap_s = (min(a.ended_at, b.ended_at) - max(a.started_at, b.started_at)).total_seconds()
    return overlap_s > SAME_FLIGHT_SHARE * min(a.seconds, b.seconds)


def load_flights(store: Store, airframes: Iterable[str] | None = None) -> tuple[PlacedFlight, ...]:
    """Every flight that counts, by airframe and order.

    Parameters
    ----------
    store : Store
    airframes : iterable of str or None
        Only these; None means the fleet.
    """
    with unit_of_work(store) as connection:
        flights = stored_flights(connection, airframes)
    return place_flights(flights)


_BY_ID = "SELECT log_sha256 FROM flight WHERE starts_with(log_sha256, ?) AND number = ?"


def find_flight(store: Store, wanted: str) -> tuple[str, int] | None:
    """Log hash and number of a flight id; None when there is none, or the text is no id."""
    with unit_of_work(store) as connection:
        return flight_of_id(connection, wanted)


def flight_of_id(connection: duckdb.DuckDBPyConnection, wanted: str) -> tuple[str, int] | None:
    """`find_flight` inside the caller's unit of work."""
    prefix, _, number = wanted.rpartition("-")
    if not prefix or not number.isdigit():
        return None
    row = first_row(connection, _BY_ID, [prefix, int(number)])
    return (row[0], int(number)) if row else None


_SEGMENTS = """
SELECT start_s, end_s, mode, phase FROM segment WHERE log_sha256 = ? AND number = ? ORDER BY position
"""


def load_segments(store: Store, sha256: str, number: int) -> tuple[Segment, ...]:
    """The segments of one flight in order."""
    with unit_of_work(store) as connection:
        return segments_in(connection, sha256, number)


def segments_in(connection: duckdb.DuckDBPyConnection, sha256: str, number: int) -> tuple[Segment, ...]:
    """`load_segments` inside the caller's unit of work."""
    return tuple(Segment(*row) for row in connection.execute(_SEGMENTS, [sha256, number]).fetchall())


_PARAMETERS = """
SELECT parameter_set, name, value FROM parameter_value WHERE list_contains(?, parameter_set)
ORDER BY parameter_set, name
"""


def load_parameter_sets(store: Store, sets: Iterable[str]) -> dict[str, dict[str, float]]:
    """Parameter sets by their hash."""
    found: dict[str, dict[str, float]] = {}
    with unit_of_work(store) as connection:
        for name_of_set, name, value in connection.execute(_PARAMETERS, [sorted(set(sets))]).fetchall():
            found.setdefault(name_of_set, {})[name] = value
    return found
