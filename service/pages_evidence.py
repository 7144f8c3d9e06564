"""What a finding's page draws: the same channel of two real flights, before and after, and their spectra."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Literal

import numpy as np

from trimkeep.config.channels import CHANNELS
from trimkeep.config.errors import RecordingRemoved, TrimkeepError
from trimkeep.detectors.history.model import Change, Finding, Series, SeriesPoint, Verdict
from trimkeep.detectors.model import Channel, DetectorSpec, Flight, FloatArray, Window
from trimkeep.detectors.numerics.piece_spectrum import longest_window, piece_spectrum
from trimkeep.detectors.numerics.resample import even_grid, sampled
from trimkeep.reports.page_inputs import Spectrum, Trace
from trimkeep.reports.trends import boundary_order
from trimkeep.service.store.connection import Store
from trimkeep.service.store.evidence import Evidence, load_evidence

log = logging.getLogger(__name__)

Side = Literal["before", "after"]
# A minute shows five swings of the slow kind (10 to 15 s) and still lets a quick one be seen.
SHOWN_S = 60.0
# What is shorter shows nothing to the eye; the flight's middle is drawn instead.
LEAST_SHOWN_S = 8.0
MAX_CHANNELS = 2
# The slowest swing of interest takes some 30 s, the quickest half a second: four samples in that.
SPECTRUM_RATE_HZ = 8.0
SPECTRUM_WINDOW_S = 60.0
LEAST_SPECTRUM_S = 15.0
SPECTRUM_HZ = (1.0 / 40.0, 2.0)
BRIDGE_S = 1.0
# Families whose figures are about swinging; a spectrum of the trim or of a battery says nothing.
SWINGING = frozenset({"altitude_hold", "oscillation", "loop_response", "linkage", "attitude_estimate"})


@dataclass(frozen=True, slots=True)
class ChosenFlight:
    """A flight that stands for one side of a finding."""

    side: Side
    point: SeriesPoint
    metric: str
    context: str


@dataclass(frozen=True, slots=True)
class Pictures:
    """What can be drawn; empty when the recordings are not at hand, `missing` says why where it is known."""

    traces: tuple[Trace, ...] = ()
    spectra: tuple[Spectrum, ...] = ()
    missing: str = ""


def series_shown(finding: Finding, series: Sequence[Series]) -> Series | None:
    """The series that stands for a finding; of a pooled one, the airframe with most flights that agrees."""
    mine = [
        one
        for one in series
        if one.airframe in finding.airframes
        and (one.metric, one.context) == (finding.metric, finding.context)
        and one.airframe not in finding.differing
        and one.points
    ]
    return max(mine, key=lambda one: (len(one.points), one.airframe), default=None)


def choose_flights(finding: Finding, series: Series, changes: Sequence[Change]) -> tuple[ChosenFlight, ...]:
    """The flights to set beside each other: those nearest to the levels of before and after.

    Typical flights, not the best before and the worst after: two extremes would show a difference in
    any series. Flights that were given less weight are passed over. What one flight shows by itself has
    no before.
    """
    points = [point for point in series.points if point.flight_id not in finding.down_weighted]

    def chosen(side: Side, point: SeriesPoint) -> ChosenFlight:
        return ChosenFlight(side, point, finding.metric, finding.context)

    if finding.verdict is Verdict.ATTENTION:
        shown = [point for point in points if point.flight_id in finding.evidence_flights]
        return tuple(chosen("after", point) for point in shown[-1:])
    boundary = _boundary(finding, series, changes)
    if boundary is None or finding.effect is None:
        return ()
    before = [point for point in points if point.order < boundary][-max(finding.flights_before, 1) :]
    after = [point for point in points if point.order >= boundary][: max(finding.flights_after, 1)]
    # A pooled effect is the fleet's; this airframe's own typical flight is its median.
    level_before, level_after = finding.effect.before, finding.effect.after
    if finding.scope == "fleet":
        level_before, level_after = _median(before), _median(after)
    sides: tuple[tuple[Side, list[SeriesPoint], float], ...] = (
        ("before", before, level_before),
        ("after", after, level_after),
    )
    return tuple(
        chosen(side, min(those, key=lambda point: (abs(point.value - level), -point.order)))
        for side, those, level in sides
        if those
    )


def _median(points: Sequence[SeriesPoint]) -> float:
    return float(np.median([point.value for point in points])) if points else 0.0


def _boundary(finding: Finding, series: Series, changes: Sequence[Change]) -> int | None:
    if finding.scope == "airframe" or finding.change is None:
        return boundary_order(finding, series.points)
    wanted = {(item.kind, item.part, item.after) for item in finding.change.items}
    return next(
        (
            change.first_order
            for change in changes
            if change.airframe == series.airframe
            and wanted & {(item.kind, item.part, item.after) for item in change.items}
        ),
        None,
    )


def channels_shown(metric: str, spec: DetectorSpec) -> tuple[str, ...]:
    """The detector's channels that show a metric: those that share most words with its name come first."""
    said = set(metric.split("_"))
    asked = {_asked_name(name) for name in spec.evidence}
    drawn = [name for name in spec.evidence if name not in asked]

    def rank(name: str) -> tuple[bool, int, int]:
        words = (name.rpartition("_")[0] or name).split("_")  # without its unit
        return words[0] not in said, -len(said.intersection(words)), drawn.index(name)

    return tuple(sorted(drawn, key=rank)[:MAX_CHANNELS])


