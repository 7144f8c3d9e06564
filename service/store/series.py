"""Series for the judge: one airframe, one metric, one context, flight after flight."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb

from trimkeep.detectors.history.model import Series, SeriesPoint
from trimkeep.detectors.model import DetectorSpec, Outcome
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.flights import PlacedFlight, place_flights, stored_flights

CONDITIONS_FAMILY = "conditions"
# Airframes that are read at a time: the rows of a large fleet take several times the memory of its series,
# and nobody else can use the store while they are read.
PORTION = 50
# Context that stands for the whole flight where a condition was not measured in the series' own context.
Key = tuple[str, int, str]


@dataclass(frozen=True, slots=True)
class _Seen:
    metric: str
    context: str
    value: float
    standard_error: float | None
    seconds: float


_WANTED = "(SELECT unnest(?) AS detector, unnest(?) AS version)"
_OBSERVATIONS = f"""
SELECT log_sha256, number, observation.detector, metric, context, value, standard_error, seconds
FROM observation JOIN {_WANTED} AS wanted
    ON wanted.detector = observation.detector AND wanted.version = observation.version
WHERE airframe IN (SELECT unnest(?))
ORDER BY log_sha256, number, observation.detector, metric, context
"""
_RUNS = f"""
SELECT log_sha256, number, detector_run.detector, outcome, reason, detail
FROM detector_run JOIN {_WANTED} AS wanted
    ON wanted.detector = detector_run.detector AND wanted.version = detector_run.version
WHERE outcome <> 'measured'
"""


def load_series(
    store: Store,
    specs: Sequence[DetectorSpec],
    thresholds: Mapping[str, Mapping[str, float]] | None = None,
    airframes: Iterable[str] | None = None,
) -> tuple[Series, ...]:
    """Every series of the fleet, ready to be judged.

    Parameters
    ----------
    store : Store
    specs : sequence of DetectorSpec
        The detectors of today; numbers of other versions are left out.
    thresholds : mapping of str to mapping of str to float
        Airframe to metric to what counts as a material change there (`AirframeCard.thresholds`).
    airframes : iterable of str or None
        Only these; None means the fleet.

    Returns
    -------
    tuple of Series
        By airframe, detector, metric and context. Where a flight has two recordings, each detector's
        numbers come from the one that gave it more data.
    """
    names = _flown(store) if airframes is None else sorted(airframes)
    found: list[Series] = []
    for start in range(0, len(names), PORTION):
        found += _load_portion(store, specs, thresholds or {}, names[start : start + PORTION])
    return tuple(found)


def _flown(store: Store) -> list[str]:
    with unit_of_work(store) as connection:
        rows = connection.execute("SELECT DISTINCT airframe FROM flight ORDER BY airframe").fetchall()
    return [row[0] for row in rows]


def _load_portion(
    store: Store,
    specs: Sequence[DetectorSpec],
    thresholds: Mapping[str, Mapping[str, float]],
    names: list[str],
) -> list[Series]:
    with unit_of_work(store) as connection:
        flights = place_flights(stored_flights(connection, names))
        seen = _observations(connection, specs, names)
    gathered: dict[tuple[str, str, str, str], list[SeriesPoint]] = {}
    for flight in flights:
        chosen = {spec.id: _richest(flight, spec.id, seen) for spec in specs}
        conditions = [one for spec in specs if spec.family == CONDITIONS_FAMILY for one in chosen[spec.id]]
        in_context: dict[str, dict[str, float]] = {}
        # Asked for once a flight: a large fleet has millions of points.
        place, airframe = (flight.id, flight.order, flight.at), flight.airframe
        for detector, observations in chosen.items():
            for one in observations:
                key = (airframe, detector, one.metric, one.context)
                # One mapping for all metrics of a context: most of the memory of a large fleet is here.
                if one.context not in in_context:
                    in_context[one.context] = _conditions(one.context, conditions)
                gathered.setdefault(key, []).append(_point(place, one, in_context[one.context]))
    by_id = {spec.id: spec for spec in specs}
    return [
        _series(by_id[key[1]], key, tuple(gathered[key]), thresholds.get(key[0], {}))
        for key in sorted(gathered)
    ]


def _observations(
    connection: duckdb.DuckDBPyConnection, specs: Sequence[DetectorSpec], airframes: list[str]
) -> dict[Key, list[_Seen]]:
    names, versions = [spec.id for spec in specs], [spec.version for spec in specs]
    values = [names, versions, airframes]
    found: dict[Key, list[_Seen]] = {}
    for row in connection.execute(_OBSERVATIONS, values).fetchall():
        found.setdefault((row[0], row[1], row[2]), []).append(_Seen(*row[3:]))
    return found


def _richest(flight: PlacedFlight, detector: str, seen: Mapping[Key, list[_Seen]]) -> list[_Seen]:
    """A detector's observations from the recording that gave it most data; the richest recording on a tie."""
    best: list[_Seen] = []
    most_s = -1.0
    for recording in flight.recordings:
        own = seen.get((recording.log_sha256, recording.number, detector), [])
        total_s = sum(one.seconds for one in own)
        # 5 %: two recorders of one flight never give quite the same seconds, and the richer one leads.
        if own and total_s > 1.05 * most_s:
            best, most_s = own, total_s
    return best


