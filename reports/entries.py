"""Findings to ledger entries: one entry per change and airframe, its gravest finding speaking first."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import datetime
from string import Formatter

from trimkeep.detectors.history.model import Finding, LikelyCause, SeriesPoint, Verdict
from trimkeep.reports.cautions import check_with_caution, separating_check
from trimkeep.reports.foreign import anchor
from trimkeep.reports.teller import Teller, capital
from trimkeep.reports.trends import trend_view
from trimkeep.reports.views import (
    AlsoView,
    CauseView,
    EntryView,
    Link,
    RuleView,
    TallyView,
    TrendView,
)

FindingGroup = tuple[Finding, ...]
"""Findings about one change on one airframe (or on the fleet), gravest first."""
MAX_CAUSES = 3
LEAST_PROBABILITY = 0.05
HAZARD_FAMILY = "ground_handling"
# Below this a ratio says no more than the difference does.
RATIO_WORTH_SAYING = 1.5
_FIELD = re.compile(r"\{([^{}]+)\}")


def severity(finding: Finding, teller: Teller) -> float:
    """How grave: the size of the change in units of what matters; without a size, the evidence's.

    What can injure somebody comes before all that can only fly badly.
    """
    if finding.family == HAZARD_FAMILY:
        return math.inf
    margin = teller.margin(finding)
    if finding.effect is not None and margin > 0.0:
        return abs(finding.effect.difference) / margin
    if finding.e_value is not None and finding.e_value > 1.0:
        return math.log10(finding.e_value)
    return 0.0


def group(findings: Iterable[Finding], teller: Teller) -> tuple[FindingGroup, ...]:
    """Findings of one change on one airframe together, so that a page argues about changes.

    Findings without a change stand alone with others of their kind, airframe and family.
    """
    groups: dict[tuple[object, ...], list[Finding]] = {}
    for finding in findings:
        subject = finding.change.id if finding.change else (finding.family, finding.opened_at)
        groups.setdefault((finding.scope, finding.airframes, finding.kind, subject), []).append(finding)
    ordered = (
        tuple(sorted(those, key=lambda one: (-severity(one, teller), one.id))) for those in groups.values()
    )
    return tuple(
        sorted(ordered, key=lambda those: (-severity(those[0], teller), those[0].airframes, those[0].id))
    )


def headline(finding: Finding, teller: Teller) -> str:
    """One plain sentence in the trade's units, without a full stop."""
    metric = teller.metric(finding.metric)
    effect = finding.effect
    spread = (effect.high - effect.low) / 2.0 if effect else None
    where = teller.where(finding.context)

    def say(value: float) -> str:
        return teller.fmt.quantity(value, metric.unit, spread=spread, metric=finding.metric)

    if effect is None or finding.verdict is Verdict.ATTENTION:
        level = effect.after if effect else _seen_value(finding, teller)
        if level is None:
            return capital(f"{metric.title} {where}".strip())
        spread = None
        pattern = teller.words.phrase_level(finding.metric)
        if pattern:
            phrase = pattern.format(after=say(level))
            detail = level_detail(finding, teller)
            if detail:
                phrase = teller.words.sentence("level_with_detail", phrase=phrase, detail=detail)
            return capital(phrase)
        phrase = teller.words.sentence("fallback_level", title=metric.title, after=say(level))
        return capital(f"{phrase} {where}".strip())
    pattern = metric.phrase or teller.words.phrase(finding.metric)
    before, after = say(effect.before), say(effect.after)
    if pattern:
        phrase = pattern.format(before=before, after=after)
        if metric.phrase is None and teller.words.knows("phrase_alone", finding.metric):
            where = ""
    else:
        phrase = teller.words.sentence("fallback_phrase", title=metric.title, before=before, after=after)
    return capital(teller.words.sentence("headline", phrase=phrase, context=where).strip())


def _seen_value(finding: Finding, teller: Teller) -> float | None:
    point = _seen_point(finding, teller)
    return point.value if point else None


def _seen_point(finding: Finding, teller: Teller) -> SeriesPoint | None:
    """The newest flight that shows it."""
    series = teller.series_of(finding)
    if series is None:
        return None
    seen = [point for point in series.points if point.flight_id in finding.evidence_flights]
    return seen[-1] if seen else None


