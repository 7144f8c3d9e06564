"""One log by itself: read, split, measured, and what it shows without any history. No store is touched."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.flights import split
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.judge import judge_fleet
from trimkeep.detectors.history.model import Finding, Series, SeriesPoint
from trimkeep.detectors.model import DetectorRun, Flight, Recording
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_all
from trimkeep.reports.compose_flight import compose_inspect
from trimkeep.reports.page_inputs import Setting
from trimkeep.reports.page_views import FlightPage
from trimkeep.service.map_check import read_checked

SPEC_BY_ID = {detector.spec.id: detector.spec for detector in DETECTORS}
# A log without real time still has an order; the date only has to be the same for all of its figures.
NO_DATE = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class InspectedFlight:
    """One flight of a log with what the detectors said, and what that shows by itself."""

    flight: Flight
    runs: tuple[DetectorRun, ...]
    series: tuple[Series, ...]
    findings: tuple[Finding, ...]


def inspect_log(path: Path, card: AirframeCard) -> tuple[Recording, tuple[InspectedFlight, ...]]:
    """Read a log and measure every flight in it.

    Raises
    ------
    LogError
        The log cannot be read.
    """
    recording = read_checked(path, card)
    return recording, tuple(_inspected(flight) for flight in split(recording, card))


def _inspected(flight: Flight) -> InspectedFlight:
    runs = run_all(flight, DETECTORS)
    series = _series(flight, runs)
    # One flight has no before: what is left is what it shows by itself, with its likely causes.
    findings = judge_fleet(series, (), FleetModel(), JudgeSettings())
    return InspectedFlight(flight, runs, series, findings)


def _series(flight: Flight, runs: tuple[DetectorRun, ...]) -> tuple[Series, ...]:
    """Every figure as a series of one flight."""
    at = (flight.recording.start_utc or NO_DATE) + timedelta(seconds=flight.start_s)
    series = []
    for run in runs:
        spec = SPEC_BY_ID[run.detector]
        for seen in run.observations:
            metric = spec.metric(seen.metric)
            point = SeriesPoint(
                f"{flight.recording.source}-{flight.number}",
                0,
                at,
                seen.value,
                seen.standard_error,
                seen.seconds,
            )
            series.append(
                Series(
                    airframe=flight.card.id,
                    detector=spec.id,
                    family=spec.family,
                    metric=metric.name,
                    context=seen.context,
                    unit=metric.unit,
                    better=metric.better,
                    scale=metric.scale,
                    matters=flight.card.thresholds.get(metric.name, metric.matters),
                    points=(point,),
                    attention=metric.attention,
                )
            )
    return tuple(series)


def page_of(inspected: InspectedFlight, setting: Setting) -> FlightPage:
    """The page of one flight."""
    return compose_inspect(
        inspected.flight,
        inspected.runs,
        SPEC_BY_ID,
        setting,
        findings=inspected.findings,
        series=inspected.series,
    )
