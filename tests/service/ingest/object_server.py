"""An S3-compatible server on loopback that counts what is asked of it, and fails where it is told to."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote
from wsgiref.types import StartResponse, WSGIEnvironment

import boto3
from moto.moto_server.werkzeug_app import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import make_server

from tests.service.ingest.object_credentials import KEY_ID, SECRET

BUCKET = "logs"

Answer = Iterable[bytes]
Fault = Callable[["ObjectServer", WSGIEnvironment, StartResponse], Answer | None]


@dataclass
class ObjectServer:
    """The server: where it is, what was asked, and the faults to come, by a part of the path they are for."""

    endpoint: str
    application: Any
    asked: Counter[str] = field(default_factory=Counter)
    faults: list[tuple[str, Fault]] = field(default_factory=list)
    made: Any = None

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Answer:
        """One request; of the faults the first that fits is used up."""
        path = unquote(environ["PATH_INFO"]).removeprefix(f"/{BUCKET}").strip("/")
        self.asked[f"{environ['REQUEST_METHOD']} {path}"] += 1
        for fault in self.faults:
            if fault[0] in path and environ["REQUEST_METHOD"] == "GET":
                self.faults.remove(fault)
                answer = fault[1](self, environ, start_response)
                if answer is not None:
                    return answer
                break
        answered: Answer = self.application(environ, start_response)
        return answered

    def client(self) -> Any:
        """The provider's own client, to put objects; it takes a tenth of a second to make."""
        if self.made is None:
            self.made = boto3.client(
                "s3", endpoint_url=self.endpoint, aws_access_key_id=KEY_ID, aws_secret_access_key=SECRET
            )
        return self.made

    def put(self, key: str, content: str | bytes) -> None:
        """Put one object."""
        body = content.encode() if isinstance(content, str) else content
        self.client().put_object(Bucket=BUCKET, Key=key, Body=body)

    def reads_of(self, key: str) -> int:
        """How often the content of an object was asked for."""
        return self.asked[f"GET {key}"]

    def forget(self) -> None:
        """Begin to count anew, without faults to come."""
        self.asked.clear()
        self.faults.clear()


def answer_with(status: str, code: str) -> Fault:
    """An error of the server, as the protocol writes it."""

    def fault(_: ObjectServer, environ: WSGIEnvironment, start_response: StartResponse) -> Answer:
        body = f"<Error><Code>{code}</Code><Message>{KEY_ID} is told</Message></Error>".encode()
        start_response(status, [("Content-Type", "application/xml"), ("Content-Length", str(len(body)))])
        return [body]

    return fault


def cut_off(_: ObjectServer, environ: WSGIEnvironment, start_response: StartResponse) -> Answer:
    """The connection breaks in mid-read: more was promised than comes."""
    start_response("206 Partial Content", [("Content-Type", "x/y"), ("Content-Length", "1000000")])
    return [b"only the beginning"]


def first(change: Callable[[], None]) -> Fault:
    """Something happens to the objects just before they are read."""

    def fault(server: ObjectServer, environ: WSGIEnvironment, start_response: StartResponse) -> None:
        change()

    return fault


@contextmanager
def object_server() -> Iterator[ObjectServer]:
    """A server with one empty bucket."""
    served = ObjectServer("", DomainDispatcherApplication(create_backend_app))
    server = make_server("127.0.0.1", 0, served, threaded=True)
    served.endpoint = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        served.client().create_bucket(Bucket=BUCKET)
        yield served
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
