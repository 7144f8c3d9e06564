"""A log format of three lines and the steps to read it: ingest is tested without real readers or detectors.

First line: JSON with `start`, `firmware`, `board`, `parameters`, and `deadly`, `slow_s`, `fault` to be
difficult. Every further line: `[start_s, end_s, level]`, one flight each, flown in a channel of that level.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import UnreadableLog
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.model import (
    Channel,
    ClockSource,
    Detector,
    DetectorRun,
    DetectorSpec,
    Flight,
    Metric,
    Observation,
    Outcome,
    ParameterReading,
    Recording,
    Segment,
)
from trimkeep.service.ingest.extract import Tools
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.report import IngestReport

LEVEL = DetectorSpec(
    id="level",
    version=1,
    title="Level",
    family="altitude_hold",
    metrics=(Metric("level_m", "Level", "m", "lower", 0.5, "made up"),),
)
AIR = DetectorSpec(
    id="air",
    version=1,
    title="Air",
    family="conditions",
    metrics=(Metric("wind_mps", "Wind", "m/s", "none", 1.0, "made up"),),
)


def log_text(flights: list[tuple[float, float, float]], **head: Any) -> str:
    """Text of a log. The first line is padded past the bytes that ingest takes for a log's beginning."""
    first = json.dumps({"start": "2026-03-14T10:00:00+00:00", "pad": "." * 300, **head})
    return "\n".join([first, *(json.dumps(list(flight)) for flight in flights)]) + "\n"


def read(path: Path, card: AirframeCard) -> Recording:
    """The reader of these logs."""
    lines = path.read_text().splitlines()
    try:
        head: Mapping[str, Any] = json.loads(lines[0])
        spans = [json.loads(line) for line in lines[1:]]
    except (ValueError, IndexError) as error:
        raise UnreadableLog("is no small log", subject=path.name, next_step="Write one") from error
    if head.get("deadly"):
        os._exit(9)
    if head.get("fault"):
        raise ZeroDivisionError("a fault of ours")
    time.sleep(head.get("slow_s", 0.0))
    end_s = max((span[1] for span in spans), default=10.0)
    time_s = np.arange(0.0, end_s + 1.0, 1.0 / head.get("rate_hz", 1.0))
    level = np.zeros(time_s.size)
    for start_s, stop_s, value in spans:
        level[(time_s >= start_s) & (time_s <= stop_s)] = value
    return Recording(
        source=path.name,
        reader="small",
        reader_version=1,
        duration_s=float(time_s[-1]),
        channels={"height_m": Channel(time_s, level), "mode_number": Channel(time_s, np.ones(time_s.size))},
        start_utc=datetime.fromisoformat(head["start"]) if head.get("start") else None,
        clock=ClockSource(head.get("clock", "satellite")) if head.get("start") else ClockSource.NONE,
        firmware=head.get("firmware"),
        board=head.get("board"),
        parameters=tuple(
            ParameterReading(0.0, name, value) for name, value in head.get("parameters", {}).items()
        ),
    )


def split(recording: Recording, card: AirframeCard) -> tuple[Flight, ...]:
    """A flight wherever the level is not zero."""
    height = recording.channels["height_m"]
    up = np.concatenate(([0], (height.value != 0.0).astype(int), [0]))
    starts, ends = np.flatnonzero(np.diff(up) == 1), np.flatnonzero(np.diff(up) == -1) - 1
    return tuple(
        Flight(
            recording,
            card,
            number,
            float(height.time_s[first]),
            float(height.time_s[last]),
            (Segment(float(height.time_s[first]), float(height.time_s[last]), "cruise", "level"),),
        )
        for number, (first, last) in enumerate(zip(starts, ends, strict=True), start=1)
    )


def observe_level(flight: Flight) -> list[Observation]:
    """Mean level, with the flight as its window."""
    value = float(np.mean(flight.channel("height_m").value))
    window = (flight.start_s, flight.end_s)
    return [Observation("level_m", "held_level", value, 0.1, flight.seconds, (window,))]


def observe_level_doubled(flight: Flight) -> list[Observation]:
    """What a later version of the detector says."""
    return [replace(one, value=2.0 * one.value) for one in observe_level(flight)]


def observe_air(flight: Flight) -> list[Observation]:
    """A wind of a hundredth of the flight's seconds."""
    return [Observation("wind_mps", "flight", flight.seconds / 100.0, None, flight.seconds)]


def run(flight: Flight, detectors: tuple[Detector, ...]) -> tuple[DetectorRun, ...]:
    """Every detector measures."""
    return tuple(
        DetectorRun(d.spec.id, d.spec.version, Outcome.MEASURED, tuple(d.observe(flight)))  # type: ignore[arg-type]
        for d in detectors
    )


def detectors() -> tuple[Detector, ...]:
    """Today's detectors."""
    return (Detector(AIR, observe_air), Detector(LEVEL, observe_level))


def later_detectors() -> tuple[Detector, ...]:
    """Tomorrow's: the level is measured another way."""
    return (Detector(AIR, observe_air), Detector(replace(LEVEL, version=2), observe_level_doubled))


TOOLS = Tools(read=read, split=split, detectors=detectors, run=run, splitter_version=1)
SPECS = (AIR, LEVEL)


def fleet_in(folder: Path, settings: str = "") -> FleetSettings:
    """A fleet folder with quick settings, quicker in what is handed back than a file may ask for."""
    fleet = folder / "fleet"
    fleet.mkdir(exist_ok=True)
    quick = "[watch]\nstill_s = 0.1\nrescan_s = 1.0\n"
    (fleet / "fleet.toml").write_text(f'time_zone = "Europe/Lisbon"\n{settings}{quick}')
    loaded = load_fleet(fleet, environment={})
    watch = replace(loaded.settings.watch, rescan_s=0.2)
    return replace(loaded, settings=replace(loaded.settings, watch=watch))


def put(fleet: FleetSettings, name: str, text: str) -> Path:
    """Write a log that has stood still for a while."""
    path = fleet.folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    age(path)
    return path


def age(path: Path, seconds: float = 100.0) -> None:
    """Make a file's time older, as one that was copied with its time kept."""
    past = time.time() - seconds
    os.utime(path, (past, past))


def ingest(fleet: FleetSettings, **options: Any) -> IngestReport:
    """`ingest_fleet` with the small reader, in a thread."""
    options.setdefault("tools", TOOLS)
    options.setdefault("pool", ThreadPoolExecutor)
    return ingest_fleet(fleet, workers=options.pop("workers", 1), **options)