def level_detail(finding: Finding, teller: Teller) -> str:
    """The figures behind a level, from the same flight (`limit 180 °/s, reached 140 °/s`); may be empty."""
    pattern, seen = teller.words.phrase_detail(finding.metric), _seen_point(finding, teller)
    if pattern is None or seen is None:
        return ""
    values: dict[str, str] = {}
    for _, field, _, _ in Formatter().parse(pattern):
        names = field.split("*") if field else []
        points = [_same_flight(name, seen, finding, teller) for name in names]
        if any(point is None for point in points):
            return ""
        if field:
            value = math.prod(point.value for point in points if point is not None)
            unit = teller.metric(names[-1]).unit
            values[field] = teller.fmt.quantity(value, unit, metric=names[-1])
    # A name with a product in it is no key that `format` would take.
    return _FIELD.sub(lambda found: values[found.group(1)], pattern)


def _same_flight(metric: str, seen: SeriesPoint, finding: Finding, teller: Teller) -> SeriesPoint | None:
    series = teller.series.get((finding.airframes[0], metric, finding.context))
    points = series.points if series is not None else ()
    return next((point for point in points if point.flight_id == seen.flight_id), None)


def size_texts(finding: Finding, teller: Teller) -> dict[str, str] | None:
    """The change and its likely range as text: `difference`, `low`, `high`; None for one flight alone."""
    effect = finding.effect
    if effect is None or finding.verdict is Verdict.ATTENTION:
        return None
    unit = teller.metric(finding.metric).unit
    spread = (effect.high - effect.low) / 2.0
    return {
        name: teller.fmt.quantity(value, unit, spread=spread, metric=finding.metric, signed=True)
        for name, value in (("difference", effect.difference), ("low", effect.low), ("high", effect.high))
    }


def size_sentence(finding: Finding, teller: Teller) -> str:
    """Size of the change with its likely range; empty for what one flight shows."""
    texts = size_texts(finding, teller)
    return teller.words.sentence("change_size", **texts) if texts else ""


def size_sentences(finding: Finding, teller: Teller) -> tuple[str, ...]:
    """Size, ratio, whether it is known to matter, flights behind it: one sentence each."""
    words, effect = teller.words, finding.effect
    sentences = [size_sentence(finding, teller)]
    if effect is not None and finding.verdict in (Verdict.WORSE, Verdict.BETTER):
        if effect.ratio is not None and effect.ratio >= RATIO_WORTH_SAYING:
            sentences.append(words.sentence("change_ratio", ratio=teller.fmt.number(effect.ratio, 1)))
        margin = teller.margin(finding)
        nearest = min(abs(effect.low), abs(effect.high))
        if finding.verdict is Verdict.WORSE and 0.0 <= nearest < margin:
            unit = teller.metric(finding.metric).unit
            sentences.append(
                words.sentence(
                    "below_margin", margin=teller.fmt.quantity(margin, unit, metric=finding.metric)
                )
            )
    sentences.append(teller.flights_sentence(finding))
    if finding.down_weighted:
        count = len(finding.down_weighted)
        sentences.append(words.sentence("spared_one" if count == 1 else "spared", n=count))
    return tuple(sentence for sentence in sentences if sentence)


def tally_view(finding: Finding, teller: Teller) -> TallyView | None:
    """Flights as strokes; None for what one flight shows."""
    if finding.kind == "condition_of_flight":
        return None
    words = teller.words
    needed = (finding.flights_needed or 0) if finding.verdict is Verdict.TOO_EARLY else 0
    before, after = finding.flights_before, finding.flights_after
    parts = [
        words.sentence("tally_before_one" if before == 1 else "tally_before", n=before),
        words.sentence("tally_after_one" if after == 1 else "tally_after", n=after),
    ]
    if needed:
        parts.append(words.sentence("tally_needed", n=needed))
    return TallyView(finding.flights_before, finding.flights_after, needed, ", ".join(parts))


