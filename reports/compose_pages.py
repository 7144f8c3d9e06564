"""Views of the board, of an airframe and of a finding."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from trimkeep.detectors.history.model import Change, Finding, Series, Tier, Verdict
from trimkeep.reports.entries import cause_views, entry_view, group, headline
from trimkeep.reports.foreign import plain
from trimkeep.reports.inputs import FlightRow, MaintenanceRow
from trimkeep.reports.page_inputs import AirframeInput, BoardInput, FindingInput, Setting
from trimkeep.reports.page_views import (
    AirframePage,
    BoardPage,
    BoardRow,
    ConditionRow,
    FindingPage,
    GonePage,
    PageHead,
)
from trimkeep.reports.put_right import put_right, still_worse, wholly_put_right
from trimkeep.reports.sections import airframe_facts, airframe_trends, work_row
from trimkeep.reports.teller import Teller, make_teller
from trimkeep.reports.traces import spectrum_view, trace_pairs
from trimkeep.reports.trends import trend_view
from trimkeep.reports.views import Link, WorkRow

MAX_AIRFRAME_PLOTS = 6
MAX_FLIGHT_ROWS = 60
# What is read at a glance; the airframe's page has all.
MAX_BOARD_LINES = 4
GRAVITY = (Verdict.ATTENTION, Verdict.WORSE, Verdict.BETTER)
CONDITION_UNITS = (
    ("wind_mps", "m/s"),
    ("gust_edr", "m^(2/3)/s"),
    ("airspeed_mps", "m/s"),
    ("air_density_kgpm3", "kg/m3"),
)


def teller_for(setting: Setting, series: Iterable[Series] = (), changes: Iterable[Change] = ()) -> Teller:
    """The teller of a page behind the digest."""
    return make_teller(
        language=setting.language,
        units=setting.units,
        time_zone=setting.time_zone,
        metrics=setting.metrics,
        links=setting.links,
        series=series,
        changes=changes,
    )


def page_head(
    setting: Setting,
    teller: Teller,
    *,
    title: str,
    heading: str,
    aside: str,
    counts: str,
    trail: tuple[Link, ...],
) -> PageHead:
    """Top and bottom of a page."""
    words = teller.words
    colophon = [words.sentence("made", moment=teller.fmt.moment(setting.now), zone=plain(setting.time_zone))]
    if setting.versions:
        named = ", ".join(f"{plain(name)} {plain(value)}" for name, value in sorted(setting.versions.items()))
        colophon.append(words.sentence("versions", versions=named))
    return PageHead(
        language=str(words.table["page"]["language"]),
        direction=str(words.table["page"]["direction"]),
        title=title,
        trail=trail,
        heading=heading,
        aside=aside,
        counts=counts,
        colophon=tuple(colophon),
    )


def board_trail(setting: Setting, teller: Teller) -> tuple[Link, ...]:
    """The way back to the board, where there is one."""
    if setting.links.board is None:
        return ()
    return (Link(teller.words.text("back_to_board"), setting.links.board),)


def is_open(finding: Finding) -> bool:
    """True for what a page lists as open: hazards and called changes for the worse."""
    return finding.status in ("open", "acknowledged") and (
        finding.verdict is Verdict.ATTENTION
        or (finding.verdict is Verdict.WORSE and finding.tier.value == "called")
    )


def compose_board(given: BoardInput) -> BoardPage:
    """Every airframe at a glance, those that need a hand first, then by name."""
    setting = given.setting
    teller = teller_for(setting, given.series, given.changes)
    links = setting.links.findings
    mended = put_right(given.findings)
    open_now = [one for one in given.findings if is_open(one) and not wholly_put_right(one, mended)]
    series: dict[str, list[Series]] = {}
    for one in given.series:
        if one.points:
            series.setdefault(one.airframe, []).append(one)
    rows = []
    for airframe in given.airframes:
        mine = sorted(
            (
                one
                for one in open_now
                if airframe.id in one.airframes and still_worse(one, airframe.id, mended)
            ),
            key=lambda one: (GRAVITY.index(one.verdict), one.tier is not Tier.CALLED, one.id),
        )
        verdicts = {(airframe.id, one.metric, one.context): one.verdict.value for one in reversed(mine)}
        trends = airframe_trends(airframe, series.get(airframe.id, []), verdicts, teller, limit=1)
        rows.append(
            BoardRow(
                who=teller.airframe(airframe.id),
                description=plain(airframe.description),
                facts=airframe_facts(airframe, teller),
                verdict=mine[0].verdict.value if mine else "",
                findings=_board_lines(airframe.id, mine, links, teller),
                figure=trends.rows[0] if trends.rows else None,
            )
        )
    order = [verdict.value for verdict in GRAVITY]
    rows.sort(key=lambda row: (order.index(row.verdict) if row.verdict else len(order), row.who.text))
    words, fleet = teller.words, plain(setting.fleet_name)
    n_key = "n_airframes_one" if len(rows) == 1 else "n_airframes"
    counts = words.sentence(
        "board_counts", airframes=words.sentence(n_key, n=len(rows)), open=_open_count(len(open_now), teller)
    )
    head = page_head(
        setting,
        teller,
        title=words.sentence("title_board", fleet=fleet),
        heading=words.text("board"),
        aside=teller.fmt.day(setting.now),
        counts=counts,
        trail=(Link(fleet, None),),
    )
    return BoardPage(head, tuple(rows), "" if rows else words.sentence("empty_fleet"))


def _board_lines(
    airframe: str, findings: Sequence[Finding], links: Mapping[str, str], teller: Teller
) -> tuple[Link, ...]:
    """The gravest findings; the others are counted, with the way to the page that has them all."""
    most = MAX_BOARD_LINES if len(findings) > MAX_BOARD_LINES + 1 else len(findings)
    lines = [Link(_board_line(one, teller), links.get(one.id)) for one in findings[:most]]
    if len(findings) > most:
        more = teller.words.sentence("more_of_them", n=len(findings) - most)
        lines.append(Link(more, teller.airframe(airframe).href))
    return tuple(lines)


def _board_line(finding: Finding, teller: Teller) -> str:
    line = headline(finding, teller)
    if finding.scope == "airframe":
        return line
    return teller.words.sentence("fleet_headline", airframes=len(finding.airframes), headline=line)


def _open_count(count: int, teller: Teller) -> str:
    key = "open_none" if count == 0 else "open_one" if count == 1 else "open_many"
    return teller.words.sentence(key, n=count)


def compose_airframe(given: AirframeInput) -> AirframePage:
    """One airframe's page."""
    setting, airframe = given.setting, given.airframe
    teller = teller_for(setting, given.series, given.changes)
    mine = [one for one in given.findings if airframe.id in one.airframes]
    mended = put_right(given.findings)
    standing = [one for one in mine if still_worse(one, airframe.id, mended)]
    groups = sorted(
        group([one for one in standing if is_open(one)], teller),
        key=lambda those: min(GRAVITY.index(one.verdict) for one in those),
    )
    verdicts = {
        (airframe.id, one.metric, one.context): one.verdict.value
        for one in standing
        if one.status in ("open", "acknowledged")
    }
    series = [one for one in given.series if one.points and one.airframe == airframe.id]
    figures = airframe_trends(airframe, series, verdicts, teller, limit=None)
    by_title = {teller.figure(one.metric, one.context): one for one in series}
    about = {
        (one.metric, one.context): one
        for one in standing
        # The levels of a pooled finding are the fleet's, not this airframe's.
        if one.scope == "airframe" and one.status in ("open", "acknowledged")
    }
    plotted = [by_title[row.title] for row in figures.rows[:MAX_AIRFRAME_PLOTS]]
    words, name = teller.words, plain(airframe.id)
    head = page_head(
        setting,
        teller,
        title=words.sentence("title_airframe", airframe=name, fleet=plain(setting.fleet_name)),
        heading=name,
        aside=plain(airframe.description),
        counts=words.sentence("airframe_counts", facts=airframe_facts(airframe, teller)),
        trail=board_trail(setting, teller),
    )
    work, settings = _history(given, teller)
    return AirframePage(
        head=head,
        entries=tuple(entry_view(those, teller, with_plot=False) for those in groups),
        no_findings="" if groups else words.sentence("no_findings"),
        trends=tuple(
            trend_view(one, about.get((one.metric, one.context)), teller)
            for one in plotted
            if len(one.points) > 1
        ),
        figures=figures,
        work=work,
        settings=settings,
        flights=_flight_rows(given.flights, series, teller),
    )


