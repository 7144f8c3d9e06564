"""Children that are forked from a process which has imported everything and does nothing else.

A child that imports the numeric libraries anew spends a second or two before it comes to what it is there
for. `python -m tests.crash.nursery SOCKET` imports the module that a request names, forks a child that calls
the module's `main`, tells the child's number, and when the child has ended how it ended.

So does the server that forks the workers of a child's pool: here the nursery has one for all its children.
"""

from __future__ import annotations

import atexit
import importlib
import json
import multiprocessing
import os
import signal
import socket
import subprocess
import sys
import tempfile
from contextlib import suppress
from functools import cache
from multiprocessing import forkserver
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parent.parent.parent
DEADLINE_S = 180.0
_BYTES = 1 << 16
# What the workers of small logs need.
PRELOADED = ["trimkeep.service.ingest.pool", "tests.service.small_logs"]


class Child:
    """A process of the nursery, with what `subprocess` would say of it."""

    def __init__(self, answers: IO[bytes], pid: int, output: int, errors: IO[bytes]) -> None:
        self._answers = answers
        self._errors = errors
        self.pid = pid
        self.stdout = os.fdopen(output, encoding="utf-8")
        self.returncode: int | None = None

    def kill(self) -> None:
        """As when the power fails."""
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)

    def wait(self) -> int:
        """How it ended."""
        if self.returncode is None:
            try:
                self.returncode = int(self._answers.readline())
            except TimeoutError:
                self.kill()
                raise
        return self.returncode

    def complaints(self) -> str:
        """What it wrote on its error stream."""
        self._errors.seek(0)
        return self._errors.read().decode()


class Nursery:
    """Forks children, one at a time."""

    def __init__(self) -> None:
        self._socket, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.crash.nursery", str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                cwd=ROOT,
            )
        self._socket.settimeout(DEADLINE_S)
        self._answers = self._socket.makefile("rb")
        self._last: Child | None = None

    @property
    def pid(self) -> int:
        return self._process.pid

    def start(self, module: str, *arguments: str) -> Child:
        """A child that calls a module's `main` with these arguments."""
        if self._last is not None and self._last.returncode is None:
            # A test that failed did not wait for it; its answer is not the next one's.
            self._last.kill()
            self._last.wait()
        ours, its = os.pipe()
        errors = tempfile.TemporaryFile()  # noqa: SIM115  # the child's for as long as that is looked at
        socket.send_fds(self._socket, [json.dumps([module, arguments]).encode()], [its, errors.fileno()])
        os.close(its)
        self._last = Child(self._answers, int(self._answers.readline()), ours, errors)
        return self._last

    def close(self) -> None:
        """End it."""
        self._answers.close()
        self._socket.close()
        self._process.kill()
        self._process.wait()


@cache
def nursery() -> Nursery:
    """The one for all tests of this process."""
    made = Nursery()
    atexit.register(made.close)
    return made


def have_server_of_workers() -> None:
    """See that there is what a pool would start, with other modules in it, for all that are forked from here.

    One that a child was asking for a worker when it was killed dies of that when it comes to it. It takes
    requests in their order, so an answer to one more tells that it lives.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    try:
        worker = context.Process(target=abs, args=(0,))
        worker.start()
        worker.join()
    except (EOFError, OSError):
        forkserver._forkserver._stop()  # type: ignore[attr-defined]
        forkserver.ensure_running()


def serve(requests: socket.socket) -> None:
    """The nursery itself, until nobody is left to ask; in a child, the child's own work."""
    while True:
        text, descriptors, _, _ = socket.recv_fds(requests, _BYTES, 2)
        if not text:
            return
        module, arguments = json.loads(text)
        main = importlib.import_module(module).main
        have_server_of_workers()
        pid = os.fork()
        if pid == 0:
            # A pool first asks whether the server runs, which only the process that started it can tell.
            forkserver._forkserver.ensure_running = lambda: None  # type: ignore[attr-defined]
            for ours, number in zip(descriptors, (1, 2), strict=True):
                os.dup2(ours, number)
                os.close(ours)
            requests.close()
            main(arguments)
            return
        for descriptor in descriptors:
            os.close(descriptor)
        requests.sendall(b"%d\n" % pid)
        requests.sendall(b"%d\n" % os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])))
