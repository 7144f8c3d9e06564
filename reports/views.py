"""What the templates receive: one frozen dataclass per section, every field with its meaning.

Texts are final (worded, rounded, other people's text made plain) but not escaped: the templates do
that. Numbers are only for the drawings and are in the unit they are shown in.
"""

# ruff: noqa: RUF009 - `shown` only makes a field with its meaning; it holds no state.

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


def shown(meaning: str) -> Any:
    """A view's field with its meaning; a test holds that every field has one."""
    return field(metadata={"help": meaning})


@dataclass(frozen=True, slots=True)
class Link:
    """A text that may lead somewhere."""

    text: str = shown("what is read")
    href: str | None = shown("where it leads, relative or an anchor; None for plain text")


@dataclass(frozen=True, slots=True)
class CheckView:
    """A next check together with its caution. There is no way to have the one without the other."""

    text: str = shown("what to do, one or two sentences")
    caution_title: str = shown("heading of the caution block")
    caution: str = shown("what to do before hands or propellers come near")
    defer: str = shown("who decides: local rules and the person responsible for airworthiness")


@dataclass(frozen=True, slots=True)
class CauseView:
    """One likely cause with what speaks for and against it."""

    name: str = shown("the cause in words")
    likely: str = shown("its probability in words, `about 7 in 10`")
    share: float = shown("its probability, 0..1, for the drawn bar")
    speaks_for: tuple[str, ...] = shown("evidence for it, in words")
    speaks_against: tuple[str, ...] = shown("evidence against it, in words")
    check: CheckView | None = shown("the check that would tell, with its caution")


@dataclass(frozen=True, slots=True)
class TallyView:
    """Flights as strokes in fives."""

    before: int = shown("flights before the change")
    after: int = shown("flights after it")
    needed: int = shown("flights still needed, 0 when none or not known")
    name: str = shown("the same in words, for screen readers")


