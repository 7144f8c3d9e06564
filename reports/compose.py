"""From findings and series to the digest's view. Nothing is drawn or escaped here."""

from __future__ import annotations

from dataclasses import replace

from trimkeep.detectors.history.model import Finding, Tier, Verdict
from trimkeep.reports.entries import EntryView, FindingGroup, entry_link, entry_view, group, headline
from trimkeep.reports.foreign import plain
from trimkeep.reports.inputs import DigestInput
from trimkeep.reports.put_right import put_right, wholly_put_right
from trimkeep.reports.sections import (
    early_section,
    fleet_section,
    head,
    hint_section,
    not_read_section,
    promise_section,
    reading_section,
    trends_section,
    unchanged_section,
    unmeasured_section,
    work_section,
)
from trimkeep.reports.teller import Teller, make_teller
from trimkeep.reports.views import DigestPage, EntrySection, GlanceLine, Link, SectionHead

MAX_PLOTS = 24
"""Large plots in one digest; further ones stand on the pages behind the entries."""
UNEXPLAINED = ("unexplained_step", "drift")
UPDATE_KINDS = ("firmware", "parameters")
MAX_GLANCE_ITEMS = 8


def compose_digest(given: DigestInput) -> DigestPage:
    """The digest of a period.

    Parameters
    ----------
    given : DigestInput
        Everything the page shows; the clock is in it.

    Returns
    -------
    DigestPage
        Worded and rounded, sections in the order of the page; empty sections have a count of 0.

    Raises
    ------
    ReportError
        There is no catalogue of words for the language.
    """
    teller = make_teller(
        language=given.language,
        units=given.units,
        time_zone=given.time_zone,
        metrics=given.metrics,
        links=given.links,
        series=given.series,
        changes=given.changes,
    )
    sorted_out = _Sorted(given)
    plots = _PlotBudget(MAX_PLOTS)
    fleet_entries = _entries(sorted_out.fleet, given, teller, plots)
    hands = _section("needs_a_hand", sorted_out.attention, (), given, teller, plots)
    worse = _section("worse", sorted_out.worse, (), given, teller, plots)
    unexplained = _section("unexplained", sorted_out.unexplained, (), given, teller, plots)
    better = _section("better", sorted_out.better, sorted_out.settled, given, teller, plots)
    unchanged = unchanged_section(group(sorted_out.unchanged, teller), teller)
    too_early = early_section(group(sorted_out.early, teller), teller)
    fleet_wide = fleet_section(fleet_entries, given, sorted_out.called, teller)
    trends = trends_section(given, tuple(sorted_out.called + sorted_out.early), teller)
    work = work_section(given, teller)
    not_read = not_read_section(given, teller)
    unmeasured = unmeasured_section(given, teller)
    hints = hint_section(given, teller)
    promise, reading = promise_section(given.promise, teller), reading_section(teller)
    heads = [hands.head, worse.head, better.head, unchanged.head, too_early.head, unexplained.head]
    heads += [fleet_wide.head, trends.head, work.head, not_read.head, unmeasured.head, hints.head]
    glance = _glance(hands, worse, better, unexplained, fleet_wide.entries, sorted_out, teller)
    period = teller.fmt.period(given.period_start, given.period_end)
    return DigestPage(
        language=str(teller.words.table["page"]["language"]),
        direction=str(teller.words.table["page"]["direction"]),
        title=teller.words.sentence("title_digest", fleet=plain(given.fleet_name), period=period),
        fleet=plain(given.fleet_name),
        period=period,
        counts=_counts(given, teller),
        glance=glance,
        quiet="" if glance else _quiet(given, teller),
        contents=tuple(_contents_link(one) for one in heads if one.count),
        nothing=_nothing(heads[:7], teller),
        needs_a_hand=hands,
        worse=worse,
        better=better,
        unchanged=unchanged,
        too_early=too_early,
        unexplained=unexplained,
        fleet_wide=fleet_wide,
        trends=trends,
        work=work,
        not_read=not_read,
        unmeasured=unmeasured,
        hints=hints,
        promise=promise,
        reading=reading,
        colophon=_colophon(given, sorted_out, teller),
        board_href=given.links.board,
    )