def _asked_name(channel: str) -> str:
    """Channel that says what was asked for (`altitude_target_m` of `altitude_m`)."""
    stem, _, unit = channel.rpartition("_")
    return f"{stem}_target_{unit}"


def load_pictures(store: Store, chosen: Sequence[ChosenFlight], spec: DetectorSpec, family: str) -> Pictures:
    """Traces and spectra of the chosen flights.

    A recording that cannot be read back costs the pictures, not the page.
    """
    if not chosen:
        return Pictures()
    names = channels_shown(chosen[0].metric, spec)
    wanted = [*names, *(_asked_name(name) for name in names)]
    try:
        seen = {
            one.side: load_evidence(store, one.point.flight_id, one.metric, one.context, wanted)
            for one in chosen
        }
    except RecordingRemoved as error:
        return Pictures(missing=str(error))
    except TrimkeepError as error:
        log.warning("%s", error)
        return Pictures()
    at = {one.side: one.point.at for one in chosen}
    windows = {side: _shown_windows(evidence) for side, evidence in seen.items()}
    length_s = min(end - start for start, end in windows.values())
    traces = []
    for name in names:
        for side, evidence in seen.items():
            start_s, _ = windows[side]
            trace = _trace(evidence.flight, name, side, (start_s, start_s + length_s), at[side])
            if trace is not None:
                traces.append(trace)
    spectra = [_spectrum(name, seen) for name in names[:1]] if family in SWINGING else []
    return Pictures(tuple(traces), tuple(one for one in spectra if one is not None))


def _shown_windows(evidence: Evidence) -> Window:
    """The longest stretch that shows the figure, cut to a minute; the flight's middle where none is long."""
    flight = evidence.flight
    longest = max(evidence.windows, key=lambda one: one[1] - one[0], default=(0.0, 0.0))
    start_s, end_s = longest
    if end_s - start_s < LEAST_SHOWN_S:
        # A short event (a full-stick roll) is shown with what led to it and what followed.
        middle_s = 0.5 * (start_s + end_s) if evidence.windows else 0.5 * (flight.start_s + flight.end_s)
        half_s = 0.25 * SHOWN_S if evidence.windows else 0.5 * SHOWN_S
        start_s, end_s = middle_s - half_s, middle_s + half_s
    return max(start_s, 0.0), min(end_s, max(start_s, 0.0) + SHOWN_S)


def _trace(flight: Flight, name: str, side: Side, window: Window, at: datetime) -> Trace | None:
    recorded = flight.recording.channels.get(name)
    channel = recorded.between(*window) if recorded is not None else None
    if channel is None or channel.time_s.size < 2:
        return None
    kind = CHANNELS.get(name)
    return Trace(
        side=side,
        channel=name,
        unit=kind.unit if kind else "",
        at=at,
        time_s=channel.time_s,
        value=channel.value,
        asked=_asked(flight.recording.channels, name, channel.time_s),
    )


def _asked(channels: Mapping[str, Channel], name: str, time_s: FloatArray) -> FloatArray | None:
    asked = channels.get(_asked_name(name))
    if asked is None or asked.time_s.size < 2:
        return None
    return np.asarray(np.interp(time_s, asked.time_s, asked.value, left=np.nan, right=np.nan))


def _spectrum(name: str, seen: Mapping[Side, Evidence]) -> Spectrum | None:
    """Both sides on the same frequencies: the window is the longest that both allow."""
    pieces = {side: _pieces(evidence, name) for side, evidence in seen.items()}
    window_s = min(longest_window(those, SPECTRUM_RATE_HZ, SPECTRUM_WINDOW_S) for those in pieces.values())
    if window_s < LEAST_SPECTRUM_S:
        return None
    power = {side: piece_spectrum(those, SPECTRUM_RATE_HZ, window_s) for side, those in pieces.items()}
    frequency = next((found[0] for found in power.values() if found is not None), None)
    if frequency is None:
        return None
    shown = (frequency >= SPECTRUM_HZ[0]) & (frequency <= SPECTRUM_HZ[1])
    sides = {side: found[1][shown] for side, found in power.items() if found is not None}
    kind = CHANNELS.get(name)
    return Spectrum(
        name, kind.unit if kind else "", frequency[shown], sides.get("before"), sides.get("after")
    )


def _pieces(evidence: Evidence, name: str) -> list[FloatArray]:
    """The gapless stretches of a channel inside the windows, evenly sampled."""
    flight = evidence.flight
    if not flight.has(name) or flight.channel(name).rate_hz < 0.6 * SPECTRUM_RATE_HZ:
        # Slower logs have nothing to say about half of the axis, and joined samples would look like it.
        return []
    pieces: list[FloatArray] = []
    for start_s, end_s in evidence.windows or ((flight.start_s, flight.end_s),):
        value = sampled(flight, name, even_grid(start_s, end_s, 1.0 / SPECTRUM_RATE_HZ), BRIDGE_S)
        gaps = np.flatnonzero(~np.isfinite(value))
        ends = [-1, *gaps.tolist(), value.size]
        pieces += [value[first + 1 : last] for first, last in pairwise(ends) if last - first > 1]
    return pieces
