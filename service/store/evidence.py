"""What a plot needs of one flight: its channels from the recording, and the windows that show a figure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import duckdb

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import UsageError
from trimkeep.detectors.model import Flight, Segment, Window
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.flights import flight_of_id, load_segments, segments_in
from trimkeep.service.store.removals import read_stored
from trimkeep.service.store.values import first_row

_FLIGHT = """
SELECT start_s, end_s, starts_airborne, ends_airborne FROM flight WHERE log_sha256 = ? AND number = ?
"""


def load_channels(
    store: Store,
    sha256: str,
    number: int,
    names: Iterable[str] | None = None,
    card: AirframeCard | None = None,
) -> Flight:
    """One flight with the channels asked for, from the stored recording.

    Parameters
    ----------
    store : Store
    sha256 : str
        The log.
    number : int
        The flight in it.
    names : iterable of str or None
        Channels to read; None means all.
    card : AirframeCard or None
        Card for the flight; None gives one without content (enough for plots).

    Raises
    ------
    UsageError
        There is no such flight.
    RecordingRemoved
        The retention setting took the recording away.
    StoreDamaged
        The recording cannot be read back.
    """
    with unit_of_work(store) as connection:
        span = _span(connection, sha256, number)
    return _flight(store, sha256, span, names, card)


def _span(connection: duckdb.DuckDBPyConnection, sha256: str, number: int) -> FlightSpan:
    row = first_row(connection, _FLIGHT, [sha256, number])
    if row is None:
        raise UsageError(
            f"has no flight {number}",
            subject=f"log {sha256[:12]}",
            next_step="`trimkeep flights` lists what there is",
        )
    start_s, end_s, starts_airborne, ends_airborne = row
    segments = segments_in(connection, sha256, number)
    return FlightSpan(number, start_s, end_s, starts_airborne, ends_airborne, segments)


def _flight(
    store: Store, sha256: str, span: FlightSpan, names: Iterable[str] | None, card: AirframeCard | None
) -> Flight:
    return Flight(
        recording=read_stored(store, sha256, names),
        card=card or AirframeCard(id=""),
        number=span.number,
        start_s=span.start_s,
        end_s=span.end_s,
        segments=span.segments,
        starts_airborne=span.starts_airborne,
        ends_airborne=span.ends_airborne,
    )


@dataclass(frozen=True, slots=True)
class FlightSpan:
    """Where a flight lies in its recording."""

    number: int
    start_s: float
    end_s: float
    starts_airborne: bool
    ends_airborne: bool
    segments: tuple[Segment, ...]


_FLIGHTS = """
SELECT number, start_s, end_s, starts_airborne, ends_airborne FROM flight WHERE log_sha256 = ? ORDER BY number
"""


def load_spans(store: Store, sha256: str) -> tuple[FlightSpan, ...]:
    """The flights of one log with their segments."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_FLIGHTS, [sha256]).fetchall()
    return tuple(
        FlightSpan(number, start_s, end_s, starts, ends, load_segments(store, sha256, number))
        for number, start_s, end_s, starts, ends in rows
    )


@dataclass(frozen=True, slots=True)
class Evidence:
    """A flight's channels and the stretches in which one figure shows."""

    flight: Flight
    windows: tuple[Window, ...]


_WINDOWS = """
SELECT windows_s FROM observation
WHERE log_sha256 = ? AND number = ? AND metric = ? AND context = ?
"""


def load_evidence(store: Store, flight_id: str, metric: str, context: str, names: Iterable[str]) -> Evidence:
    """Channels and windows behind one observation.

    Raises
    ------
    UsageError
        There is no such flight.
    """
    # One unit of work: opening the store costs more than everything that is asked of it here.
    with unit_of_work(store) as connection:
        found = flight_of_id(connection, flight_id)
        if found is None:
            raise UsageError(
                "is no flight of this store",
                subject=flight_id,
                next_step="`trimkeep flights` lists the flights",
            )
        row = first_row(connection, _WINDOWS, [*found, metric, context])
        span = _span(connection, *found)
    bounds = row[0] if row else []
    windows = tuple(zip(bounds[::2], bounds[1::2], strict=True))
    return Evidence(_flight(store, found[0], span, names, None), windows)