def _point(place: tuple[str, int, datetime], one: _Seen, conditions: Mapping[str, float]) -> SeriesPoint:
    flight_id, order, at = place
    return SeriesPoint(
        flight_id=flight_id,
        order=order,
        at=at,
        value=one.value,
        standard_error=one.standard_error,
        seconds=one.seconds,
        conditions=conditions,
    )


def _conditions(context: str, conditions: Sequence[_Seen]) -> dict[str, float]:
    """Each condition as measured in the same context, else where it rests on most data."""
    found: dict[str, float] = {}
    rank: dict[str, tuple[bool, float]] = {}
    for one in conditions:
        own = (one.context == context, one.seconds)
        if one.metric not in found or own > rank[one.metric]:
            found[one.metric], rank[one.metric] = one.value, own
    return found


def _series(
    spec: DetectorSpec,
    key: tuple[str, str, str, str],
    points: tuple[SeriesPoint, ...],
    thresholds: Mapping[str, float],
) -> Series:
    airframe, detector, name, context = key
    metric = spec.metric(name)
    return Series(
        airframe=airframe,
        detector=detector,
        family=spec.family,
        metric=name,
        context=context,
        unit=metric.unit,
        better=metric.better,
        scale=metric.scale,
        matters=thresholds.get(name, metric.matters),
        points=points,
        attention=metric.attention,
    )


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """A detector that gave nothing for a flight, and why (`reason` is a `Reason` value or `failed`)."""

    flight_id: str
    airframe: str
    detector: str
    reason: str
    detail: str


def load_unmeasured(
    store: Store, specs: Sequence[DetectorSpec], airframes: Iterable[str] | None = None
) -> tuple[Unmeasured, ...]:
    """What could not be measured in any recording of a flight, by airframe, flight and detector."""
    wanted = None if airframes is None else sorted(airframes)
    names, versions = [spec.id for spec in specs], [spec.version for spec in specs]
    with unit_of_work(store) as connection:
        flights = place_flights(stored_flights(connection, wanted))
        rows: list[tuple[Any, ...]] = connection.execute(_RUNS, [names, versions]).fetchall()
    runs = {(row[0], row[1], row[2]): row[3:] for row in rows}
    found = []
    for flight in flights:
        for name in names:
            ends = [runs.get((r.log_sha256, r.number, name)) for r in flight.recordings]
            if any(end is None for end in ends):
                continue  # measured in one of them
            outcome, reason, detail = ends[0]  # type: ignore[misc]
            said = reason if outcome == Outcome.NOT_MEASURED and reason else str(Outcome.FAILED)
            found.append(Unmeasured(flight.id, flight.airframe, name, said, detail))
    return tuple(found)
