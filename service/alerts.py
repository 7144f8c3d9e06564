"""What is worth an alert: a finding once, and again only when it grew materially worse.

Findings about one change on one airframe that are new together are told in one message: the gravest
speaks, the others stand under it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.metadata import version

from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Finding, Series, Verdict
from trimkeep.reports.alerts import compose_alert
from trimkeep.reports.entries import group
from trimkeep.reports.inputs import metric_words
from trimkeep.reports.page_inputs import Setting
from trimkeep.reports.teller import make_teller
from trimkeep.service.finding_json import public_finding
from trimkeep.service.judging import Judgement
from trimkeep.service.message import Message, message_to_json
from trimkeep.service.page_books import SPECS
from trimkeep.service.senders import channels_of
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import load_findings, load_last_returns
from trimkeep.service.store.outbox import AlertRow, load_last_alerts, queue_messages

ALERTING = frozenset({Verdict.WORSE, Verdict.ATTENTION})
# What comes and goes with every other flight is told once a week at most.
RETURN_AFTER = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class _Due:
    """A finding that is to be told, and why now."""

    finding: Finding
    reason: str
    number: int
    size: float


def raise_alerts(
    store: Store, fleet: FleetSettings, judgement: Judgement, now: datetime
) -> tuple[AlertRow, ...]:
    """Put what is new into the outbox; nothing is sent yet.

    Parameters
    ----------
    store, fleet
    judgement : Judgement
        Of the moment; its findings are in the store.
    now : datetime
        Aware.

    Returns
    -------
    tuple of AlertRow
        Those raised; empty when there is nothing new, or when another process was first.
    """
    due = _due(store, fleet, judgement, now)
    if not due:
        return ()
    setting = _setting(fleet, now)
    teller = make_teller(
        language=setting.language,
        units=setting.units,
        time_zone=setting.time_zone,
        metrics=setting.metrics,
        links=setting.links,
        series=judgement.series,
        changes=judgement.changes,
    )
    rows: list[AlertRow] = []
    messages: dict[str, str] = {}
    urgent: set[str] = set()
    for those in group([one.finding for one in due.values()], teller):
        lead = due[those[0].id]
        key = f"{lead.finding.id}.{lead.number}"
        rows += [
            AlertRow(one.finding.id, one.number, one.reason, now, one.size, key)
            for one in (due[finding.id] for finding in those)
        ]
        messages[key] = message_to_json(_message(key, those, lead.reason, setting, judgement))
        if lead.finding.verdict is Verdict.ATTENTION:
            urgent.add(key)
    channels = channels_of(fleet)
    queued = queue_messages(store, rows, messages, channels, frozenset(urgent), now)
    return tuple(rows) if queued else ()


def _due(store: Store, fleet: FleetSettings, judgement: Judgement, now: datetime) -> dict[str, _Due]:
    settings = fleet.settings.alerts
    last = load_last_alerts(store)
    teller_series = {(one.airframe, one.metric, one.context): one for one in judgement.series}
    returns = load_last_returns(store)
    found: dict[str, _Due] = {}
    judged = None if judgement.whole else {one.airframe for one in judgement.series}
    for finding in load_findings(store, airframes=judged):
        told_of = finding.verdict in ALERTING and finding.tier.value in settings.tiers
        fresh = _shown_last(finding, teller_series) >= now - timedelta(days=settings.newest_days)
        if not told_of or not fresh or finding.status not in ("open", "acknowledged"):
            continue
        size, matters = _size(finding, teller_series)
        before = last.get(finding.id)
        if before is None:
            # One that was acknowledged before any alert has been seen already.
            reason = "first" if finding.status == "open" else ""
        elif matters > 0.0 and size - before.size >= settings.again_after * matters:
            reason = "grew"
        else:
            reason = "returned" if _came_back(finding, before, returns) else ""
        if reason:
            number = 1 if before is None else before.number + 1
            found[finding.id] = _Due(finding, reason, number, size)
    return found


def _came_back(finding: Finding, before: AlertRow, returns: Mapping[str, datetime]) -> bool:
    """Whether it was gone and is said again, long enough after it was last told."""
    back = returns.get(finding.id)
    return back is not None and back >= before.raised_at + RETURN_AFTER


def _series_of(finding: Finding, series: dict[tuple[str, str, str], Series]) -> list[Series]:
    keys = [(name, finding.metric, finding.context) for name in finding.airframes]
    return [series[key] for key in keys if key in series and series[key].points]


def _shown_last(finding: Finding, series: dict[tuple[str, str, str], Series]) -> datetime:
    """The newest flight behind the finding."""
    return max((one.points[-1].at for one in _series_of(finding, series)), default=finding.updated_at)


def _size(finding: Finding, series: dict[tuple[str, str, str], Series]) -> tuple[float, float]:
    """How bad it is, larger is worse, and what matters; both in the metric's unit."""
    own = _series_of(finding, series)
    matters = own[0].matters if own else 0.0
    if finding.effect is not None and finding.verdict is not Verdict.ATTENTION:
        return abs(finding.effect.difference), matters
    if not own:
        return 0.0, 0.0
    shown = [point.value for point in own[0].points if point.flight_id in finding.evidence_flights]
    value = shown[-1] if shown else own[0].points[-1].value
    worse_is_less = own[0].better == "higher"
    return (-value if worse_is_less else abs(value)), matters


def _setting(fleet: FleetSettings, now: datetime) -> Setting:
    return Setting(
        fleet_name=fleet.name,
        time_zone=fleet.time_zone,
        units="imperial" if fleet.units == "imperial" else "metric",
        now=now,
        metrics=metric_words(SPECS),
        versions={"trimkeep": version("trimkeep")},
    )


def _message(
    key: str, those: tuple[Finding, ...], reason: str, setting: Setting, judgement: Judgement
) -> Message:
    names = set(those[0].airframes)
    text = compose_alert(
        those[0],
        setting,
        series=[one for one in judgement.series if one.airframe in names],
        changes=[one for one in judgement.changes if one.airframe in names],
        also=those[1:],
    )
    return Message(
        key=key,
        fleet=setting.fleet_name,
        raised_at=setting.now,
        reason=reason,
        subject=text.subject,
        text=text.text,
        html=text.html,
        images=text.images,
        findings=json.dumps([public_finding(one) for one in those], sort_keys=True),
    )


def trial_message(fleet: FleetSettings, now: datetime) -> Message:
    """A message that only shows that alerts arrive."""
    said = f"This is a trial of the alerts of {fleet.name}. Nothing is wrong with any aeroplane."
    return Message(
        key=f"trial.{now:%Y%m%dT%H%M%S%f}",
        fleet=fleet.name,
        raised_at=now,
        reason="trial",
        subject=f"Trial of the alerts of {' '.join(fleet.name.split())}",
        text=said + "\n",
        html="",
        images=(),
        findings="[]",
    )
