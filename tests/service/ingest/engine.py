"""Processes that use the cluster engine, forked from one that has imported it.

A scheduler, its workers and a watcher that each import engine and service anew spend most of their time on
that. `python -m tests.service.ingest.engine` imports once, forks a process for every command that it is told
on its input, and says how a process ended when it is asked.
"""

from __future__ import annotations

import atexit
import json
import os
import signal
import subprocess
import sys
import time
from functools import cache
from pathlib import Path
from typing import Any

from tests.service.ingest.object_credentials import CREDENTIALS

ROOT = Path(__file__).resolve().parents[3]
DEADLINE_S = 60.0
# What the engine measures of itself a hundred times a second is work for nothing here.
QUIET = {
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
    "DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL": "500ms",
}


class Engine:
    """The process that forks; its children have credentials of their own for object storage."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", __name__],
            cwd=ROOT,
            env={**os.environ, **CREDENTIALS, **QUIET, "PYTHONPATH": str(ROOT)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def ask(self, **question: Any) -> int | None:
        """One question, one answer."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps(question) + "\n")
        self._process.stdin.flush()
        answer: int | None = json.loads(self._process.stdout.readline())
        return answer

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.communicate()


@cache
def engine() -> Engine:
    """The one for all tests of this process."""
    made = Engine()
    atexit.register(made.close)
    return made


class Forked:
    """A running command, with what `subprocess` would say of it."""

    def __init__(self, program: str, *arguments: str, output: str = os.devnull) -> None:
        pid = engine().ask(program=program, arguments=arguments, output=output)
        assert pid is not None
        self.pid = pid
        self._ended_as: int | None = None

    def poll(self) -> int | None:
        """How it ended; None while it runs."""
        if self._ended_as is None:
            self._ended_as = engine().ask(pid=self.pid)
        return self._ended_as

    def wait(self, timeout_s: float = DEADLINE_S) -> int:
        """How it ended, once it has."""
        deadline = time.monotonic() + timeout_s
        while (ended_as := self.poll()) is None:
            if time.monotonic() > deadline:
                raise TimeoutError(f"process {self.pid} runs on")
            time.sleep(0.01)
        return ended_as

    def send_signal(self, number: int) -> None:
        """To this process alone, unless it has ended."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def end(self) -> None:
        """Kill it, and wait until it is gone."""
        self.send_signal(signal.SIGKILL)
        self.wait()


def serve() -> None:
    """The process itself, until nobody is left to ask."""
    import distributed.cli.dask_scheduler
    import distributed.cli.dask_worker  # noqa: F401

    import trimkeep.service.ingest.cluster  # noqa: F401

    for line in iter(sys.stdin.readline, ""):
        question = json.loads(line)
        answer = _ended_as(question["pid"]) if "pid" in question else _fork(**question)
        print(json.dumps(answer), flush=True)


def _ended_as(pid: int) -> int | None:
    ended, status = os.waitpid(pid, os.WNOHANG)
    return os.waitstatus_to_exitcode(status) if ended else None


def _fork(program: str, arguments: list[str], output: str) -> int:
    pid = os.fork()
    if pid:
        return pid
    code = 1
    try:
        os.setsid()
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(os.open(output, os.O_WRONLY | os.O_CREAT | os.O_APPEND), 1)
        os.dup2(1, 2)
        code = _run(program, arguments)
        sys.stdout.flush()
    finally:
        os._exit(code)


def _run(program: str, arguments: list[str]) -> int:
    if program == "trimkeep":
        from trimkeep.service.cli.main import run

        return run(arguments)
    from dask.cli import run_cli

    sys.argv = [program, *arguments]
    try:
        run_cli()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    return 0


if __name__ == "__main__":
    serve()
