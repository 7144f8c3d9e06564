"""Alerts: one for each finding, again only when it grew; each arrives exactly once, whatever is down."""

from __future__ import annotations

import hashlib
import hmac
import json
import shutil
import ssl
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest

from tests.service.alert_servers import Mailbox, free_port, mail_server, web_server
from tests.service.told_fleet import NOW, fly, judged, quiet, told_fleet
from trimkeep.config.alerting import AlertSettings
from trimkeep.config.errors import SettingsError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Effect, Tier
from trimkeep.service.alerts import raise_alerts, trial_message
from trimkeep.service.message import message_from_json, message_to_json
from trimkeep.service.outbox import LEASE, deliver, waits
from trimkeep.service.quiet import is_quiet
from trimkeep.service.senders import SENDERS, append_line
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import answer_finding, load_findings
from trimkeep.service.store.mutes import lift_mutes, set_mute_end
from trimkeep.service.store.outbox import load_alerts, load_outbox, next_due
from trimkeep.service.watching import Aftermath

MINUTE = timedelta(minutes=1)
Told = tuple[FleetSettings, Store]


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def told(tmp_path: Path) -> Told:
    return told_fleet(tmp_path)


def with_alerts(fleet: FleetSettings, **changed: object) -> FleetSettings:
    """The fleet with other alert settings; `mail_*` and `webhook_*` go to their tables."""
    alerts = fleet.settings.alerts
    for table in ("mail", "webhook"):
        own = {
            key.removeprefix(f"{table}_"): changed.pop(key)
            for key in list(changed)
            if key.startswith(f"{table}_")
        }
        alerts = replace(alerts, **{table: replace(getattr(alerts, table), **own)})  # type: ignore[arg-type]
    alerts = replace(alerts, **changed)  # type: ignore[arg-type]
    return replace(fleet, settings=replace(fleet.settings, alerts=alerts))


def by_mail(fleet: FleetSettings, port: int, **changed: object) -> FleetSettings:
    return with_alerts(
        fleet,
        mail_host="127.0.0.1",
        mail_port=port,
        mail_security="none",
        mail_sender="trimkeep@example.org",
        mail_recipients=("officer@example.org", "engineer@example.org"),
        **changed,
    )


def lines(fleet: FleetSettings) -> list[dict[str, object]]:
    path = fleet.folder / fleet.settings.alerts.file
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


# --- what is worth one ---


def test_one_alert_for_each_finding_not_for_each_flight(told: Told) -> None:
    fleet, store = with_alerts(told[0], file="alerts.jsonl"), told[1]
    assert [one.reason for one in raise_alerts(store, fleet, judged(store), NOW)] == ["first"]
    fly(fleet, 6, 2.0)
    assert raise_alerts(store, fleet, judged(store), NOW + MINUTE) == ()
    assert deliver(store, fleet, NOW + MINUTE).sent == 1
    assert deliver(store, fleet, NOW + MINUTE).sent == 0
    [line] = lines(fleet)
    assert line["reason"] == "first" and line["findings"][0]["verdict"] == "worse"  # type: ignore[index]


def test_it_alerts_again_only_when_it_grew_by_what_matters(told: Told) -> None:
    fleet, store = told
    raise_alerts(store, fleet, judged(store), NOW)
    # 0.5 m is what matters of the altitude error; the effect was 1.0 m.
    slightly = Effect(5.0, 1.4, 0.7, 1.9, "m", 0.35, 1.75)
    assert raise_alerts(store, fleet, judged(store, effect=slightly), NOW) == ()
    much = Effect(5.0, 1.6, 0.7, 1.9, "m", 0.35, 1.95)
    [again] = raise_alerts(store, fleet, judged(store, effect=much), NOW)
    assert (again.reason, again.number) == ("grew", 2)
    # What it is measured against now is the second one.
    assert raise_alerts(store, fleet, judged(store, effect=replace(much, difference=2.0)), NOW) == ()
    assert [one.key for one in load_alerts(store)] == ["f1.1", "f1.2"]


@pytest.mark.parametrize("status", ["acknowledged", "muted", "resolved"])
def test_what_was_answered_is_not_told(told: Told, status: str) -> None:
    fleet, store = told
    judged(store)
    answer_finding(store, "f1", status, who="Ann", note="", at=NOW)  # type: ignore[arg-type]
    assert raise_alerts(store, fleet, judged(store), NOW) == ()


