"""Small pieces of speech that every page shares: a metric, a change, an airframe, a number of flights."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from trimkeep.detectors.history.model import Change, ChangeItem, Finding, Series
from trimkeep.reports.foreign import plain
from trimkeep.reports.format import Formatter
from trimkeep.reports.inputs import Links, MetricWords, UnitSystem
from trimkeep.reports.views import Link
from trimkeep.reports.wording import Words, load_words, readable

SeriesKey = tuple[str, str, str]
"""Airframe, metric, context."""
MAX_ITEMS_NAMED = 2
# Updates: what one airframe got, the others got too.
SAME_EVERYWHERE = ("firmware", "parameters")
DIGITS_TOLD = 4
# From here on four digits would leave some out, or need a power of ten.
MOST_TOLD = 10_000.0


@dataclass(frozen=True, slots=True)
class Teller:
    """Words, formatter and look-ups of one page."""

    words: Words
    fmt: Formatter
    metrics: Mapping[str, MetricWords]
    links: Links
    series: Mapping[SeriesKey, Series]
    changes: Mapping[str, tuple[Change, ...]]

    def metric(self, name: str) -> MetricWords:
        """Words of a metric; one that nobody described is spoken of by its name."""
        given = self.metrics.get(name) or MetricWords(readable(name), "", "lower")
        return replace(given, title=plain(given.title), unit=plain(given.unit))

    def figure(self, metric: str, context: str) -> str:
        """`Altitude error, root mean square, in level flight`."""
        where = self.where(context)
        title = self.metric(metric).title
        return f"{title}, {where}" if where else title

    def where(self, context: str) -> str:
        """When in a flight a figure is taken; empty for no context."""
        return self.words.code("context", context) if context else ""

    def airframe(self, name: str) -> Link:
        """An airframe's name, linked where it has a page."""
        return Link(plain(name), self.links.airframes.get(name))

    def item(self, item: ChangeItem) -> str:
        """`elevator servo, S-11 to S-12`."""
        return said_item(item, self.words)

    def change(self, change: Change) -> str:
        """Everything that became different at a boundary, in one clause."""
        return said_items(change.items, self.words)

    def since(self, finding: Finding) -> str:
        """Since when, and after what."""
        if finding.kind == "condition_of_flight":
            return self.words.sentence("seen_on", day=self.fmt.day(finding.opened_at))
        at = self.started_at(finding)
        if finding.kind == "drift":
            return self.words.sentence("since_drift", day=self.fmt.day(at))
        if finding.kind == "unexplained_step" or finding.change is None:
            return self.words.sentence("since_step", day=self.fmt.day(at))
        if finding.scope == "fleet":
            return self._since_over_fleet(finding, finding.change)
        return self.words.sentence("since_change", change=self.change(finding.change), day=self.fmt.day(at))

    def _since_over_fleet(self, finding: Finding, change: Change) -> str:
        """A kind of part that was changed on several airframes has other serial numbers on each of them."""
        items = tuple(
            replace(item, before="", after="") if self._differs(finding, item) else item
            for item in change.items
        )
        key = "since_fleet" if items == change.items else "since_fleet_parts"
        said = self.change(replace(change, items=items))
        return self.words.sentence(key, change=said, day=self.fmt.day(change.at))

    def _differs(self, finding: Finding, item: ChangeItem) -> bool:
        theirs = {
            (other.before, other.after)
            for name in finding.airframes
            for change in self.changes.get(name, ())
            for other in change.items
            if (other.kind, other.part) == (item.kind, item.part)
        }
        return item.kind not in SAME_EVERYWHERE and len(theirs) > 1

    def started_at(self, finding: Finding) -> datetime:
        """When what the finding speaks of began: its change, else the first flight after the step."""
        if finding.change is not None:
            return finding.change.at
        series = self.series_of(finding)
        if series is not None and 0 < finding.flights_after <= len(series.points):
            return series.points[-finding.flights_after].at
        return finding.opened_at

    def series_of(self, finding: Finding) -> Series | None:
        """The series a finding speaks of; None for pooled findings and where it is not at hand."""
        if finding.scope == "fleet" or not finding.airframes:
            return None
        return self.series.get((finding.airframes[0], finding.metric, finding.context))

    def margin(self, finding: Finding) -> float:
        """What matters, in the metric's unit; 0 when not known."""
        series = self.series_of(finding)
        if series is not None:
            return series.matters
        for (_, metric, context), other in self.series.items():
            if (metric, context) == (finding.metric, finding.context):
                return other.matters
        return 0.0

    def flights_sentence(self, finding: Finding) -> str:
        """How many flights stand behind it."""
        before, after = finding.flights_before, finding.flights_after
        if finding.kind == "condition_of_flight":
            return self.words.sentence("flights_seen", n=after) if after > 1 else ""
        if finding.kind == "drift":
            return self.words.sentence("flights_drift", n=before + after)
        if before == after:
            return self.words.sentence("flights_each", n=before)
        name = "flights_sides_one" if before == 1 else "flights_sides"
        return self.words.sentence(name, before=before, after=after)


