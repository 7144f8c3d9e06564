"""Alerts and the messages that carry them: written together, delivered from here, never lost or doubled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import Row, aware, from_store, readable, to_store


@dataclass(frozen=True, slots=True)
class AlertRow:
    """One alert that was raised. `size`: how bad it was, in the metric's unit; `message`: what told it."""

    finding_id: str
    number: int
    reason: str
    raised_at: datetime
    size: float
    message: str

    @property
    def key(self) -> str:
        """Finding and number."""
        return f"{self.finding_id}.{self.number}"


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """One message on one channel. `body` is JSON, as worded when it was raised."""

    key: str
    channel: str
    urgent: bool
    queued_at: datetime
    due_at: datetime
    attempts: int
    sent_at: datetime | None
    given_up_at: datetime | None
    last_error: str
    body: str

    @property
    def state(self) -> str:
        """`sent`, `given up`, `waiting` or `failing`."""
        if self.sent_at is not None:
            return "sent"
        if self.given_up_at is not None:
            return "given up"
        return "failing" if self.attempts else "waiting"


_INSERT_ALERT = "INSERT INTO alert VALUES (?, ?, ?, ?, ?, ?, ?)"
_INSERT_MESSAGE = "INSERT INTO outbox VALUES (?, ?, ?, ?, ?, 0, NULL, NULL, '', ?)"
_KNOWN = "SELECT key FROM alert"


def queue_messages(
    store: Store,
    alerts: Sequence[AlertRow],
    messages: Mapping[str, str],
    channels: Sequence[str],
    urgent: frozenset[str],
    at: datetime,
) -> bool:
    """Write alerts and their messages in one transaction.

    Parameters
    ----------
    store : Store
    alerts : sequence of AlertRow
    messages : mapping of str to str
        Body of each message by its key.
    channels : sequence of str
        Every message goes out by each of these; with none, the alerts are noted as raised and that is all.
    urgent : frozenset of str
        Keys of messages about hazards.
    at : datetime
        Aware.

    Returns
    -------
    bool
        False when another process has raised one of these meanwhile; nothing is written then.
    """
    with unit_of_work(store) as connection:
        known = {row[0] for row in connection.execute(_KNOWN).fetchall()}
        if known & {alert.key for alert in alerts}:
            return False
        for alert in alerts:
            connection.execute(
                _INSERT_ALERT,
                [
                    alert.key,
                    alert.finding_id,
                    alert.number,
                    alert.reason,
                    to_store(alert.raised_at),
                    alert.size,
                    alert.message,
                ],
            )
        for key, body in messages.items():
            for channel in channels:
                moment = to_store(at)
                connection.execute(
                    _INSERT_MESSAGE, [key, channel, key in urgent, moment, moment, readable(body)]
                )
    return True


_LAST_ALERTS = """
SELECT finding_id, number, reason, raised_at, size, message FROM alert
QUALIFY row_number() OVER (PARTITION BY finding_id ORDER BY number DESC) = 1
"""
_ALL_ALERTS = "SELECT finding_id, number, reason, raised_at, size, message FROM alert ORDER BY raised_at, key"


def load_last_alerts(store: Store) -> dict[str, AlertRow]:
    """The newest alert of each finding that had one."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_LAST_ALERTS).fetchall()
    return {row[0]: _alert(row) for row in rows}


def load_alerts(store: Store) -> tuple[AlertRow, ...]:
    """Every alert, oldest first."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_ALL_ALERTS).fetchall()
    return tuple(_alert(row) for row in rows)


def _alert(row: Row) -> AlertRow:
    finding_id, number, reason, raised_at, size, message = row
    return AlertRow(finding_id, number, reason, aware(raised_at), size, message)


_COLUMNS = "key, channel, urgent, queued_at, due_at, attempts, sent_at, given_up_at, last_error, body"
_DUE = f"""
SELECT {_COLUMNS} FROM outbox
WHERE sent_at IS NULL AND given_up_at IS NULL AND (due_at <= ? OR due_at > ?) AND (urgent OR ?)
ORDER BY queued_at, key, channel
"""
_CLAIM = "UPDATE outbox SET attempts = attempts + 1, due_at = ? WHERE key = ? AND channel = ?"


def claim_due(
    store: Store, now: datetime, lease: timedelta, *, longest_wait: timedelta, only_urgent: bool
) -> list[OutboxRow]:
    """Messages whose time has come, taken so that no other process tries them meanwhile.

    Each is counted as tried and put off by `lease` before the try: a crash in the middle leaves it to be
    tried again after that, under the same key. One that was put off for longer than anything is, was put
    off by a clock that stood too far ahead, and is due.
    """
    with unit_of_work(store) as connection:
        latest = now + max(lease, longest_wait)
        rows = connection.execute(_DUE, [to_store(now), to_store(latest), not only_urgent]).fetchall()
        claimed = [_message(row) for row in rows]
        for one in claimed:
            connection.execute(_CLAIM, [to_store(now + lease), one.key, one.channel])
    return claimed


_SENT = "UPDATE outbox SET sent_at = ?, last_error = '' WHERE key = ? AND channel = ?"
_FAILED = "UPDATE outbox SET last_error = ?, due_at = ?, given_up_at = ? WHERE key = ? AND channel = ?"
_ALL = f"SELECT {_COLUMNS} FROM outbox ORDER BY queued_at, key, channel"
_NEXT = "SELECT min(due_at) FROM outbox WHERE sent_at IS NULL AND given_up_at IS NULL"


def mark_sent(store: Store, message: OutboxRow, at: datetime) -> None:
    """The other side has taken it."""
    with unit_of_work(store) as connection:
        connection.execute(_SENT, [to_store(at), message.key, message.channel])


def mark_failed(
    store: Store, message: OutboxRow, error: str, *, due_at: datetime, given_up_at: datetime | None
) -> None:
    """A try came to nothing; the next is at `due_at`, or never once it is given up."""
    with unit_of_work(store) as connection:
        values = [readable(error), to_store(due_at), to_store(given_up_at), message.key, message.channel]
        connection.execute(_FAILED, values)


def load_outbox(store: Store) -> tuple[OutboxRow, ...]:
    """Every message, oldest first."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_ALL).fetchall()
    return tuple(_message(row) for row in rows)


def next_due(store: Store) -> datetime | None:
    """When the next message is to be tried; None when nothing waits."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_NEXT).fetchall()
    return from_store(rows[0][0])


def _message(row: Row) -> OutboxRow:
    key, channel, urgent, queued_at, due_at, attempts, sent_at, given_up_at, error, body = row
    return OutboxRow(
        key,
        channel,
        urgent,
        aware(queued_at),
        aware(due_at),
        attempts,
        from_store(sent_at),
        from_store(given_up_at),
        error,
        body,
    )