def test_what_was_acknowledged_is_told_when_it_grew(told: Told) -> None:
    fleet, store = told
    raise_alerts(store, fleet, judged(store), NOW)
    answer_finding(store, "f1", "acknowledged", who="Ann", note="", at=NOW)
    much = Effect(5.0, 1.6, 0.7, 1.9, "m", 0.35, 1.95)
    assert [one.reason for one in raise_alerts(store, fleet, judged(store, effect=much), NOW)] == ["grew"]


def test_tiers_and_old_news(told: Told) -> None:
    fleet, store = told
    assert raise_alerts(store, fleet, judged(store, tier=Tier.WATCH), NOW) == ()
    # The newest flight is of 6 March: by April it is no news.
    assert raise_alerts(store, fleet, judged(store), NOW + timedelta(days=14)) == ()
    both = with_alerts(fleet, tiers=("called", "watch"))
    assert len(raise_alerts(store, both, judged(store, tier=Tier.WATCH), NOW)) == 1


def test_what_comes_and_goes_is_told_again_after_a_week(told: Told) -> None:
    fleet, store = with_alerts(told[0], newest_days=100.0), told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    for days, expected in ((3, 0), (10, 1), (11, 0)):
        later = NOW + timedelta(days=days)
        quiet(store, later - MINUTE)
        assert len(raise_alerts(store, fleet, judged(store, later), later)) == expected, days


# --- mail ---


def test_a_mail_has_both_parts_and_the_pictures(told: Told) -> None:
    box, port = Mailbox(), free_port()
    fleet, store = by_mail(told[0], port), told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    with mail_server(box, port):
        assert deliver(store, fleet, NOW).sent == 1
    [mail] = box.mails
    assert mail["To"] == "officer@example.org, engineer@example.org"
    # A long subject is folded after its name; what is left of the fold is a space.
    assert mail["Subject"].strip().startswith("heron-01 worse: Altitude held within")
    assert mail["Date"].datetime == NOW
    text, html = mail.get_body(("plain",)), mail.get_body(("html",))
    assert isinstance(text, EmailMessage) and isinstance(html, EmailMessage)
    assert "Compare the attitude and altitude gains" in text.get_content()
    pictures = [part for part in mail.walk() if part.get_content_type() == "image/png"]
    assert pictures and all(part.get_content().startswith(b"\x89PNG") for part in pictures)
    for part in pictures:
        assert f"cid:{part['Content-ID'].strip('<>')}" in html.get_content()


def test_a_mail_server_that_is_down_three_times_gets_it_exactly_once(told: Told) -> None:
    box, port = Mailbox(), free_port()
    fleet, store = by_mail(told[0], port), told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    now = NOW
    for attempt, wait_s in ((1, 30), (2, 60), (3, 120)):
        assert deliver(store, fleet, now).failed == 1
        [row] = load_outbox(store)
        assert (row.attempts, row.due_at, row.state) == (attempt, now + timedelta(seconds=wait_s), "failing")
        assert "refused" in row.last_error
        # Before its time it is not tried.
        assert deliver(store, fleet, now + timedelta(seconds=wait_s - 1)).failed == 0
        now = row.due_at
    with mail_server(box, port):
        assert deliver(store, fleet, now).sent == 1
        for k in range(5):
            assert deliver(store, fleet, now + k * timedelta(days=1)).sent == 0
    assert len(box.mails) == 1
    assert next_due(store) is None


def test_a_mail_that_is_turned_away_is_tried_again(told: Told) -> None:
    box, port = Mailbox(refuse=3), free_port()
    fleet, store = by_mail(told[0], port), told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    with mail_server(box, port):
        done = [deliver(store, fleet, NOW + k * timedelta(hours=2)) for k in range(6)]
    assert [one.sent for one in done] == [0, 0, 0, 1, 0, 0]
    assert len(box.mails) == 1


def test_a_crash_between_sending_and_noting_repeats_the_same_message_id(told: Told) -> None:
    box, port = Mailbox(), free_port()
    fleet, store = by_mail(told[0], port), told[1]
    raise_alerts(store, fleet, judged(store), NOW)

    def then_die(message: object, fleet: FleetSettings, now: datetime) -> None:
        SENDERS["mail"](message, fleet, now)  # type: ignore[arg-type]
        raise KeyboardInterrupt

    with mail_server(box, port):
        with pytest.raises(KeyboardInterrupt):
            deliver(store, fleet, NOW, {"mail": then_die})
        assert deliver(store, fleet, NOW + MINUTE).sent == 0
        assert deliver(store, fleet, NOW + LEASE).sent == 1
    first, second = box.mails
    assert first["Message-ID"] == second["Message-ID"]


