"""Scenes of judging, of the pages and digests that tell of it, and of alerts."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.crash.later_child import NOW
from tests.crash.later_child import act as act_later
from tests.crash.scene import (
    OF_CHAIN,
    OF_CHAIN_UNORDERED,
    Scene,
    Setting,
    assert_sound,
    files_in,
    fleet_of,
    rows,
)
from tests.crash.scenes_of_logs import forked_pool, make_arrived
from tests.crash.undisturbed import CONTENT as OF_LOGS
from tests.service.small_logs import TOOLS
from tests.service.synthetic_store import airframe_name, fill
from tests.service.told_fleet import judged, told_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.alerts import raise_alerts
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.judging import judge
from trimkeep.service.outbox import LEASE, deliver
from trimkeep.service.pages import write_pages
from trimkeep.service.store.connection import Store, open_store, unit_of_work
from trimkeep.service.watching import Aftermath

FLIGHTS = 10
# What a judging says is dated by its own clock, which stands still here; where a page lies holds the
# run's own folder.
OF_JUDGING = {
    "finding": "*",
    "finding_event": "*",
    "fleet_model": "*",
    "change_evidence": "*",
    "judging": "*",
}
OF_DIGESTS = {"digest": "* EXCLUDE (path, chain_head)"}
OF_ALERTS = {"alert": "*", "outbox": "key, channel, urgent, queued_at, given_up_at, last_error, body"}
NOW_OF_ALERTS = datetime(2026, 3, 20, 8, tzinfo=UTC)
RECEIVED = "received.jsonl"


def make_flown(folder: Path) -> None:
    (folder / "fleet" / airframe_name(0)).mkdir(parents=True)
    fill(open_store(fleet_of(folder).state), 1, FLIGHTS)


def _judge(folder: Path, setting: Setting) -> None:
    fleet = fleet_of(folder)
    judge(open_store(fleet.state), fleet, NOW)


def _judged(folder: Path) -> dict[str, Any]:
    state = fleet_of(folder).state
    assert_sound(state, read_all=False)
    return rows(state, OF_JUDGING, OF_CHAIN)


def _make_judged(folder: Path) -> None:
    make_flown(folder)
    _judge(folder, Setting("", 0))


def _write_pages(folder: Path, setting: Setting) -> None:
    fleet = fleet_of(folder)
    store = open_store(fleet.state)
    write_pages(store, fleet, judge(store, fleet, NOW), NOW)


def _make_paged(folder: Path) -> None:
    _make_judged(folder)
    _write_pages(folder, Setting("", 0))


def _make_digest(folder: Path, setting: Setting) -> None:
    act_later(fleet_of(folder), "digest")


def _told(folder: Path) -> dict[str, Any]:
    fleet = fleet_of(folder)
    assert_sound(fleet.state, read_all=False)
    found = rows(fleet.state, OF_JUDGING, OF_DIGESTS, OF_CHAIN)
    return {**found, "pages": files_in(fleet.output)}


def _read_and_follow(folder: Path, setting: Setting) -> None:
    fleet = fleet_of(folder)
    report = ingest_fleet(fleet, workers=2, tools=TOOLS, pool=forked_pool)
    Aftermath(open_store(fleet.state), fleet).after_logs(NOW, report.airframes)


def _followed(folder: Path) -> dict[str, Any]:
    fleet = fleet_of(folder)
    assert_sound(fleet.state, read_all=True)
    found = rows(fleet.state, OF_LOGS, OF_JUDGING, OF_CHAIN_UNORDERED)
    # Judged after some logs and again after all: the numbers of the last judging count, not when it was.
    found["judging"] = [row[:1] for row in found["judging"]]
    return {**found, "pages": [name for name, _ in files_in(fleet.output)]}


def _make_told(folder: Path) -> None:
    fleet, store = told_fleet(folder)
    judged(store)
    (fleet.folder / "fleet.toml").write_text("")


def _alert(folder: Path, setting: Setting) -> None:
    """Raise and deliver; every run comes later than the last one's hold on its messages."""
    fleet = _alerting(folder, setting.web)
    store = open_store(fleet.state)
    raise_alerts(store, fleet, judged(store), NOW_OF_ALERTS)
    deliver(store, fleet, NOW_OF_ALERTS + (setting.attempt + 1) * 2 * LEASE)


def _alerting(folder: Path, web: str) -> FleetSettings:
    fleet = fleet_of(folder)
    alerts = fleet.settings.alerts
    # The receiver keeps what comes in a file of this run's folder.
    webhook = replace(alerts.webhook, url=f"{web}{folder}")
    changed = replace(alerts, file="alerts.jsonl", webhook=webhook)
    return replace(fleet, settings=replace(fleet.settings, alerts=changed))


def _alerted(folder: Path) -> dict[str, Any]:
    """Each message once in the file; at the web server once for each key, however often it came."""
    fleet = fleet_of(folder)
    store = Store(fleet.state)
    assert_sound(fleet.state, read_all=True)
    with unit_of_work(store) as connection:
        [left] = connection.execute("SELECT count(*) FROM outbox WHERE sent_at IS NULL").fetchall()
    assert left == (0,), "a message was not sent"
    lines = [json.loads(line) for line in (fleet.folder / "alerts.jsonl").read_text().splitlines()]
    posts = [json.loads(line) for line in (folder / RECEIVED).read_text().splitlines()]
    by_key = dict(posts)
    assert len(lines) == len({line["key"] for line in lines}), "a line came twice"
    assert all(by_key[key] == body for key, body in posts), "one key, two texts"
    return {**rows(fleet.state, OF_ALERTS), "lines": lines, "posts": sorted(by_key.items())}


SCENES = (
    Scene("judging", make_flown, _judge, _judged, share=4),
    Scene("writing pages", _make_judged, _write_pages, _told, share=2),
    Scene("writing a digest", _make_paged, _make_digest, _told, share=2),
    Scene("logs and what follows", make_arrived, _read_and_follow, _followed, share=2),
    Scene("alerts", _make_told, _alert, _alerted, share=4),
)