def _history(given: AirframeInput, teller: Teller) -> tuple[tuple[WorkRow, ...], tuple[WorkRow, ...]]:
    """Journal and logs as one story, newest first; settings apart, because they are many."""
    journal = [row for row in given.maintenance if row.airframe == given.airframe.id]
    seen = [
        MaintenanceRow(
            given.airframe.id,
            change.at,
            item.kind,
            item.part,
            item.before,
            item.after,
            note="" if item.documented else teller.words.text("undocumented"),
        )
        for change in given.changes
        if change.airframe == given.airframe.id
        for item in change.items
        # What the journal documents stands there already.
        if item.kind == "parameters" or not item.documented
    ]
    settings = sorted((row for row in seen if row.kind == "parameters"), key=lambda row: row.at, reverse=True)
    work = [row for row in seen if row.kind != "parameters"] + journal
    work.sort(key=lambda row: row.at, reverse=True)
    return (
        tuple(work_row(row, teller) for row in work),
        tuple(work_row(row, teller) for row in settings),
    )


def _flight_rows(
    flights: tuple[FlightRow, ...], series: list[Series], teller: Teller
) -> tuple[ConditionRow, ...]:
    conditions: dict[str, dict[str, float]] = {}
    for one in series:
        for point in one.points[-MAX_FLIGHT_ROWS:]:
            conditions.setdefault(point.flight_id, {}).update(point.conditions)
    rows = []
    for flight in sorted(flights, key=lambda flight: flight.at, reverse=True)[:MAX_FLIGHT_ROWS]:
        air = conditions.get(flight.flight_id, {})
        wind, gusts, airspeed, density = (
            teller.fmt.quantity(air[name], unit, metric=name) if name in air else "–"
            for name, unit in CONDITION_UNITS
        )
        rows.append(
            ConditionRow(
                day=teller.fmt.short_moment(flight.at),
                link=Link(plain(flight.source), teller.links.flights.get(flight.flight_id)),
                length=teller.fmt.duration(flight.seconds),
                wind=wind,
                gusts=gusts,
                airspeed=airspeed,
                density=density,
                remarks=", ".join(teller.words.code("flag", flag) for flag in flight.flags),
            )
        )
    return tuple(rows)


