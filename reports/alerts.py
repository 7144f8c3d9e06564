"""The words of an alert: subject, plain text and HTML of one mail about one finding."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from trimkeep.detectors.history.model import Change, Finding, Series
from trimkeep.reports.compose_pages import teller_for
from trimkeep.reports.entries import entry_view
from trimkeep.reports.foreign import plain
from trimkeep.reports.page_inputs import Setting
from trimkeep.reports.page_views import AlertView
from trimkeep.reports.plots import trend_png
from trimkeep.reports.render import render_fragment
from trimkeep.reports.views import CheckView, EntryView
from trimkeep.reports.wording import Words

MAX_SUBJECT = 150


@dataclass(frozen=True, slots=True)
class AlertText:
    """One mail: `images` are PNG by content id, referred to from the HTML part."""

    subject: str
    text: str
    html: str
    images: tuple[tuple[str, bytes], ...] = ()


def compose_alert(
    finding: Finding,
    setting: Setting,
    *,
    series: Iterable[Series] = (),
    changes: Iterable[Change] = (),
    also: tuple[Finding, ...] = (),
) -> AlertText:
    """The mail about a finding that became worse, or a hazard that was seen.

    Parameters
    ----------
    finding : Finding
    setting : Setting
        Fleet, units, zone, clock.
    series, changes : iterables
        Those of the finding's airframe; with its series the mail carries the plot.
    also : tuple of Finding
        Less grave findings about the same change, told under it.

    Returns
    -------
    AlertText
        Same input, same bytes; the subject is one line.
    """
    teller = teller_for(setting, series, changes)
    words = teller.words
    entry = entry_view((finding, *also), teller)
    names = ", ".join(plain(name) for name in finding.airframes)
    subject = words.sentence(
        "alert_subject", airframe=names, verdict=entry.verdict_word.lower(), headline=entry.headline
    )
    image = "trend.png" if entry.trend else ""
    closing = words.sentence(
        "alert_closing", fleet=plain(setting.fleet_name), moment=teller.fmt.moment(setting.now)
    )
    view = AlertView(
        language=str(words.table["page"]["language"]),
        direction=str(words.table["page"]["direction"]),
        title=subject,
        fleet=plain(setting.fleet_name),
        entry=entry,
        image=image,
        checks=_checks(entry),
        closing=closing,
    )
    return AlertText(
        subject=subject if len(subject) <= MAX_SUBJECT else subject[: MAX_SUBJECT - 1] + "…",
        text=_as_text(entry, names, closing, words),
        html=render_fragment("alert.html", view, view.language),
        images=((image, trend_png(entry.trend, words.text("flight_axis"))),) if entry.trend else (),
    )


def _checks(entry: EntryView) -> tuple[CheckView, ...]:
    """What to do next: look for the likeliest cause, tell apart what was done together."""
    first = entry.causes[0].check if entry.causes else None
    return tuple(check for check in (first, entry.tell_apart) if check is not None)


def _as_text(entry: EntryView, names: str, closing: str, words: Words) -> str:
    lines = [f"{names}: {entry.headline}.", entry.since, " ".join(entry.size), ""]
    if entry.also:
        lines.append(f"{words.text('also')}:")
        lines += [f"- {one.headline}. {one.size}".rstrip() for one in entry.also]
        lines.append("")
    if entry.causes:
        lines.append(f"{words.text('likely_causes')}:")
        for cause in entry.causes:
            lines.append(f"- {cause.name} ({cause.likely})")
            if cause.speaks_for:
                lines.append(f"  {words.text('speaks_for')}: {'; '.join(cause.speaks_for)}")
            if cause.speaks_against:
                lines.append(f"  {words.text('speaks_against')}: {'; '.join(cause.speaks_against)}")
    for check in _checks(entry):
        lines += ["", f"{words.text('next_check')}: {check.text}"]
        lines.append(f"{check.caution_title}: {check.caution} {check.defer}")
    lines += ["", closing]
    return "\n".join(line for index, line in enumerate(lines) if line or (index and lines[index - 1])) + "\n"
