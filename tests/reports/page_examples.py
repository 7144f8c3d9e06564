"""Invented evidence for the pages behind the digest: traces, spectra, one flight with its runs."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from tests.reports.examples import MONDAY, SUNDAY_EVENING, busy_week
from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.model import (
    Channel,
    ClockSource,
    DetectorRun,
    DetectorSpec,
    Flight,
    FloatArray,
    Metric,
    Note,
    Observation,
    Outcome,
    Recording,
)
from trimkeep.reports.foreign import anchor
from trimkeep.reports.inputs import DigestInput, Links
from trimkeep.reports.page_inputs import AirframeInput, BoardInput, FindingInput, Setting, Spectrum, Trace


def links_for(given: DigestInput) -> Links:
    """Addresses as a service would give them."""
    return Links(
        findings={one.id: f"{anchor('finding', one.id)}.html" for one in given.findings},
        airframes={one.id: f"{anchor('airframe', one.id)}.html" for one in given.airframes},
        flights={one.flight_id: f"{anchor('flight', one.flight_id)}.html" for one in given.flights},
        board="board.html",
    )


def setting(given: DigestInput | None = None) -> Setting:
    """The setting of the busy week."""
    week = given or busy_week()
    return Setting(
        week.fleet_name, week.time_zone, week.units, week.now, week.metrics, links_for(week), week.versions
    )


def board() -> BoardInput:
    """The board of the busy week."""
    week = busy_week()
    return BoardInput(setting(week), week.airframes, week.findings, week.series, week.changes)


def airframe(name: str = "heron-01") -> AirframeInput:
    """One airframe of the busy week."""
    week = busy_week()
    row = next(one for one in week.airframes if one.id == name)
    return AirframeInput(
        setting(week),
        row,
        week.findings,
        tuple(one for one in week.series if one.airframe == name),
        week.changes,
        tuple(one for one in week.flights if one.airframe == name),
        week.maintenance,
    )


def swing(seconds: float, amplitude: float, period_s: float, seed: int) -> tuple[FloatArray, FloatArray]:
    """A height that swings about 120 m, at 10 Hz."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, seconds, 0.1) + 210.0
    noise = np.convolve(rng.standard_normal(time_s.size), np.ones(40) / 40.0, mode="same")
    return time_s, 120.0 + amplitude * np.sin(2.0 * np.pi * time_s / period_s) + 2.0 * noise


def finding() -> FindingInput:
    """The gravest finding of the busy week with traces and a spectrum."""
    week = busy_week()
    traces = []
    for side, amplitude, seed in (("before", 1.5, 1), ("after", 8.0, 2)):
        time_s, value = swing(90.0, amplitude, 9.0, seed)
        traces.append(
            Trace(
                "before" if side == "before" else "after",
                "altitude_m",
                "m",
                MONDAY + timedelta(days=seed),
                time_s,
                value,
                np.full(time_s.size, 120.0),
            )
        )
    frequency = np.geomspace(0.02, 2.0, 160)
    hump = 1.0 / ((frequency - 0.11) ** 2 + 0.0004)
    spectrum = Spectrum("altitude_m", "m", frequency, 0.1 * hump + 20.0 / frequency, hump + 20.0 / frequency)
    return FindingInput(
        setting(week), week.findings[0], week.series, week.changes, tuple(traces), (spectrum,)
    )


SPEC = DetectorSpec(
    id="altitude_error",
    version=1,
    title="Altitude error while altitude is held",
    family="altitude_hold",
    metrics=(
        Metric("altitude_error_rms_m", "Altitude error, root mean square", "m", "lower", 0.5, "an example"),
    ),
    evidence=("altitude_m",),
)


def flight() -> tuple[Flight, tuple[DetectorRun, ...], dict[str, DetectorSpec]]:
    """One flight with one measured and two unmeasured detectors."""
    time_s, value = swing(600.0, 6.0, 9.0, 3)
    recording = Recording(
        source="heron-01-027.tlog",
        reader="telemetry",
        reader_version=1,
        duration_s=float(time_s[-1]),
        channels={
            "altitude_m": Channel(time_s, value),
            "altitude_target_m": Channel(time_s[::50], np.full(time_s[::50].size, 120.0)),
        },
        start_utc=SUNDAY_EVENING - timedelta(hours=6),
        clock=ClockSource.SATELLITE,
        notes=(
            Note("skipped_bytes", {"count": 41}),
            Note("mode_unmapped", {"mode number": 7, "seconds": 31.0}),
        ),
    )
    flown = Flight(recording, AirframeCard("heron-01"), 1, float(time_s[0]), float(time_s[-1]), (), True)
    runs = (
        DetectorRun(
            "altitude_error",
            1,
            Outcome.MEASURED,
            (
                Observation(
                    "altitude_error_rms_m", "held_level", 6.13, 0.42, 480.0, ((240.0, 400.0), (450.0, 770.0))
                ),
            ),
        ),
        DetectorRun("vibration", 1, Outcome.NOT_MEASURED, reason="rate_too_low", detail="4.0 Hz"),
        DetectorRun("energy", 1, Outcome.FAILED, detail="Traceback (most recent call last)"),
    )
    return flown, runs, {"altitude_error": SPEC}