def compose_finding(given: FindingInput) -> FindingPage:
    """One finding's page, with traces and spectra where they are at hand."""
    setting, finding = given.setting, given.finding
    teller = teller_for(setting, given.series, given.changes)
    entry = entry_view((finding,), teller)
    pairs = trace_pairs(given.traces, finding.verdict.value, teller)
    spectra = tuple(spectrum_view(one, finding.verdict.value, teller) for one in given.spectra)
    words = teller.words
    names = ", ".join(plain(name) for name in finding.airframes)
    head = page_head(
        setting,
        teller,
        title=words.sentence("title_finding", airframe=names, headline=entry.headline),
        heading=words.text("finding"),
        aside=names,
        counts=entry.since,
        trail=(*board_trail(setting, teller), *(link for link in entry.who if link.href)),
    )
    flights = {
        point.flight_id: teller.fmt.short_moment(point.at) for one in given.series for point in one.points
    }

    def named(ids: tuple[str, ...]) -> tuple[Link, ...]:
        return tuple(Link(flights.get(one, plain(one)), setting.links.flights.get(one)) for one in ids)

    return FindingPage(
        head=head,
        entry=replace(entry, href=None),
        causes=cause_views(finding, teller, limit=None),
        pairs=pairs,
        spectra=spectra,
        no_traces="" if pairs else _no_traces(given.no_traces_because, teller),
        down_weighted=named(finding.down_weighted),
        evidence=named(finding.evidence_flights),
    )


def _no_traces(because: str, teller: Teller) -> str:
    if not because:
        return teller.words.sentence("no_traces")
    return teller.words.sentence("no_traces_because", why=plain(because))


def compose_gone(setting: Setting, why: str = "") -> GonePage:
    """What stands in the place of a page that is no longer kept; `why` is a sentence that is known better."""
    teller = teller_for(setting)
    words, fleet = teller.words, plain(setting.fleet_name)
    head = page_head(
        setting,
        teller,
        title=words.sentence("title_gone", fleet=fleet),
        heading=words.text("gone"),
        aside="",
        counts="",
        trail=board_trail(setting, teller),
    )
    return GonePage(head, plain(why) if why else words.sentence("gone_line"))
