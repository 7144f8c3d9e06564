"""The page of one flight: what each detector measured, on which stretches, and what it could not."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from trimkeep.config.channels import CHANNELS
from trimkeep.detectors.history.model import Finding, Series
from trimkeep.detectors.model import (
    Channel,
    DetectorRun,
    DetectorSpec,
    Flight,
    FloatArray,
    Note,
    Observation,
    Outcome,
    Window,
)
from trimkeep.reports.compose_pages import board_trail, page_head, teller_for
from trimkeep.reports.entries import entry_view, group
from trimkeep.reports.foreign import plain
from trimkeep.reports.page_inputs import Setting, Trace
from trimkeep.reports.page_views import DetectorView, FlightPage, FlownRow, MeasuredRow, TraceView
from trimkeep.reports.teller import Teller, capital
from trimkeep.reports.traces import channel_words, limits, trace_view
from trimkeep.reports.views import UnmeasuredRow

MAX_TRACES_PER_DETECTOR = 3


def compose_inspect(
    flight: Flight,
    runs: tuple[DetectorRun, ...],
    specs: Mapping[str, DetectorSpec],
    setting: Setting,
    *,
    with_traces: bool = True,
    traces_of: frozenset[str] | None = None,
    findings: tuple[Finding, ...] = (),
    series: tuple[Series, ...] = (),
) -> FlightPage:
    """The page of one flight.

    Parameters
    ----------
    flight : Flight
    runs : tuple of DetectorRun
        What the detectors said of it.
    specs : mapping of str to DetectorSpec
        By detector id; gives titles, units and the channels that show the evidence.
    setting : Setting
        Fleet, units, zone, clock.
    with_traces : bool
        False leaves the plots out.
    traces_of : frozenset of str or None
        Detectors whose channels are drawn; None draws those of all.
    findings, series : tuple
        What this flight shows by itself, with the series it is read from.
    """
    teller = teller_for(setting, series)
    words = teller.words
    drawn: set[tuple[str, tuple[Window, ...]]] = set()
    detectors = tuple(
        _detector_view(
            run,
            specs.get(run.detector),
            flight,
            drawn if with_traces and (traces_of is None or run.detector in traces_of) else None,
            teller,
        )
        for run in runs
        if run.outcome is Outcome.MEASURED and run.observations
    )
    recording = flight.recording
    started = recording.start_utc
    when = teller.fmt.moment(started) if started else words.text("not_known")
    name = plain(flight.card.id)
    head = page_head(
        setting,
        teller,
        title=words.sentence("title_flight", airframe=name, moment=when),
        heading=words.text("flight_page"),
        aside=f"{name}, {when}",
        counts=words.sentence(
            "inspect_counts",
            file=plain(recording.source),
            number=flight.number,
            length=teller.fmt.duration(flight.seconds),
        ),
        trail=(*board_trail(setting, teller), *([teller.airframe(flight.card.id)] if name else [])),
    )
    return FlightPage(
        head=head,
        entries=tuple(entry_view(those, teller) for those in group(findings, teller)),
        flown=_flown(flight, teller),
        detectors=detectors,
        unmeasured=tuple(
            _unmeasured(run, specs.get(run.detector), teller)
            for run in runs
            if run.outcome is not Outcome.MEASURED or not run.observations
        ),
        notes=_notes(flight, teller),
        window_note=words.sentence("window_note") if any(one.traces for one in detectors) else "",
    )


def _detector_view(
    run: DetectorRun,
    spec: DetectorSpec | None,
    flight: Flight,
    drawn: set[tuple[str, tuple[Window, ...]]] | None,
    teller: Teller,
) -> DetectorView:
    rows = tuple(_measured(observation, spec, teller) for observation in run.observations)
    traces: list[TraceView] = []
    if spec is not None and drawn is not None:
        windows = tuple(sorted({window for one in run.observations for window in one.windows}))
        for channel in spec.evidence:
            # The same channel with the same stretches is drawn once on a page.
            if (
                len(traces) == MAX_TRACES_PER_DETECTOR
                or (channel, windows) in drawn
                or not flight.has(channel)
            ):
                continue
            drawn.add((channel, windows))
            traces.append(_flight_trace(channel, windows, flight, f"{run.detector}/{channel}", teller))
    title = spec.title if spec else capital(run.detector.replace("_", " "))
    return DetectorView(plain(title), rows, tuple(traces))


def _flight_trace(
    name: str, windows: tuple[Window, ...], flight: Flight, key: str, teller: Teller
) -> TraceView:
    channel = flight.channel(name)
    unit = CHANNELS[name].unit if name in CHANNELS else ""
    trace = Trace(
        side="after",
        channel=name,
        unit=unit,
        at=flight.recording.start_utc,
        time_s=channel.time_s,
        value=channel.value,
        asked=_asked(name, channel, flight),
    )
    arrays = [trace.value if trace.asked is None else np.concatenate((trace.value, trace.asked))]
    zero = teller.fmt.to_shown(0.0, unit, metric=name)
    factor = teller.fmt.to_shown(1.0, unit, metric=name) - zero
    return trace_view(
        trace,
        key=key,
        caption=channel_words(name),
        verdict="",
        ends=limits([array * factor + zero for array in arrays]),
        teller=teller,
        windows=windows,
    )


def _asked(name: str, channel: Channel, flight: Flight) -> FloatArray | None:
    stem, _, unit = name.rpartition("_")
    target = f"{stem}_target_{unit}"
    if not stem or not flight.has(target):
        return None
    asked = flight.channel(target)
    return np.asarray(np.interp(channel.time_s, asked.time_s, asked.value, left=np.nan, right=np.nan))


def _measured(observation: Observation, spec: DetectorSpec | None, teller: Teller) -> MeasuredRow:
    metric = next((one for one in spec.metrics if one.name == observation.metric), None) if spec else None
    unit = metric.unit if metric else ""
    title = metric.title if metric else capital(observation.metric.replace("_", " "))
    where = teller.where(observation.context)
    error = observation.standard_error
    return MeasuredRow(
        title=f"{title}, {where}" if where else title,
        value=teller.fmt.quantity(observation.value, unit, spread=error, metric=observation.metric),
        uncertainty="–"
        if error is None
        else "±" + teller.fmt.quantity(error, unit, spread=error, metric=observation.metric),
        behind=teller.fmt.duration(observation.seconds),
    )


def _unmeasured(run: DetectorRun, spec: DetectorSpec | None, teller: Teller) -> UnmeasuredRow:
    title = spec.title if spec else capital(run.detector.replace("_", " "))
    code = "failed" if run.outcome is Outcome.FAILED else run.reason or "undefined"
    reason = teller.words.code("not_measured", code)
    # A traceback is for the log, not for the page.
    detail = f" ({plain(run.detail)})" if run.detail and run.outcome is not Outcome.FAILED else ""
    return UnmeasuredRow(plain(title), f"{reason}{detail}", "")


def _flown(flight: Flight, teller: Teller) -> tuple[FlownRow, ...]:
    """Modes and phases with the time spent in each, longest first."""
    seconds: dict[tuple[str, str], float] = {}
    for segment in flight.segments:
        key = (segment.mode, segment.phase)
        seconds[key] = seconds.get(key, 0.0) + segment.seconds
    return tuple(
        FlownRow(
            capital(teller.words.code("mode", mode)),
            teller.words.code("phase", phase),
            teller.fmt.duration(spent_s),
        )
        for (mode, phase), spent_s in sorted(seconds.items(), key=lambda item: (-item[1], item[0]))
    )


def _notes(flight: Flight, teller: Teller) -> tuple[str, ...]:
    flags = [name for name in ("starts_airborne", "ends_airborne") if getattr(flight, name)]
    lines = [capital(teller.words.code("flag", flag)) for flag in flags]
    lines += [_note(note, teller) for note in flight.recording.notes]
    return tuple(dict.fromkeys(lines))


def _note(note: Note, teller: Teller) -> str:
    what = capital(teller.words.code("recording_note", note.code))
    if not note.values:
        return what
    values = ", ".join(f"{plain(str(name))} {plain(str(value))}" for name, value in note.values.items())
    return teller.words.sentence("note_line", what=what, values=values)
