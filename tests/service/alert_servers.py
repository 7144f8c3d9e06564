"""Servers on loopback that take alerts: a real mail server and a plain web server."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@dataclass
class Mailbox:
    """What a mail server took; `refuse` answers come before the first one is taken."""

    refuse: int = 0
    mails: list[EmailMessage] = field(default_factory=list)

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        """One mail has been handed over."""
        if self.refuse > 0:
            self.refuse -= 1
            return "451 try again later"
        parsed = message_from_bytes(envelope.content, policy=default)
        assert isinstance(parsed, EmailMessage)
        self.mails.append(parsed)
        return "250 taken"


@contextmanager
def mail_server(box: Mailbox, port: int, **options: Any) -> Iterator[None]:
    """A mail server on loopback."""
    server = Controller(box, hostname="127.0.0.1", port=port, **options)
    server.start()
    try:
        yield
    finally:
        server.stop()


@dataclass
class Posted:
    """One request that a web server received."""

    headers: Mapping[str, str]
    body: bytes


@contextmanager
def web_server(answers: list[int]) -> Iterator[tuple[str, list[Posted]]]:
    """A web server on loopback that gives these answers in turn, then 200; its address and what it got."""
    got: list[Posted] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            status = answers.pop(0) if answers else 200
            if status < 300:
                got.append(Posted(dict(self.headers.items()), body))
            self.send_response(status)
            if 300 <= status < 400:
                self.send_header("Location", "/elsewhere")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/alerts", got
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