def test_a_protected_connection(told: Told, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl, which makes the certificate, is not installed")
    certificate, key = tmp_path / "c.pem", tmp_path / "k.pem"
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
         "-keyout", str(key), "-out", str(certificate)],
        check=True,
        capture_output=True,
    )  # fmt: skip
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    box, port = Mailbox(), free_port()
    plain, store = with_alerts(by_mail(told[0], port), mail_security="starttls"), told[1]
    raise_alerts(store, plain, judged(store), NOW)
    with mail_server(box, port, tls_context=context, require_starttls=True):
        # An authority that nobody knows is not trusted.
        assert deliver(store, plain, NOW).failed == 1
        assert "certificate" in load_outbox(store)[0].last_error.lower()
        trusting = with_alerts(plain, mail_authority_file=str(certificate))
        assert deliver(store, trusting, NOW + timedelta(hours=1)).sent == 1
    assert len(box.mails) == 1


def test_no_password_goes_out_unprotected(told: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet, store = by_mail(told[0], 25, mail_user="me"), told[1]
    far = with_alerts(fleet, mail_host="mail.example.org")
    monkeypatch.setenv("TRIMKEEP_MAIL_PASSWORD", "open sesame")
    raise_alerts(store, far, judged(store), NOW)
    deliver(store, far, NOW)
    [row] = load_outbox(store)
    assert "unprotected" in row.last_error and "sesame" not in row.last_error


# --- webhook and file ---


def test_a_webhook_is_signed_and_tried_again(told: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRIMKEEP_WEBHOOK_SECRET", "secret")
    store = told[1]
    with web_server([503, 500, 302]) as (url, got):
        fleet = with_alerts(told[0], webhook_url=url)
        raise_alerts(store, fleet, judged(store), NOW)
        done = [deliver(store, fleet, NOW + k * timedelta(hours=2)) for k in range(6)]
    assert [one.sent for one in done] == [0, 0, 0, 1, 0, 0]
    [post] = got
    body = json.loads(post.body)
    assert (body["schema"], body["key"], body["findings"][0]["id"]) == ("trimkeep-alert-1", "f1.1", "f1")
    assert post.headers["Idempotency-Key"] == "f1.1"
    signed = f"{post.headers['X-Trimkeep-Timestamp']}.".encode() + post.body
    expected = hmac.new(b"secret", signed, hashlib.sha256).hexdigest()
    assert post.headers["X-Trimkeep-Signature"] == f"sha256={expected}"


def test_the_file_has_each_alert_once_and_survives_half_a_line(told: Told, tmp_path: Path) -> None:
    message = trial_message(told[0], NOW)
    path = tmp_path / "deep" / "alerts.jsonl"
    append_line(path, message)
    append_line(path, message)
    assert len(path.read_text().splitlines()) == 1
    path.write_bytes(path.read_bytes()[:20])
    append_line(path, message)
    broken, whole = path.read_text().splitlines()
    assert json.loads(whole)["key"] == message.key and len(broken) == 20


def test_one_channel_that_is_down_does_not_hold_up_another(told: Told) -> None:
    fleet, store = by_mail(told[0], free_port(), file="alerts.jsonl"), told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    done = deliver(store, fleet, NOW)
    assert (done.sent, done.failed) == (1, 1)
    assert len(lines(fleet)) == 1


def test_two_services_deliver_a_message_once(told: Told) -> None:
    fleet, store = with_alerts(told[0], file="alerts.jsonl"), told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    sent: list[str] = []
    slow = {"file": lambda message, fleet, now: (sent.append(message.key), time.sleep(0.2))}
    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(lambda _: deliver(store, fleet, NOW, slow), range(4)))  # type: ignore[arg-type]
    assert sent == ["f1.1"]
    assert sum(one.sent for one in done) == 1


def test_what_never_arrives_is_given_up_and_said_so(told: Told, caplog: pytest.LogCaptureFixture) -> None:
    fleet, store = by_mail(told[0], free_port(), give_up_days=1.0), told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    for attempt in range(len(waits(fleet.settings.alerts))):
        assert deliver(store, fleet, NOW + attempt * timedelta(hours=2)).failed == 1
    assert deliver(store, fleet, NOW + timedelta(days=1)).given_up == 1
    assert deliver(store, fleet, NOW + timedelta(days=9)).given_up == 0
    assert load_outbox(store)[0].state == "given up"
    assert "given up" in caplog.text


def test_a_message_and_back() -> None:
    message = trial_message(FLEET_OF_ODD_NAMES, NOW)
    odd = replace(message, images=(("a.png", b"\x89PNG\x00\xff"),), text="ü\u202e\n", html="<p>&</p>")
    assert message_from_json(message_to_json(odd)) == odd
    assert "\n" not in message.subject


FLEET_OF_ODD_NAMES = FleetSettings(
    Path("/nowhere"),
    "two\nlines",
    "UTC",
    "metric",
    Path("/nowhere"),
    Path("/nowhere"),
    None,
    {},  # type: ignore[arg-type]
)


# --- when ---


@pytest.mark.parametrize(
    ("start", "end", "hour", "expected"),
    [
        ("", "", 3, False),
        ("22:00", "07:00", 23, True),
        ("22:00", "07:00", 6, True),
        ("22:00", "07:00", 7, False),
        ("22:00", "07:00", 21, False),
        ("12:00", "14:00", 13, True),
        ("12:00", "14:00", 14, False),
    ],
)
def test_quiet_hours_are_of_the_fleets_zone(start: str, end: str, hour: int, expected: bool) -> None:
    settings = AlertSettings(quiet_from=start, quiet_until=end)
    # Lisbon is an hour ahead of UTC in June.
    now = datetime(2026, 6, 1, hour, 0, tzinfo=UTC) - timedelta(hours=1)
    assert is_quiet(settings, "Europe/Lisbon", now) is expected


def test_wrong_quiet_hours_are_one_sentence() -> None:
    for settings in (
        AlertSettings(quiet_from="22:00"),
        AlertSettings(quiet_from="late", quiet_until="07:00"),
    ):
        with pytest.raises(SettingsError, match="setting alerts"):
            is_quiet(settings, "UTC", NOW)


def test_quiet_hours_hold_back_and_lose_nothing(told: Told) -> None:
    fleet = with_alerts(told[0], file="alerts.jsonl", quiet_from="07:00", quiet_until="09:30")
    store = told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    assert deliver(store, fleet, NOW).sent == 0
    assert load_outbox(store)[0].attempts == 0
    assert deliver(store, fleet, NOW + timedelta(hours=2)).sent == 1


def test_waits_double_up_to_the_longest() -> None:
    seconds = [one.total_seconds() for one in waits(AlertSettings(first_wait_s=30, longest_wait_s=200))]
    assert seconds == [30, 60, 120, 200]


# --- answers ---


def test_a_mute_ends_on_its_day(told: Told) -> None:
    _, store = told
    judged(store)
    answer_finding(store, "f1", "muted", who="Ann", note="parts ordered", at=NOW)
    set_mute_end(store, "f1", NOW + timedelta(days=2), NOW)
    assert lift_mutes(store, NOW + timedelta(days=1)) == ()
    assert lift_mutes(store, NOW + timedelta(days=2)) == ("f1",)
    assert load_findings(store)[0].status == "open"
    assert lift_mutes(store, NOW + timedelta(days=3)) == ()


def test_what_was_resolved_opens_when_a_later_flight_shows_it(told: Told) -> None:
    _, store = told
    judged(store)
    answer_finding(store, "f1", "resolved", who="Ann", note="new servo", at=NOW)
    judged(store, flights_after=4)
    judged(store, flights_after=5)
    assert load_findings(store)[0].status == "resolved"
    judged(store, updated_at=NOW + timedelta(days=1))
    assert load_findings(store)[0].status == "open"


# --- the watcher ---


def test_the_aftermath_of_a_log(told: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet, store = with_alerts(told[0], file="alerts.jsonl"), told[1]
    monkeypatch.setattr(
        "trimkeep.service.watching.judge_new", lambda store, fleet, now, fresh: judged(store, now)
    )
    after = Aftermath(store, fleet)
    assert after.after_logs(NOW).sent == 1
    assert after.after_logs(NOW).sent == 0
    assert (fleet.output / "pages" / "board.html").is_file()
    assert len(lines(fleet)) == 1