@dataclass(frozen=True, slots=True)
class RuleView:
    """Before and after on a small rule, with the likely range of the change."""

    before: float = shown("level before, shown unit")
    after: float = shown("level after, shown unit")
    low: float = shown("lower end of the likely range of the level after")
    high: float = shown("upper end of it")
    margin: float = shown("what matters, to either side of the level before; 0 when not known")
    verdict: str = shown("verdict code, for mark and colour")
    before_text: str = shown("level before with unit")
    after_text: str = shown("level after with unit")
    unit: str = shown("unit of the scale's numbers")
    name: str = shown("the drawing in one sentence, for screen readers")


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One flight of a trend."""

    order: int = shown("place in the airframe's history, 0-based")
    value: float = shown("shown unit")
    error: float = shown("standard error, shown unit; 0 when not known")
    day_text: str = shown("day of the flight")
    value_text: str = shown("value with unit")
    error_text: str = shown("uncertainty with unit, or a dash")
    odd: bool = shown("True when the judge gave the flight less weight")


@dataclass(frozen=True, slots=True)
class TrendMark:
    """A change on a trend."""

    order: int = shown("order of the first flight after it")
    number: int = shown("the number in the balloon")
    text: str = shown("what changed, and when")
    cited: bool = shown("True for the change that the finding is about")


@dataclass(frozen=True, slots=True)
class TrendLevel:
    """A level over a run of flights, wind and gusts taken out."""

    first: int = shown("order of its first flight")
    last: int = shown("order of its last flight")
    level: float = shown("shown unit")
    low: float = shown("lower end of its likely range; equal to level when none is known")
    high: float = shown("upper end")


@dataclass(frozen=True, slots=True)
class TrendView:
    """One figure over the flights of one airframe, for the large plot and its table."""

    key: str = shown("stable name, unique on the page, for ids inside the drawing")
    title: str = shown("caption")
    description: str = shown("what the plot shows, in words, for screen readers")
    axis: str = shown("name of the value axis with unit")
    verdict: str = shown("verdict code, for colour")
    points: tuple[TrendPoint, ...] = shown("flights, oldest first")
    marks: tuple[TrendMark, ...] = shown("changes inside the span")
    levels: tuple[TrendLevel, ...] = shown("levels before and after")


@dataclass(frozen=True, slots=True)
class SparkView:
    """The last flights of one figure as a small line of dots."""

    values: tuple[float, ...] = shown("any unit, oldest first")
    marks: tuple[int, ...] = shown("indices of the first flights after changes")
    verdict: str = shown("verdict code of an open finding, or an empty text")
    name: str = shown("the drawing in one sentence, for screen readers")


@dataclass(frozen=True, slots=True)
class AlsoView:
    """A further figure that moved with the same change."""

    headline: str = shown("one sentence")
    size: str = shown("size of the change with its likely range")
    href: str | None = shown("its own page")


@dataclass(frozen=True, slots=True)
class EntryView:
    """One entry of the ledger: one change on one airframe (or the fleet) and what it did."""

    anchor: str = shown("anchor on the page")
    verdict: str = shown("verdict code")
    verdict_word: str = shown("verdict in words")
    who: tuple[Link, ...] = shown("the airframe, or the airframes")
    headline: str = shown("one plain sentence in the trade's units")
    since: str = shown("since when and after what")
    size: tuple[str, ...] = shown("size, likely range, number of flights: one sentence each")
    status: str = shown("acknowledged, ...; empty when simply open")
    tally: TallyView | None = shown("flights before and after as strokes")
    rule: RuleView | None = shown("before and after on the small rule")
    also: tuple[AlsoView, ...] = shown("other figures that moved with the same change")
    causes: tuple[CauseView, ...] = shown("likely causes, most likely first")
    tell_apart: CheckView | None = shown("flights that would tell apart what was done together, with caution")
    trend: TrendView | None = shown("the large plot")
    href: str | None = shown("the page behind the entry")


@dataclass(frozen=True, slots=True)
class SectionHead:
    """Name of a section and one sentence on what is in it."""

    anchor: str = shown("anchor on the page")
    title: str = shown("heading")
    lead: str = shown("one sentence under it, may be empty")
    count: int = shown("number of entries")


@dataclass(frozen=True, slots=True)
class EntrySection:
    """A section of full entries."""

    head: SectionHead = shown("heading")
    entries: tuple[EntryView, ...] = shown("entries, gravest first")
    settled: tuple[Link, ...] = shown("findings settled in this period, one line each")


@dataclass(frozen=True, slots=True)
class UnchangedRow:
    """One change and the figures it did not move."""

    who: Link = shown("the airframe")
    since: str = shown("what changed, and when")
    figures: str = shown("the figures, in words")


@dataclass(frozen=True, slots=True)
class UnchangedSection:
    """Changes that moved nothing that matters."""

    head: SectionHead = shown("heading")
    rows: tuple[UnchangedRow, ...] = shown("one per change")


@dataclass(frozen=True, slots=True)
class EarlyRow:
    """A change that cannot be judged yet."""

    who: tuple[Link, ...] = shown("the airframe, or the airframes")
    verdict: str = shown("verdict code so far")
    lean: str = shown("which way it leans, in words")
    since: str = shown("what changed, and when")
    figures: str = shown("the evidence so far, in words")
    forecast: str = shown("how many more flights are likely to settle it")
    tally: TallyView = shown("flights so far as strokes")
    href: str | None = shown("the page behind it")


@dataclass(frozen=True, slots=True)
class EarlySection:
    """What cannot be told yet."""

    head: SectionHead = shown("heading")
    rows: tuple[EarlyRow, ...] = shown("one per change")


@dataclass(frozen=True, slots=True)
class FirmwareRow:
    """One firmware version in the fleet."""

    version: str = shown("as the logs state it")
    airframes: str = shown("how many airframes fly it")
    names: tuple[Link, ...] = shown("which")
    said: tuple[str, ...] = shown("what findings say of it, in words")


@dataclass(frozen=True, slots=True)
class FleetSection:
    """The fleet as a whole: pooled findings, firmware versions, kinds of part."""

    head: SectionHead = shown("heading")
    entries: tuple[EntryView, ...] = shown("pooled findings")
    firmware: tuple[FirmwareRow, ...] = shown("one per version")
    parts: tuple[FirmwareRow, ...] = shown("one per kind of work in the period's findings")


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure of one airframe in the trends."""

    title: str = shown("the figure and when it is taken")
    spark: SparkView = shown("its last flights")
    usual: str = shown("median of the flights shown, with unit")
    last: str = shown("last flight, with unit")


@dataclass(frozen=True, slots=True)
class AirframeTrends:
    """One airframe's figures."""

    who: Link = shown("the airframe")
    description: str = shown("from its card")
    facts: str = shown("flights, hours, firmware, last flight: one line")
    rows: tuple[FigureRow, ...] = shown("figures, those with findings first")
    changes: tuple[str, ...] = shown("changes inside the span shown")


@dataclass(frozen=True, slots=True)
class TrendsSection:
    """Airframe by airframe."""

    head: SectionHead = shown("heading")
    airframes: tuple[AirframeTrends, ...] = shown("those that flew in the period")
    idle: str = shown("those that did not, one sentence, may be empty")