class _Sorted:
    """The findings, each in the one section where it belongs."""

    def __init__(self, given: DigestInput) -> None:
        shown = [one for one in given.findings if one.status in ("open", "acknowledged")]
        recent = [one for one in shown if one.updated_at >= given.period_start]
        self.muted = sum(one.status == "muted" for one in given.findings)
        mended = put_right(given.findings)
        self.put_right = {
            one.id: mended[one.id, one.airframes[0]]
            for one in shown
            if wholly_put_right(one, mended)
            and mended[one.id, one.airframes[0]].updated_at >= given.period_start
        }
        shown = [one for one in shown if not wholly_put_right(one, mended)]
        self.settled = [
            one
            for one in given.findings
            if (one.status == "resolved" and one.updated_at >= given.period_start) or one.id in self.put_right
        ]
        self.attention = [one for one in shown if one.verdict is Verdict.ATTENTION]
        moved = [one for one in shown if one.verdict in (Verdict.WORSE, Verdict.BETTER)]
        self.called = [one for one in moved if one.tier is Tier.CALLED]
        self.fleet = [
            one
            for one in self.called
            if one.scope == "fleet" and (one.verdict is Verdict.WORSE or one.updated_at >= given.period_start)
        ]
        alone = [one for one in self.called if one.scope != "fleet"]
        self.unexplained = [one for one in alone if one.kind in UNEXPLAINED]
        explained = [one for one in alone if one.kind not in UNEXPLAINED]
        self.worse = [one for one in explained if one.verdict is Verdict.WORSE]
        self.better = [
            one for one in explained if one.verdict is Verdict.BETTER and one.updated_at >= given.period_start
        ]
        self.unchanged = [one for one in recent if one.verdict is Verdict.NO_MATERIAL_CHANGE]
        self.early = [one for one in moved if one.tier is Tier.WATCH]
        self.early += [one for one in shown if one.verdict is Verdict.TOO_EARLY]


class _PlotBudget:
    """How many large plots the page may still draw."""

    def __init__(self, left: int) -> None:
        self.left = left

    def take(self) -> bool:
        self.left -= 1
        return self.left >= 0


def _entries(
    findings: list[Finding], given: DigestInput, teller: Teller, plots: _PlotBudget
) -> tuple[EntryView, ...]:
    groups: tuple[FindingGroup, ...] = group(findings, teller)
    return tuple(
        entry_view(
            those,
            teller,
            period_start=given.period_start,
            with_plot=teller.series_of(those[0]) is not None and plots.take(),
        )
        for those in groups
    )


def _section(
    name: str,
    findings: list[Finding],
    settled: list[Finding] | tuple[()],
    given: DigestInput,
    teller: Teller,
    plots: _PlotBudget,
) -> EntrySection:
    entries = _entries(findings, given, teller, plots)
    lines = tuple(
        Link(
            teller.words.sentence(
                "settled_line" if one.status == "resolved" else "put_right_line",
                airframe=", ".join(plain(name) for name in one.airframes),
                title=headline(one, teller),
            ),
            teller.links.findings.get(one.id),
        )
        for one in sorted(settled, key=lambda one: (one.airframes, one.id))
    )
    return EntrySection(head(name, len(entries) + len(lines), teller), entries, lines)


def _glance(
    hands: EntrySection,
    worse: EntrySection,
    better: EntrySection,
    unexplained: EntrySection,
    fleet: tuple[EntryView, ...],
    sorted_out: _Sorted,
    teller: Teller,
) -> tuple[GlanceLine, ...]:
    """Which aeroplanes to look at, which updates to hold back, what worked."""
    lines = [
        ("attention", "attention", _by_airframe(hands.entries)),
        ("stop", "worse", _updates(sorted_out, fleet, worse.entries, teller)),
        ("worse", "worse", _by_airframe(worse.entries)),
        ("unexplained", "worse", _by_airframe(unexplained.entries)),
        (
            "worked",
            "better",
            _worked(better, fleet, len(sorted_out.settled) - len(sorted_out.put_right), teller),
        ),
    ]
    return tuple(
        GlanceLine(teller.words.code("glance", key), verdict, _capped(items, teller))
        for key, verdict, items in lines
        if items
    )


