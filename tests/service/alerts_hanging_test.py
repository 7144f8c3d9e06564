"""Servers that hang and clocks that jump: the message waits for the next try, and nothing else is held up."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.service.alert_servers import Mailbox, free_port, mail_server
from tests.service.alerts_test import by_mail, lines, with_alerts
from tests.service.told_fleet import NOW, judged, told_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service import bounded, mail, outbox, webhook
from trimkeep.service.alerts import raise_alerts
from trimkeep.service.message import Message
from trimkeep.service.outbox import deliver
from trimkeep.service.store.connection import Store
from trimkeep.service.store.outbox import load_outbox

Told = tuple[FleetSettings, Store]
Behave = Callable[[socket.socket, threading.Event], None]
# The limits in some hundredths of the time: of silence, and of a whole try.
SILENCE_S, WHOLE_TRY_S = 0.1, 0.4


@pytest.fixture
def told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Told:
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(bounded, "WHOLE_TRY_S", WHOLE_TRY_S)
    return told_fleet(tmp_path)


@contextmanager
def hanging_server(behave: Behave) -> Iterator[int]:
    """A server on loopback that takes connections and then behaves so; its port."""
    stop = threading.Event()
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(0.05)

    def serve() -> None:
        while not stop.is_set():
            with suppress(OSError):
                connection, _ = listener.accept()
                with connection:
                    behave(connection, stop)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        stop.set()
        thread.join()
        listener.close()


def say_nothing(connection: socket.socket, stop: threading.Event) -> None:
    stop.wait(60.0)


def drip(connection: socket.socket, stop: threading.Event) -> None:
    """A byte at a time, never a line's end: there is no silence to be noticed."""
    with suppress(OSError):
        while not stop.wait(0.02):
            connection.sendall(b"2")


def drip_headers(connection: socket.socket, stop: threading.Event) -> None:
    with suppress(OSError):
        connection.sendall(b"HTTP/1.1 200 OK\r\n")
        while not stop.wait(0.02):
            connection.sendall(b"X-Slow: 1\r\n")


@pytest.mark.parametrize("silence_s", [SILENCE_S, 30.0])
@pytest.mark.parametrize("behave", [say_nothing, drip])
def test_a_mail_server_that_hangs(
    told: Told, behave: Behave, silence_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mail, "TIMEOUT_S", silence_s)
    with hanging_server(behave) as port:
        fleet, store = with_alerts(by_mail(told[0], port), file="alerts.jsonl"), told[1]
        raise_alerts(store, fleet, judged(store), NOW)
        done = deliver(store, fleet, NOW)
    assert (done.sent, done.failed) == (1, 1), "the file has it, the mail waits"
    assert len(lines(fleet)) == 1
    [row] = [one for one in load_outbox(store) if one.channel == "mail"]
    assert row.state == "failing" and row.last_error
    # A server that works may take its time, on a busy machine.
    monkeypatch.setattr(mail, "TIMEOUT_S", 30.0)
    monkeypatch.setattr(bounded, "WHOLE_TRY_S", 30.0)
    box = Mailbox()
    with mail_server(box, port):
        assert deliver(store, fleet, row.due_at).sent == 1
    assert len(box.mails) == 1


@pytest.mark.parametrize("silence_s", [SILENCE_S, 30.0])
@pytest.mark.parametrize("behave", [say_nothing, drip])
def test_a_web_server_that_hangs(
    told: Told, behave: Behave, silence_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(webhook, "TIMEOUT_S", silence_s)
    with hanging_server(behave) as port:
        fleet, store = with_alerts(told[0], webhook_url=f"http://127.0.0.1:{port}/"), told[1]
        raise_alerts(store, fleet, judged(store), NOW)
        assert deliver(store, fleet, NOW).failed == 1
    [row] = load_outbox(store)
    assert row.state == "failing" and row.last_error


def test_a_web_server_that_takes_it_and_never_ends_its_answer(
    told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The status came, and it is that which says whether it was taken."""
    monkeypatch.setattr(bounded, "WHOLE_TRY_S", 1.0)
    with hanging_server(drip_headers) as port:
        fleet, store = with_alerts(told[0], webhook_url=f"http://127.0.0.1:{port}/"), told[1]
        raise_alerts(store, fleet, judged(store), NOW)
        assert deliver(store, fleet, NOW).sent == 1


def test_a_round_that_takes_too_long_leaves_the_rest_to_the_next(
    told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the later messages' lease would run out before their turn, and another process would send them."""
    monkeypatch.setattr(outbox, "LEASE", timedelta(seconds=0.5))
    fleet, store = with_alerts(by_mail(told[0], 1), file="alerts.jsonl"), told[1]
    raise_alerts(store, fleet, judged(store), NOW)

    def slow(message: Message, fleet: FleetSettings, now: datetime) -> None:
        time.sleep(0.3)

    senders = {"mail": slow, "file": slow}
    assert deliver(store, fleet, NOW, senders).sent == 1
    assert deliver(store, fleet, NOW + timedelta(seconds=3), senders).sent == 1
    assert {row.state for row in load_outbox(store)} == {"sent"}


@pytest.mark.parametrize("years", [-20, 20])
def test_a_clock_that_was_years_off_when_a_try_failed(told: Told, years: int) -> None:
    """Set right again, the message is not put off until the year that the clock then showed."""
    wrong = NOW + timedelta(days=365 * years)
    box, port = Mailbox(), free_port()
    fleet, store = by_mail(told[0], port), told[1]
    raise_alerts(store, fleet, judged(store), NOW)
    done = deliver(store, fleet, wrong)
    assert (done.failed, done.given_up) == (1, 0)
    with mail_server(box, port):
        assert deliver(store, fleet, NOW + timedelta(minutes=1)).sent == 1
        assert deliver(store, fleet, NOW + timedelta(minutes=2)).sent == 0
    assert len(box.mails) == 1
