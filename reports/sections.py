"""The digest's sections of rows: one function each, from records to a view."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

from trimkeep.detectors.history.model import Change, Finding, Series, Verdict
from trimkeep.reports.entries import (
    EntryView,
    FindingGroup,
    headline,
    size_texts,
    tally_view,
)
from trimkeep.reports.foreign import plain, verbatim
from trimkeep.reports.inputs import (
    AirframeRow,
    DigestInput,
    MaintenanceRow,
    Promise,
    RecordGap,
    RemovedFiles,
)
from trimkeep.reports.teller import Teller, capital
from trimkeep.reports.trends import SPARK_FLIGHTS, spark_view, usual_and_last
from trimkeep.reports.views import (
    AirframeTrends,
    EarlyRow,
    EarlySection,
    FigureRow,
    FileRow,
    FirmwareRow,
    FleetSection,
    GapRow,
    HintSection,
    HintView,
    Link,
    NotReadSection,
    PromiseSection,
    ReadingSection,
    SectionHead,
    TallyView,
    TrendsSection,
    UnchangedRow,
    UnchangedSection,
    UnmeasuredRow,
    UnmeasuredSection,
    WorkRow,
    WorkSection,
)

GAP_SENTENCES = {"not_in_journal": "gap_not_in_journal", "not_in_logs": "gap_not_in_logs"}
MAX_FIGURES_NAMED = 4
MAX_FIGURES_PER_AIRFRAME = 3
SHORT_HASH = 16
# Figures that say most about an aeroplane come first where nothing else decides.
FAMILY_ORDER = (
    "altitude_hold",
    "oscillation",
    "loop_response",
    "trim",
    "linkage",
    "vibration",
    "energy",
    "tracking",
    "attitude_estimate",
    "rate_limits",
    "authority",
    "ground_handling",
    "sensors",
)


def head(name: str, count: int, teller: Teller) -> SectionHead:
    """Heading of a section."""
    leads = teller.words.table["section_lead"]
    return SectionHead(
        anchor=f"section-{name.replace('_', '-')}",
        title=teller.words.code("section", name),
        lead=str(leads.get(name, "")),
        count=count,
    )


def unchanged_section(groups: tuple[FindingGroup, ...], teller: Teller) -> UnchangedSection:
    """Changes that moved nothing that matters."""
    rows = tuple(
        UnchangedRow(
            who=_who(those[0], teller),
            since=capital(teller.since(those[0])),
            figures=capital(names_of([teller.figure(one.metric, one.context) for one in those], teller)),
        )
        for those in groups
    )
    return UnchangedSection(head("unchanged", len(rows), teller), rows)


def _who(finding: Finding, teller: Teller) -> Link:
    if len(finding.airframes) == 1:
        return teller.airframe(finding.airframes[0])
    return Link(teller.words.sentence("n_airframes", n=len(finding.airframes)), None)


def names_of(names: list[str], teller: Teller, limit: int = MAX_FIGURES_NAMED) -> str:
    """Names in a row, the rest counted."""
    if len(names) > limit:
        return teller.words.sentence("and_more", names="; ".join(names[:limit]), n=len(names) - limit)
    return "; ".join(names)


def early_section(groups: tuple[FindingGroup, ...], teller: Teller) -> EarlySection:
    """What cannot be told yet; what leans comes first."""
    rows = [_early_row(those, teller) for those in groups]
    rows.sort(key=lambda row: row.verdict == Verdict.TOO_EARLY.value)
    return EarlySection(head("too_early", len(rows), teller), tuple(rows))


def _early_row(those: FindingGroup, teller: Teller) -> EarlyRow:
    words = teller.words
    leaning = [one for one in those if one.verdict in (Verdict.WORSE, Verdict.BETTER)]
    lead = leaning[0] if leaning else those[0]
    lean = lead.verdict.value if leaning else "none"
    shown = leaning if leaning else list(those)
    figures = [
        teller.words.sentence("leaning", headline=headline(one, teller), **(size_texts(one, teller) or {}))
        if leaning and one.effect is not None and one is lead
        else teller.figure(one.metric, one.context)
        for one in shown
    ]
    return EarlyRow(
        who=tuple(teller.airframe(name) for name in lead.airframes),
        verdict=lead.verdict.value,
        lean=words.code("lean", lean),
        since=capital(teller.since(lead)),
        figures=capital(names_of(figures, teller, limit=2)),
        forecast=_forecast(those, teller),
        tally=tally_view(lead, teller) or TallyView(0, lead.flights_after, 0, ""),
        href=teller.links.findings.get(lead.id),
    )


def _forecast(those: FindingGroup, teller: Teller) -> str:
    """What would settle it; what leans is settled by itself and waits for the whole fleet's promise."""
    if any(one.verdict in (Verdict.WORSE, Verdict.BETTER) for one in those):
        return teller.words.sentence("leaning_only")
    needed = [one.flights_needed for one in those if one.flights_needed is not None]
    if not needed:
        return teller.words.sentence("not_alone")
    soonest = max(min(needed), 1)
    return teller.words.sentence("needed_one" if soonest == 1 else "needed", n=soonest)