def _capped(items: tuple[Link, ...], teller: Teller) -> tuple[Link, ...]:
    if len(items) <= MAX_GLANCE_ITEMS:
        return items
    rest = teller.words.sentence("more_of_them", n=len(items) - MAX_GLANCE_ITEMS)
    return (*items[:MAX_GLANCE_ITEMS], Link(rest, None))


def _by_airframe(entries: tuple[EntryView, ...]) -> tuple[Link, ...]:
    """Each airframe once, leading to its gravest entry."""
    seen: dict[str, Link] = {}
    for entry in entries:
        for who in entry.who:
            seen.setdefault(who.text, entry_link(entry, who.text))
    return tuple(seen.values())


def _updates(
    sorted_out: _Sorted, fleet: tuple[EntryView, ...], worse: tuple[EntryView, ...], teller: Teller
) -> tuple[Link, ...]:
    """Firmware and settings called worse, each once, with the number of airframes it was called on."""
    airframes: dict[str, set[str]] = {}
    for one in sorted_out.worse + [one for one in sorted_out.fleet if one.verdict is Verdict.WORSE]:
        if one.change is not None:
            items = tuple(item for item in one.change.items if item.kind in UPDATE_KINDS)
            # Settings that were changed together are held back together.
            told = teller.change(replace(one.change, items=items)) if items else ""
            airframes.setdefault(told, set()).update(one.airframes)
    airframes.pop("", None)
    entries = [entry for entry in (*fleet, *worse) if entry.verdict == Verdict.WORSE.value]
    links = []
    for update, names in sorted(airframes.items(), key=lambda pair: (-len(pair[1]), pair[0])):
        key = "glance_on_one" if len(names) == 1 else "glance_on_many"
        text = teller.words.sentence(key, change=update, airframe=plain(min(names)), n=len(names))
        href = next((f"#{entry.anchor}" for entry in entries if update.lower() in entry.since.lower()), None)
        links.append(Link(text, href))
    return tuple(links)


def _worked(
    better: EntrySection, fleet: tuple[EntryView, ...], n_settled: int, teller: Teller
) -> tuple[Link, ...]:
    """Airframes with something better, and how many findings somebody settled."""
    good = [entry for entry in fleet if entry.verdict == Verdict.BETTER.value] + list(better.entries)
    links = _by_airframe(tuple(good))
    if n_settled:
        key = "glance_settled_one" if n_settled == 1 else "glance_settled"
        text = teller.words.sentence(key, n=n_settled)
        links = (*links, Link(text, f"#{better.head.anchor}"))
    return links


def _quiet(given: DigestInput, teller: Teller) -> str:
    if not given.flights:
        return teller.words.sentence("glance_no_flights")
    return teller.words.sentence(
        "glance_quiet",
        flights=teller.fmt.number(len(given.flights), 0),
        airframes=len({flight.airframe for flight in given.flights}),
    )


def _counts(given: DigestInput, teller: Teller) -> str:
    hours = sum(flight.seconds for flight in given.flights) / 3600.0
    return teller.words.sentence(
        "counts",
        flights=teller.fmt.number(len(given.flights), 0),
        hours=teller.fmt.hours(hours),
        airframes=len({flight.airframe for flight in given.flights}),
        fleet=len(given.airframes),
    )


def _contents_link(one: SectionHead) -> Link:
    return Link(f"{one.title} ({one.count})", f"#{one.anchor}")


def _nothing(heads: list[SectionHead], teller: Teller) -> str:
    empty = [one.title.lower() for one in heads if not one.count]
    return teller.words.sentence("nothing", names="; ".join(empty)) if empty else ""


def _colophon(given: DigestInput, sorted_out: _Sorted, teller: Teller) -> tuple[str, ...]:
    words = teller.words
    lines = [words.sentence("made", moment=teller.fmt.moment(given.now), zone=plain(given.time_zone))]
    if given.versions:
        named = ", ".join(f"{plain(name)} {plain(value)}" for name, value in sorted(given.versions.items()))
        lines.append(words.sentence("versions", versions=named))
    if sorted_out.muted:
        key = "muted_one" if sorted_out.muted == 1 else "muted_count"
        lines.append(words.sentence(key, n=sorted_out.muted))
    return tuple(lines)