@dataclass(frozen=True, slots=True)
class WorkRow:
    """One line of work done."""

    day: str = shown("when")
    who: Link = shown("the airframe")
    what: str = shown("kind, part, before and after")
    done_by: str = shown("who")
    note: str = shown("their note")


@dataclass(frozen=True, slots=True)
class GapRow:
    """Where the journal and the logs disagree."""

    day: str = shown("when")
    who: Link = shown("the airframe")
    what: str = shown("what changed and on which side it is missing, one sentence")


@dataclass(frozen=True, slots=True)
class WorkSection:
    """Maintenance done in the period."""

    head: SectionHead = shown("heading")
    rows: tuple[WorkRow, ...] = shown("oldest first")
    gaps: tuple[GapRow, ...] = shown("disagreements of journal and logs, oldest first")
    removals: tuple[str, ...] = shown("files that went as a retention setting says, a sentence for each kind")
    journal_head: str = shown("sentence with the journal's fingerprint, may be empty")


@dataclass(frozen=True, slots=True)
class FileRow:
    """A log that could not be read."""

    file: str = shown("its name")
    sentence: str = shown("what is wrong and what to do")


@dataclass(frozen=True, slots=True)
class NotReadSection:
    """Logs that could not be read."""

    head: SectionHead = shown("heading")
    rows: tuple[FileRow, ...] = shown("one per file")


@dataclass(frozen=True, slots=True)
class UnmeasuredRow:
    """A figure that could not be had."""

    title: str = shown("the figure")
    reason: str = shown("why, in words")
    flights: str = shown("in how many flights")


@dataclass(frozen=True, slots=True)
class UnmeasuredSection:
    """What could not be measured."""

    head: SectionHead = shown("heading")
    rows: tuple[UnmeasuredRow, ...] = shown("one per figure and reason")


@dataclass(frozen=True, slots=True)
class HintView:
    """Lines to paste into a file."""

    who: str = shown("the airframe")
    file: str = shown("the file to paste into")
    gains: str = shown("what more can be measured then, may be empty")
    lines: tuple[str, ...] = shown("the lines, verbatim")


@dataclass(frozen=True, slots=True)
class HintSection:
    """Lines to paste."""

    head: SectionHead = shown("heading")
    hints: tuple[HintView, ...] = shown("one per airframe and file")


@dataclass(frozen=True, slots=True)
class PromiseSection:
    """What is promised about false alarms."""

    head: SectionHead = shown("heading")
    sentences: tuple[str, ...] = shown("the promise and how it was kept")


@dataclass(frozen=True, slots=True)
class ReadingSection:
    """How to read the page."""

    head: SectionHead = shown("heading")
    sentences: tuple[str, ...] = shown("one idea each")


@dataclass(frozen=True, slots=True)
class GlanceLine:
    """One line of the half-minute summary."""

    label: str = shown("what these are")
    verdict: str = shown("verdict code for the mark, may be empty")
    items: tuple[Link, ...] = shown("names with anchors")


@dataclass(frozen=True, slots=True)
class DigestPage:
    """A digest, section by section, in the order of the page."""

    language: str = shown("language code of the page")
    direction: str = shown("writing direction of the page")
    title: str = shown("title of the window")
    fleet: str = shown("name of the fleet")
    period: str = shown("first to last day")
    counts: str = shown("flights, hours, airframes: one sentence")
    glance: tuple[GlanceLine, ...] = shown("the half-minute summary")
    quiet: str = shown("the empty case in words; empty when there is something to report")
    contents: tuple[Link, ...] = shown("sections that hold something")
    nothing: str = shown("names of the sections left out because they are empty, one sentence")
    needs_a_hand: EntrySection = shown("hazards and faults that one flight shows")
    worse: EntrySection = shown("called worse")
    better: EntrySection = shown("called better, and repairs that settled a finding")
    unchanged: UnchangedSection = shown("no material change")
    too_early: EarlySection = shown("cannot be told yet")
    unexplained: EntrySection = shown("unexplained steps and drift")
    fleet_wide: FleetSection = shown("across the fleet")
    trends: TrendsSection = shown("airframe by airframe")
    work: WorkSection = shown("maintenance done")
    not_read: NotReadSection = shown("logs that could not be read")
    unmeasured: UnmeasuredSection = shown("what could not be measured")
    hints: HintSection = shown("lines to paste")
    promise: PromiseSection = shown("about false alarms")
    reading: ReadingSection = shown("how to read the page")
    colophon: tuple[str, ...] = shown("when made, with which versions")
    board_href: str | None = shown("the fleet board")