def fleet_section(
    entries: tuple[EntryView, ...], given: DigestInput, findings: Iterable[Finding], teller: Teller
) -> FleetSection:
    """Pooled findings, firmware versions and kinds of work."""
    spoken = [one for one in findings if one.verdict in (Verdict.WORSE, Verdict.BETTER) and one.change]
    firmware = _firmware_rows(given.airframes, spoken, teller)
    parts = _part_rows(spoken, teller)
    # One version on every airframe and nothing said of it is no news.
    if len(firmware) < 2 and not any(row.said for row in firmware):
        firmware = ()
    count = len(entries) + len(firmware) + len(parts)
    return FleetSection(head("fleet", count, teller), entries, firmware, parts)


def _firmware_rows(
    airframes: tuple[AirframeRow, ...], spoken: list[Finding], teller: Teller
) -> tuple[FirmwareRow, ...]:
    flying: dict[str, list[str]] = {}
    for airframe in airframes:
        if airframe.flights:
            flying.setdefault(airframe.firmware or "", []).append(airframe.id)
    rows = []
    for version, names in sorted(flying.items()):
        about = [
            one
            for one in spoken
            if one.change
            and any(item.kind == "firmware" and item.after == version for item in one.change.items)
        ]
        rows.append(_said_row(version or teller.words.text("no_firmware"), names, about, teller))
    return tuple(rows)


def _part_rows(spoken: list[Finding], teller: Teller) -> tuple[FirmwareRow, ...]:
    by_kind: dict[str, list[Finding]] = {}
    for one in spoken:
        for kind in one.change.kinds if one.change else ():
            if kind != "firmware":
                by_kind.setdefault(kind, []).append(one)
    return tuple(
        _said_row(
            capital(teller.words.code("change_kind", kind)),
            sorted({name for one in about for name in one.airframes}),
            about,
            teller,
        )
        for kind, about in sorted(by_kind.items())
    )


def _said_row(title: str, names: list[str], about: list[Finding], teller: Teller) -> FirmwareRow:
    said = []
    for verdict in (Verdict.WORSE, Verdict.BETTER):
        families = {
            teller.words.code("family", one.family): {
                name
                for other in about
                if other.verdict is verdict and other.family == one.family
                for name in other.airframes
            }
            for one in about
            if one.verdict is verdict
        }
        said += [
            teller.words.sentence(
                "said_of",
                verdict=teller.words.code("verdict", verdict.value).lower(),
                family=family,
                airframes=_n_airframes(len(on), teller),
            )
            for family, on in sorted(families.items())
        ]
    count = _n_airframes(len(names), teller)
    return FirmwareRow(
        plain(title), count, tuple(teller.airframe(name) for name in sorted(names)), tuple(said)
    )


def _n_airframes(count: int, teller: Teller) -> str:
    return teller.words.sentence("n_airframes_one" if count == 1 else "n_airframes", n=count)


def trends_section(given: DigestInput, shown: tuple[Finding, ...], teller: Teller) -> TrendsSection:
    """Every airframe that flew in the period, with the figures that findings speak of first."""
    flew = {flight.airframe for flight in given.flights}
    by_airframe: dict[str, list[Series]] = {}
    for series in given.series:
        if series.points:
            by_airframe.setdefault(series.airframe, []).append(series)
    verdicts = {
        (name, one.metric, one.context): one.verdict.value
        for one in reversed(shown)
        if one.scope == "airframe"
        for name in one.airframes
    }
    airframes = tuple(
        airframe_trends(row, by_airframe.get(row.id, []), verdicts, teller)
        for row in given.airframes
        if row.id in flew
    )
    idle = [plain(row.id) for row in given.airframes if row.id not in flew]
    sentence = teller.words.sentence("did_not_fly", names=", ".join(idle)) if idle else ""
    return TrendsSection(head("trends", len(airframes), teller), airframes, sentence)


