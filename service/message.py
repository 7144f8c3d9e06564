"""One message as it waits in the outbox: worded when it was raised, so that a late one says what was true."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

SCHEMA = "trimkeep-alert-1"


@dataclass(frozen=True, slots=True)
class Message:
    """What one alert says.

    Parameters
    ----------
    key : str
        Stands for this message wherever it arrives.
    reason : str
        `first`, `grew`, `returned` or `trial`.
    html : str
        Empty for plain text only.
    images : tuple of (name, PNG)
        Referred to from the HTML by content id.
    findings : str
        JSON list of the published form.
    """

    key: str
    fleet: str
    raised_at: datetime
    reason: str
    subject: str
    text: str
    html: str
    images: tuple[tuple[str, bytes], ...]
    findings: str


def message_to_json(message: Message) -> str:
    """The whole message as text."""
    body = {
        "key": message.key,
        "fleet": message.fleet,
        "raised_at": message.raised_at.isoformat(),
        "reason": message.reason,
        "subject": message.subject,
        "text": message.text,
        "html": message.html,
        "images": [[name, base64.b64encode(picture).decode()] for name, picture in message.images],
        "findings": message.findings,
    }
    return json.dumps(body, sort_keys=True, ensure_ascii=True)


def message_from_json(text: str) -> Message:
    """The inverse of `message_to_json`."""
    body: dict[str, Any] = json.loads(text)
    return Message(
        key=body["key"],
        fleet=body["fleet"],
        raised_at=datetime.fromisoformat(body["raised_at"]),
        reason=body["reason"],
        subject=body["subject"],
        text=body["text"],
        html=body["html"],
        images=tuple((name, base64.b64decode(picture)) for name, picture in body["images"]),
        findings=body["findings"],
    )


def published(message: Message) -> dict[str, Any]:
    """What other programs receive, by webhook or in the file; `key` lets them tell a repeated delivery."""
    return {
        "schema": SCHEMA,
        "key": message.key,
        "fleet": message.fleet,
        "raised_at": message.raised_at.isoformat(),
        "reason": message.reason,
        "subject": message.subject,
        "text": message.text,
        "findings": json.loads(message.findings),
    }