def said_item(item: ChangeItem, words: Words) -> str:
    """`elevator servo, S-11 to S-12`."""
    kind = words.code("change_kind", item.kind)
    part = plain(item.part)
    before, after = _told(item)
    if part and kind.lower() in part.lower():
        kind, part = part, ""
    shown_part = words.sentence("part_of_kind", part=part) if part else ""
    if before and after:
        return words.sentence("item_change", kind=kind, part=shown_part, before=before, after=after)
    if after:
        return words.sentence("item_change_after", kind=kind, part=shown_part, after=after)
    return words.sentence("item_change_bare", kind=kind, part=shown_part)


def said_items(items: Sequence[ChangeItem], words: Words) -> str:
    """Things done together, in one clause."""
    said = [said_item(item, words) for item in items]
    if not said:
        return words.code("change_kind", "other")
    if len(said) == 1:
        return said[0]
    if len(said) == MAX_ITEMS_NAMED:
        return words.sentence("two_changes", first=said[0], second=said[1])
    return words.sentence("several", first=said[0], n=len(said) - 1)


def _told(item: ChangeItem) -> tuple[str, str]:
    """Before and after as text: a setting that the log holds as 0.78487337 is told as 0.7849.

    Never so short that the two look alike; what a person wrote stands as written.
    """
    before, after = plain(item.before), plain(item.after)
    if item.kind != "parameters" or item.documented:
        return before, after
    try:
        numbers = float(before), float(after)
    except ValueError:
        return before, after
    if any(abs(one) >= MOST_TOLD for one in numbers):
        return before, after
    first, second = (f"{one:.{DIGITS_TOLD}g}" for one in numbers)
    return (first, second) if first != second else (before, after)


def make_teller(
    *,
    language: str,
    units: UnitSystem,
    time_zone: str,
    metrics: Mapping[str, MetricWords],
    links: Links,
    series: Iterable[Series] = (),
    changes: Iterable[Change] = (),
) -> Teller:
    """A teller with its look-ups built."""
    words = load_words(language)
    by_airframe: dict[str, list[Change]] = {}
    for change in changes:
        by_airframe.setdefault(change.airframe, []).append(change)
    return Teller(
        words=words,
        fmt=Formatter(words, units, ZoneInfo(time_zone)),
        metrics=metrics,
        links=links,
        series={(one.airframe, one.metric, one.context): one for one in series},
        changes={
            name: tuple(sorted(those, key=lambda change: (change.first_order, change.id)))
            for name, those in by_airframe.items()
        },
    )


def capital(text: str) -> str:
    """The text with a capital first letter, the rest untouched.

    >>> capital("altitude held")
    'Altitude held'
    """
    return text[:1].upper() + text[1:]