def airframe_trends(
    row: AirframeRow,
    series: list[Series],
    verdicts: dict[tuple[str, str, str], str],
    teller: Teller,
    limit: int | None = MAX_FIGURES_PER_AIRFRAME,
) -> AirframeTrends:
    """One airframe's figures as small lines; `limit` None shows all."""

    def rank(one: Series) -> tuple[bool, int, str, str]:
        verdict = verdicts.get((one.airframe, one.metric, one.context), "")
        spoken = verdict in (Verdict.WORSE.value, Verdict.BETTER.value, Verdict.ATTENTION.value)
        place = FAMILY_ORDER.index(one.family) if one.family in FAMILY_ORDER else len(FAMILY_ORDER)
        return (not spoken, place, one.metric, one.context)

    judged = sorted((one for one in series if one.better != "none"), key=rank)[:limit]
    rows = []
    for one in judged:
        usual, last = usual_and_last(one, teller)
        rows.append(
            FigureRow(
                title=teller.figure(one.metric, one.context),
                spark=spark_view(one, verdicts.get((one.airframe, one.metric, one.context), ""), teller),
                usual=usual,
                last=last,
            )
        )
    first_order = min((one.points[-SPARK_FLIGHTS:][0].order for one in judged), default=0)
    changes = [change for change in teller.changes.get(row.id, ()) if change.first_order > first_order]
    return AirframeTrends(
        who=teller.airframe(row.id),
        description=plain(row.description),
        facts=airframe_facts(row, teller),
        rows=tuple(rows),
        changes=tuple(_dated_change(change, teller) for change in changes),
    )


def _dated_change(change: Change, teller: Teller) -> str:
    return f"{teller.fmt.short_day(change.at)}: {teller.change(change)}"


def airframe_facts(row: AirframeRow, teller: Teller) -> str:
    """Flights, hours, firmware, last flight in one line."""
    words, fmt = teller.words, teller.fmt
    facts = [f"{fmt.number(row.flights, 0)} {words.text('flights').lower()}", fmt.hours(row.hours)]
    if row.firmware:
        facts.append(f"{words.text('firmware').lower()} {plain(row.firmware)}")
    if row.last_flight_at:
        facts.append(f"{words.text('last_flight').lower()} {fmt.short_day(row.last_flight_at)}")
    return ", ".join(facts)


def work_row(row: MaintenanceRow, teller: Teller) -> WorkRow:
    """One line of work done."""
    what = work_done(row.kind, row.part, row.before, row.after, teller)
    day = teller.fmt.short_day(row.at) if row.date_only else teller.fmt.short_moment(row.at)
    return WorkRow(day, teller.airframe(row.airframe), what, plain(row.done_by), plain(row.note))


def work_done(kind: str, part: str, before: str, after: str, teller: Teller) -> str:
    """Kind, part, before and after of a piece of work, one clause."""
    words = teller.words
    kind, part = words.code("change_kind", kind), plain(part)
    if part and kind.lower() in part.lower():
        kind, part = part, ""
    shown_part = words.sentence("part_of_kind", part=part) if part else ""
    before, after = plain(before), plain(after)
    if before and after:
        what = words.sentence("item_change", kind=kind, part=shown_part, before=before, after=after)
    elif after:
        what = words.sentence("item_change_after", kind=kind, part=shown_part, after=after)
    else:
        what = words.sentence("item_change_bare", kind=kind, part=shown_part)
    return capital(what)


def gap_rows(gaps: Iterable[RecordGap], teller: Teller) -> tuple[GapRow, ...]:
    """Disagreements of journal and logs, oldest first; what came together is one row."""
    rows = []
    ordered = sorted(gaps, key=lambda gap: (gap.at, gap.airframe, gap.code, gap.flights))
    for (at, airframe, code, n), own in groupby(
        ordered, key=lambda gap: (gap.at, gap.airframe, gap.code, gap.flights)
    ):
        items = [work_done(gap.kind, gap.part, gap.before, gap.after, teller) for gap in own]
        flights = teller.words.sentence("n_flights_one" if n == 1 else "n_flights", n=n)
        sentence = teller.words.sentence(GAP_SENTENCES[code], what=names_of(items, teller), flights=flights)
        rows.append(GapRow(teller.fmt.short_day(at), teller.airframe(airframe), sentence))
    return tuple(rows)


