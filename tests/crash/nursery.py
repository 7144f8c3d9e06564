"""Children that are forked from a process which has imported everything and does nothing else.

A child that imports the numeric libraries anew spends a second or two before it comes to what it is there
for. `python -m tests.crash.nursery MODULE SOCKET` imports a module; for every request it forks a child that
calls the module's `main`, tells the child's number, and when the child has ended how it ended.
"""

from __future__ import annotations

import atexit
import importlib
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parent.parent.parent
DEADLINE_S = 180.0
_BYTES = 1 << 16


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
    """Forks children of one module, one at a time."""

    def __init__(self, module: str) -> None:
        self._socket, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.crash.nursery", module, str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                cwd=ROOT,
            )
        self._socket.settimeout(DEADLINE_S)
        self._answers = self._socket.makefile("rb")

    def start(self, *arguments: str) -> Child:
        """A child that calls the module's `main` with these arguments."""
        ours, its = os.pipe()
        errors = tempfile.TemporaryFile()  # noqa: SIM115  # the child's for as long as that is looked at
        socket.send_fds(self._socket, [json.dumps(arguments).encode()], [its, errors.fileno()])
        os.close(its)
        return Child(self._answers, int(self._answers.readline()), ours, errors)

    def close(self) -> None:
        """End it."""
        self._answers.close()
        self._socket.close()
        self._process.kill()
        self._process.wait()


@cache
def nursery(module: str) -> Nursery:
    """The nursery of a module, for all tests of this process."""
    made = Nursery(module)
    atexit.register(made.close)
    return made


def serve(module: str, requests: socket.socket) -> None:
    """The nursery itself, until nobody is left to ask; in a child, the child's own work."""
    main = importlib.import_module(module).main
    while True:
        text, descriptors, _, _ = socket.recv_fds(requests, _BYTES, 2)
        if not text:
            return
        pid = os.fork()
        if pid == 0:
            for ours, number in zip(descriptors, (1, 2), strict=True):
                os.dup2(ours, number)
                os.close(ours)
            requests.close()
            main(json.loads(text))
            return
        for descriptor in descriptors:
            os.close(descriptor)
        requests.sendall(b"%d\n" % pid)
        requests.sendall(b"%d\n" % os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))


if __name__ == "__main__":
    serve(sys.argv[1], socket.socket(fileno=int(sys.argv[2])))
