"""Delivering what waits in the outbox: tried with growing waits, exactly one effect for each key."""

from __future__ import annotations

import logging
import smtplib
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from trimkeep.config.alerting import AlertSettings
from trimkeep.config.errors import TrimkeepError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.mail import PartlyRefused
from trimkeep.service.message import Message, message_from_json
from trimkeep.service.quiet import is_quiet
from trimkeep.service.senders import SENDERS, Sender
from trimkeep.service.store.connection import Store
from trimkeep.service.store.outbox import claim_due, mark_failed, mark_sent

log = logging.getLogger(__name__)

# Longer than any try can take (both senders give up after half a minute of silence, or two minutes in all):
# nobody else may begin while one is still under way.
LEASE = timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class Delivery:
    """What one round of delivering did: messages sent, put off and given up."""

    sent: int = 0
    failed: int = 0
    given_up: int = 0


def waits(settings: AlertSettings) -> tuple[timedelta, ...]:
    """Waits after the first, second, ... try: doubling up to the longest."""
    found = [min(settings.first_wait_s, settings.longest_wait_s)]
    while found[-1] < settings.longest_wait_s:
        found.append(min(2.0 * found[-1], settings.longest_wait_s))
    return tuple(timedelta(seconds=wait) for wait in found)


def deliver(
    store: Store, fleet: FleetSettings, now: datetime, senders: Mapping[str, Sender] = SENDERS
) -> Delivery:
    """Try every message whose time has come.

    A message is counted as tried and put off in the store before it is handed over, and noted as sent
    after: a crash between the two hands it over again, under the same key, which mail systems (Message-ID),
    webhook receivers (Idempotency-Key) and our own file tell apart from a new one.

    Parameters
    ----------
    store, fleet
    now : datetime
        Aware.
    senders : mapping of str to callable
        By channel.
    """
    settings = fleet.settings.alerts
    quiet = is_quiet(settings, fleet.time_zone, now)
    if quiet and not settings.hazards_break_quiet:
        return Delivery()
    pauses = waits(settings)
    sent = failed = given_up = 0
    began_s = time.monotonic()
    for message in claim_due(store, now, LEASE, longest_wait=pauses[-1], only_urgent=quiet):
        if time.monotonic() - began_s > LEASE.total_seconds() / 2.0:
            # The others' lease would run out before their turn; they are due again when it has.
            break
        error = try_now(message_from_json(message.body), message.channel, fleet, now, senders)
        if error is None:
            mark_sent(store, message, now)
            sent += 1
            continue
        # Not by the clock alone: one that jumps ahead must not have an alert given up that was hardly tried.
        often = message.attempts + 1 >= len(pauses)
        over = often and now - message.queued_at >= timedelta(days=settings.give_up_days)
        wait = pauses[min(message.attempts, len(pauses) - 1)]
        mark_failed(store, message, error, due_at=now + wait, given_up_at=now if over else None)
        failed, given_up = failed + (not over), given_up + over
        log.warning(
            "alert %s by %s: %s; %s",
            message.key,
            message.channel,
            error,
            "given up" if over else "it is tried again",
        )
    return Delivery(sent, failed, given_up)


def try_now(
    message: Message,
    channel: str,
    fleet: FleetSettings,
    now: datetime,
    senders: Mapping[str, Sender] = SENDERS,
) -> str | None:
    """Hand one message over at once; what went wrong, or None."""
    sender = senders.get(channel)
    if sender is None:
        return "this version does not know the channel"
    try:
        sender(message, fleet, now)
    except PartlyRefused as error:
        # Sent, as far as it can be: the rest would get it twice.
        log.warning("alert %s: the mail server refused %s", message.key, error)
    except (OSError, smtplib.SMTPException, TrimkeepError) as error:
        return " ".join(str(error).split()) or type(error).__name__
    except Exception as error:
        # A fault of ours in one message must not keep the others from going out.
        log.exception("fault while delivering %s by %s", message.key, channel)
        return f"{type(error).__name__}: {error}"
    return None