def rule_view(finding: Finding, teller: Teller) -> RuleView | None:
    """Before and after on the small rule; None without a size."""
    effect = finding.effect
    if effect is None or finding.kind == "condition_of_flight":
        return None
    unit, fmt = teller.metric(finding.metric).unit, teller.fmt
    spread = (effect.high - effect.low) / 2.0

    def say(value: float) -> str:
        return fmt.quantity(value, unit, spread=spread, metric=finding.metric)

    def scaled(value: float) -> float:
        return fmt.to_shown(value, unit, metric=finding.metric)

    low, high = effect.before + effect.low, effect.before + effect.high
    return RuleView(
        before=scaled(effect.before),
        after=scaled(effect.after),
        low=scaled(low),
        high=scaled(high),
        margin=abs(scaled(teller.margin(finding)) - scaled(0.0)),
        verdict=finding.verdict.value,
        before_text=f"{teller.words.text('before')} {say(effect.before)}",
        after_text=f"{teller.words.text('after')} {say(effect.after)}",
        unit=fmt.unit_label(unit, metric=finding.metric),
        name=teller.words.sentence(
            "rule_name",
            before=say(effect.before),
            after=say(effect.after),
            low=fmt.quantity(effect.low, unit, spread=spread, metric=finding.metric, signed=True),
            high=fmt.quantity(effect.high, unit, spread=spread, metric=finding.metric, signed=True),
        ),
    )


def cause_view(cause: LikelyCause, teller: Teller) -> CauseView:
    """One likely cause in words."""
    words = teller.words
    tenths = round(cause.probability * 10.0)
    return CauseView(
        name=words.code("cause", cause.cause),
        likely=words.sentence("likely", n=tenths) if tenths >= 1 else words.sentence("unlikely"),
        share=min(max(cause.probability, 0.0), 1.0),
        speaks_for=tuple(words.code("evidence", code) for code in cause.evidence_for),
        speaks_against=tuple(words.code("evidence", code) for code in cause.evidence_against),
        check=check_with_caution(cause.next_check, words),
    )


def cause_views(finding: Finding, teller: Teller, limit: int | None = MAX_CAUSES) -> tuple[CauseView, ...]:
    """Likely causes, most likely first; `limit` None shows all."""
    ranked = sorted(finding.likely_causes, key=lambda cause: (-cause.probability, cause.cause))
    if limit is not None:
        ranked = [cause for cause in ranked if cause.probability >= LEAST_PROBABILITY][:limit]
    return tuple(cause_view(cause, teller) for cause in ranked)


def status_text(finding: Finding, teller: Teller, period_start: datetime | None) -> str:
    """`seen by an engineer`, `still open, first noticed 3 Feb`, or nothing for what is new."""
    words = teller.words
    parts = []
    if finding.status == "acknowledged":
        parts.append(words.text("acknowledged"))
    if period_start is not None and finding.opened_at < period_start:
        parts.append(words.text("still_open"))
        parts.append(words.sentence("first_noticed", day=teller.fmt.short_day(finding.opened_at)))
    return ", ".join(parts)


def entry_view(
    those: FindingGroup, teller: Teller, *, period_start: datetime | None = None, with_plot: bool = True
) -> EntryView:
    """The ledger entry of a group of findings."""
    lead = those[0]
    trend: TrendView | None = None
    series = teller.series_of(lead)
    if with_plot and series is not None and len(series.points) > 1:
        trend = trend_view(series, lead, teller)
    apart = next((one.separating for one in those if one.separating is not None), None)
    return EntryView(
        anchor=anchor("entry", lead.id),
        verdict=lead.verdict.value,
        verdict_word=teller.words.code("verdict", lead.verdict.value),
        who=tuple(teller.airframe(name) for name in lead.airframes),
        headline=headline(lead, teller),
        since=capital(teller.since(lead)),
        size=size_sentences(lead, teller),
        status=status_text(lead, teller, period_start),
        tally=tally_view(lead, teller),
        rule=rule_view(lead, teller),
        also=tuple(
            AlsoView(headline(one, teller), size_sentence(one, teller), teller.links.findings.get(one.id))
            for one in those[1:]
        ),
        causes=cause_views(lead, teller),
        tell_apart=None if apart is None else separating_check(apart, teller.words),
        trend=trend,
        href=teller.links.findings.get(lead.id),
    )


def entry_link(entry: EntryView, text: str) -> Link:
    """A link to an entry on the same page."""
    return Link(text, f"#{entry.anchor}")
