"""Views of the pages behind the digest: board, airframe, finding, flight."""

# ruff: noqa: RUF009 - `shown` only makes a field with its meaning; it holds no state.

from __future__ import annotations

from dataclasses import dataclass

from trimkeep.detectors.model import FloatArray, Window
from trimkeep.reports.views import (
    AirframeTrends,
    CauseView,
    CheckView,
    EntryView,
    FigureRow,
    Link,
    TrendView,
    UnmeasuredRow,
    WorkRow,
    shown,
)


@dataclass(frozen=True, slots=True)
class PageHead:
    """Top of every page behind the digest."""

    language: str = shown("language code")
    direction: str = shown("writing direction")
    title: str = shown("title of the window")
    trail: tuple[Link, ...] = shown("way back up")
    heading: str = shown("what the page is about")
    aside: str = shown("a few words set beside the heading, may be empty")
    counts: str = shown("one line of facts under it")
    colophon: tuple[str, ...] = shown("when made, with which versions")


@dataclass(frozen=True, slots=True)
class BoardRow:
    """One airframe on the board."""

    who: Link = shown("the airframe")
    description: str = shown("from its card")
    facts: str = shown("flights, hours, firmware, last flight")
    verdict: str = shown("gravest verdict of its open findings, or an empty text")
    findings: tuple[Link, ...] = shown("its open findings, one sentence each")
    figure: FigureRow | None = shown("the figure that says most about it")


@dataclass(frozen=True, slots=True)
class BoardPage:
    """Every airframe at a glance, those that need a hand first."""

    head: PageHead = shown("top of the page")
    rows: tuple[BoardRow, ...] = shown("one per airframe")
    empty: str = shown("the empty case in words, else an empty text")


@dataclass(frozen=True, slots=True)
class ConditionRow:
    """One flight and the air it flew in."""

    day: str = shown("when")
    link: Link = shown("its log, linked to the flight's page where there is one")
    length: str = shown("how long")
    wind: str = shown("wind speed, or a dash")
    gusts: str = shown("gust strength, or a dash")
    airspeed: str = shown("airspeed, or a dash")
    density: str = shown("air density, or a dash")
    remarks: str = shown("what is odd about it, may be empty")


@dataclass(frozen=True, slots=True)
class AirframePage:
    """One airframe: findings, figures, flights, work."""

    head: PageHead = shown("top of the page")
    entries: tuple[EntryView, ...] = shown("open findings")
    no_findings: str = shown("the empty case in words, else an empty text")
    trends: tuple[TrendView, ...] = shown("large plots of the figures that say most")
    figures: AirframeTrends = shown("all figures as small lines")
    work: tuple[WorkRow, ...] = shown("journal and changes seen in the logs, newest first")
    settings: tuple[WorkRow, ...] = shown("settings that changed, newest first")
    flights: tuple[ConditionRow, ...] = shown("flights and their conditions, newest first")


@dataclass(frozen=True, slots=True)
class TraceView:
    """One trace to draw."""

    key: str = shown("stable name for ids inside the drawing")
    caption: str = shown("channel, before or after, day")
    name: str = shown("the drawing in one sentence, for screen readers")
    axis: str = shown("value axis with unit")
    verdict: str = shown("verdict code for colour; empty for ink")
    time_s: FloatArray = shown("seconds from the recording's start")
    value: FloatArray = shown("shown unit")
    asked: FloatArray | None = shown("what was asked for, shown unit")
    low: float = shown("lower end of the value axis; both sides have one span")
    high: float = shown("upper end of it")
    windows: tuple[Window, ...] = shown("stretches that were used, drawn as brackets")
    table: tuple[tuple[str, str], ...] = shown("time and value at a few places, for the table")


@dataclass(frozen=True, slots=True)
class TracePair:
    """The same channel before and after."""

    title: str = shown("the channel")
    traces: tuple[TraceView, ...] = shown("before on the left, after on the right")


@dataclass(frozen=True, slots=True)
class SpectrumView:
    """Power over frequency before and after."""

    key: str = shown("stable name for ids inside the drawing")
    caption: str = shown("channel")
    name: str = shown("the drawing in one sentence, for screen readers")
    axis: str = shown("strength axis")
    verdict: str = shown("verdict code for colour")
    frequency_hz: FloatArray = shown("Hz")
    before: FloatArray | None = shown("0..1 of the strongest")
    after: FloatArray | None = shown("0..1 of the strongest")
    table: tuple[tuple[str, str, str], ...] = shown("period, before, after at a few places")


@dataclass(frozen=True, slots=True)
class FindingPage:
    """One finding with all of its evidence."""

    head: PageHead = shown("top of the page")
    entry: EntryView = shown("the finding itself, with its trend")
    causes: tuple[CauseView, ...] = shown("every likely cause, each with its check")
    pairs: tuple[TracePair, ...] = shown("before and after side by side")
    spectra: tuple[SpectrumView, ...] = shown("spectra")
    no_traces: str = shown("the empty case in words, else an empty text")
    down_weighted: tuple[Link, ...] = shown("flights given less weight")
    evidence: tuple[Link, ...] = shown("flights that show it")


@dataclass(frozen=True, slots=True)
class MeasuredRow:
    """One figure of one flight."""

    title: str = shown("the figure and when it was taken")
    value: str = shown("with unit")
    uncertainty: str = shown("standard error with unit, or a dash")
    behind: str = shown("how much flight is behind it")


@dataclass(frozen=True, slots=True)
class DetectorView:
    """What one detector said of the flight."""

    title: str = shown("the detector")
    rows: tuple[MeasuredRow, ...] = shown("its figures")
    traces: tuple[TraceView, ...] = shown("the channels it read, with the stretches it used")


@dataclass(frozen=True, slots=True)
class FlownRow:
    """Time spent in one control mode and one phase of flight."""

    mode: str = shown("the control mode")
    phase: str = shown("climb, level, turn, ...")
    time_spent: str = shown("how long")


@dataclass(frozen=True, slots=True)
class FlightPage:
    """One flight: what was measured, what was not, and the traces."""

    head: PageHead = shown("top of the page")
    entries: tuple[EntryView, ...] = shown("what this flight shows by itself")
    flown: tuple[FlownRow, ...] = shown("modes and phases flown")
    detectors: tuple[DetectorView, ...] = shown("those that measured something")
    unmeasured: tuple[UnmeasuredRow, ...] = shown("those that did not, and why")
    notes: tuple[str, ...] = shown("remarks on the recording")
    window_note: str = shown("what the brackets mean; empty without traces")


@dataclass(frozen=True, slots=True)
class GonePage:
    """Stands where a page was that is no longer kept, so that links in older digests still lead somewhere."""

    head: PageHead = shown("top of the page")
    line: str = shown("why there is nothing here any more")


@dataclass(frozen=True, slots=True)
class AlertView:
    """What the mail's HTML part shows."""

    language: str = shown("language code")
    direction: str = shown("writing direction")
    title: str = shown("title of the mail")
    fleet: str = shown("name of the fleet")
    entry: EntryView = shown("the finding")
    image: str = shown("content id of the plot, empty without one")
    checks: tuple[CheckView, ...] = shown("what to do next, each with its caution")
    closing: str = shown("where the mail comes from")
