"""The ways by which alerts go out: mail, webhook, file."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

from trimkeep.config.settings import FleetSettings
from trimkeep.service.mail import send_mail
from trimkeep.service.message import Message, published
from trimkeep.service.webhook import post_message

Sender = Callable[[Message, FleetSettings, datetime], None]
"""Hands a message over, or raises."""


def channels_of(fleet: FleetSettings) -> tuple[str, ...]:
    """The channels that the settings switch on."""
    alerts = fleet.settings.alerts
    ready = {
        "mail": bool(alerts.mail.host and alerts.mail.recipients),
        "webhook": bool(alerts.webhook.url),
        "file": bool(alerts.file),
    }
    return tuple(name for name, is_on in ready.items() if is_on)


def _by_mail(message: Message, fleet: FleetSettings, now: datetime) -> None:
    send_mail(message, fleet.settings.alerts.mail, fleet.folder)


def _by_webhook(message: Message, fleet: FleetSettings, now: datetime) -> None:
    post_message(message, fleet.settings.alerts.webhook, fleet.folder, now)


def _to_file(message: Message, fleet: FleetSettings, now: datetime) -> None:
    append_line(fleet.folder / fleet.settings.alerts.file, message)


def append_line(path: Path, message: Message) -> None:
    """Add a message to a file as one line, unless it is there already.

    A crash between writing and noting it would otherwise give the line twice. Half a line that a full
    disk or a crash left is closed first, so that it spoils only itself.
    """
    line = json.dumps(published(message), sort_keys=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a+b") as stream:
        stream.seek(0)
        known = stream.read()
        if any(_key_of(one) == message.key for one in known.splitlines()):
            return
        if known and not known.endswith(b"\n"):
            stream.write(b"\n")
        stream.write(line.encode() + b"\n")
        stream.flush()
        os.fsync(stream.fileno())


def _key_of(line: bytes) -> str | None:
    try:
        body = json.loads(line)
    except ValueError:
        return None
    return body.get("key") if isinstance(body, dict) else None


SENDERS: Mapping[str, Sender] = {"mail": _by_mail, "webhook": _by_webhook, "file": _to_file}