def work_section(given: DigestInput, teller: Teller) -> WorkSection:
    """Maintenance done in the period."""
    done = sorted(given.maintenance, key=lambda row: (row.at, row.airframe, row.kind, row.part))
    rows = tuple(work_row(row, teller) for row in done)
    gaps = gap_rows(given.record_gaps, teller)
    fingerprint = given.journal_head[:SHORT_HASH] if given.journal_head else ""
    sentence = teller.words.sentence("journal_head", head=fingerprint) if fingerprint else ""
    gone = removal_lines(given.removals, teller)
    count = len(rows) + len(gaps) + len(gone)
    return WorkSection(head("maintenance", count, teller), rows, gaps, gone, sentence)


def removal_lines(removals: Iterable[RemovedFiles], teller: Teller) -> tuple[str, ...]:
    """A sentence for the files of each kind that went on a day, oldest first."""
    return tuple(_removed(one, teller) for one in sorted(removals, key=lambda one: (one.at, one.what)))


REMOVED_FILES = {
    "recording": ("files_recording_one", "files_recording"),
    "digest": ("files_digest_one", "files_digest"),
    "page": ("files_page_one", "files_page"),
}


def _removed(one: RemovedFiles, teller: Teller) -> str:
    single, several = REMOVED_FILES[one.what]
    files = teller.words.sentence(single if one.files == 1 else several, n=one.files)
    return teller.words.sentence(
        "files_removed",
        when=teller.fmt.short_day(one.at),
        files=files,
        setting=plain(one.setting),
        megabytes=f"{one.size_bytes / 1e6:,.1f}",
        who=plain(one.who),
    )


def not_read_section(given: DigestInput, teller: Teller) -> NotReadSection:
    """Logs that could not be read."""
    rows = tuple(FileRow(plain(one.file), capital(plain(one.sentence))) for one in given.logs_not_read)
    return NotReadSection(head("not_read", len(rows), teller), rows)


def unmeasured_section(given: DigestInput, teller: Teller) -> UnmeasuredSection:
    """What could not be measured, and why."""
    rows = []
    for one in sorted(given.not_measured, key=lambda one: (-one.flights, one.title)):
        reason = teller.words.code("not_measured", one.reason)
        detail = f" ({plain(one.detail)})" if one.detail else ""
        flights = teller.words.sentence("n_flights_one" if one.flights == 1 else "n_flights", n=one.flights)
        rows.append(UnmeasuredRow(plain(one.title), f"{reason}{detail}", flights))
    return UnmeasuredSection(head("not_measured", len(rows), teller), tuple(rows))


def hint_section(given: DigestInput, teller: Teller) -> HintSection:
    """Lines to paste; each line is kept as it is but for what could break the page."""
    hints = tuple(
        HintView(plain(one.airframe), plain(one.file), plain(one.gains), tuple(map(verbatim, one.lines)))
        for one in given.hints
    )
    return HintSection(head("hints", len(hints), teller), hints)


def promise_section(promise: Promise | None, teller: Teller) -> PromiseSection:
    """The promise about false alarms and how it was kept."""
    words = teller.words
    if promise is None:
        return PromiseSection(head("promise", 1, teller), (words.sentence("promise_none"),))
    sentences = [
        words.sentence(
            "promise_nominal",
            share=teller.fmt.percent(promise.nominal_share),
            series=teller.fmt.number(promise.series_judged, 0),
        )
    ]
    if promise.placebo_planted:
        sentences += _placebo_sentences(promise, promise.placebo_planted, teller)
    else:
        sentences.append(words.sentence("promise_no_placebo"))
    return PromiseSection(head("promise", 1, teller), tuple(sentences))


def _placebo_sentences(promise: Promise, planted: int, teller: Teller) -> list[str]:
    words, fmt = teller.words, teller.fmt
    kept = promise.placebo_level >= promise.placebo_low
    called = promise.placebo_called or 0
    return [
        words.sentence(
            "promise_placebo_one" if called == 1 else "promise_placebo", planted=planted, called=called
        ),
        words.sentence(
            "promise_placebo_kept" if kept else "promise_placebo_broken",
            level=fmt.percent(promise.placebo_level),
            low=fmt.percent(promise.placebo_low),
            high=fmt.percent(promise.placebo_high),
        ),
    ]


def reading_section(teller: Teller) -> ReadingSection:
    """How to read the page."""
    sentences = tuple(str(sentence) for sentence in teller.words.table["reading"].values())
    return ReadingSection(head("reading", 1, teller), sentences)
