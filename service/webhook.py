"""One message posted as JSON, signed so that the receiver can tell that it is ours and fresh.

The signature is HMAC-SHA256 (RFC 2104, FIPS 180-4) with the shared secret over the time stamp, a full stop
and the body, in hexadecimal:

    X-Trimkeep-Signature: sha256=HMAC(secret, X-Trimkeep-Timestamp + "." + body)
"""

from __future__ import annotations

import hashlib
import hmac
import http.client
import json
import urllib.error
import urllib.request
from collections.abc import Mapping
from datetime import datetime
from http.client import HTTPMessage
from pathlib import Path
from typing import IO, Any
from urllib.parse import urlsplit

from trimkeep.config.alerting import WebhookSettings
from trimkeep.config.errors import SettingsError
from trimkeep.service.bounded import Bounded
from trimkeep.service.message import Message, published
from trimkeep.service.secrets_read import secret

SECRET_VARIABLE = "TRIMKEEP_WEBHOOK_SECRET"
TIMEOUT_S = 20.0


def signature(secret_text: str, timestamp: str, body: bytes) -> str:
    """Signature of a body sent at a time (seconds since 1970, as text)."""
    signed = timestamp.encode() + b"." + body
    return "sha256=" + hmac.new(secret_text.encode(), signed, hashlib.sha256).hexdigest()


def headers_of(message: Message, body: bytes, secret_text: str | None, now: datetime) -> Mapping[str, str]:
    """Headers of a post; `Idempotency-Key` is the same however often the message is sent."""
    headers = {
        "Content-Type": "application/json; charset=utf-8",
        "User-Agent": "trimkeep",
        "Idempotency-Key": message.key,
    }
    if secret_text:
        timestamp = str(int(now.timestamp()))
        headers["X-Trimkeep-Timestamp"] = timestamp
        headers["X-Trimkeep-Signature"] = signature(secret_text, timestamp, body)
    return headers


def post_message(message: Message, settings: WebhookSettings, folder: Path, now: datetime) -> None:
    """Post a message.

    Raises
    ------
    OSError
        The address cannot be reached or answers with anything but a 2xx status; try again later.
    SettingsError
        The address is no http or https address.
    """
    if urlsplit(settings.url).scheme not in ("http", "https"):
        raise SettingsError(
            f"{settings.url!r} is no web address",
            subject="setting alerts.webhook.url",
            next_step="Write it with https:// in front",
        )
    body = json.dumps(published(message), sort_keys=True).encode()
    secret_text = secret(SECRET_VARIABLE, settings.secret_file, folder)
    headers = dict(headers_of(message, body, secret_text, now))
    request = urllib.request.Request(settings.url, data=body, headers=headers, method="POST")
    kept = _Kept()
    opener = urllib.request.build_opener(_NoRedirect, _Http(kept), _Https(kept))
    try:
        with opener.open(request, timeout=TIMEOUT_S) as answer:
            answer.read(1024)
    finally:
        for connection in kept:
            connection.in_time()


class _Plain(Bounded, http.client.HTTPConnection):
    """Cut when it takes too long as a whole."""


class _Protected(Bounded, http.client.HTTPSConnection):
    """The same, protected."""


class _Kept(list[Bounded]):
    """The connections of one post: the opener does not give them out, and their time must end with it."""

    def kept(self, connection: Bounded) -> Any:
        """Keep it and hand it on."""
        self.append(connection)
        return connection


class _Http(urllib.request.HTTPHandler):
    def __init__(self, connections: _Kept) -> None:
        super().__init__()
        self.connections = connections

    def http_open(self, req: urllib.request.Request) -> Any:
        return self.do_open(lambda host, **named: self.connections.kept(_Plain(host, **named)), req)


class _Https(urllib.request.HTTPSHandler):
    def __init__(self, connections: _Kept) -> None:
        super().__init__()
        self.connections = connections

    def https_open(self, req: urllib.request.Request) -> Any:
        return self.do_open(lambda host, **named: self.connections.kept(_Protected(host, **named)), req)


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect would turn the post into a fetch of another address; it counts as a failure."""

    def redirect_request(
        self,
        req: urllib.request.Request,
        fp: IO[bytes],
        code: int,
        msg: str,
        headers: HTTPMessage,
        newurl: str,
    ) -> None:
        raise urllib.error.HTTPError(req.full_url, code, "is a redirect", headers, fp)
