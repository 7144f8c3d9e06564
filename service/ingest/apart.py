"""Reading logs in a process apart, for workers that are not ours to lose.

A worker of a cluster may carry other work, keeps its connections in threads, and may not have children of
the standard pool. So each of its threads keeps one plain process that reads one log after the other: a log
that takes its reader down, or is stopped at the limit of time, costs that process and nothing else.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import IO, Any

from trimkeep.service.ingest.pool import ReaderDied, start_worker


class Reader:
    """A process that does one thing at a time; started anew when it has died."""

    def __init__(self, memory_mb: int) -> None:
        self.memory_mb = memory_mb
        self.process: subprocess.Popen[bytes] | None = None

    def run(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Call a module's function there.

        Raises
        ------
        ReaderDied
            The process died of it.
        Exception
            Whatever the function raised.
        """
        process = self._alive()
        assert process.stdin is not None and process.stdout is not None
        try:
            _send(process.stdin, (function, arguments))
            done, answer = pickle.load(process.stdout)
        except (EOFError, OSError, pickle.UnpicklingError) as error:
            self.close()
            raise ReaderDied("the process that read it died") from error
        if not done:
            raise answer
        return answer

    def _alive(self) -> subprocess.Popen[bytes]:
        if self.process is None or self.process.poll() is not None:
            self.close()
            command = [sys.executable, "-m", __name__, str(self.memory_mb)]
            # What the parent found on its path, the child finds too, in the same order.
            paths = os.pathsep.join(path for path in sys.path if path)
            self.process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                # One thread for linear algebra, as the command line has it, which did not start this worker.
                env={"OPENBLAS_NUM_THREADS": "1", **os.environ, "PYTHONPATH": paths},
            )
        return self.process

    def close(self) -> None:
        """End the process."""
        if self.process is not None:
            self.process.kill()
            self.process.communicate()
            self.process = None


_own = threading.local()


def own_reader(memory_mb: int) -> Reader:
    """The reader of this thread."""
    reader: Reader | None = getattr(_own, "reader", None)
    if reader is None or reader.memory_mb != memory_mb:
        if reader is not None:
            reader.close()
        reader = _own.reader = Reader(memory_mb)
    return reader


def _send(stream: IO[bytes], what: Any) -> None:
    stream.write(pickle.dumps(what))
    stream.flush()


def serve(memory_mb: int) -> None:
    """The process itself: does what it is told until its parent is gone, which ends its input."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    # Whatever a library prints must not stand between the answers.
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    start_worker(memory_mb)
    while True:
        try:
            function, arguments = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        try:
            answer = (True, function(*arguments))
        except Exception as error:
            answer = (False, error)
        try:
            _send(answers, answer)
        except BrokenPipeError:
            return


if __name__ == "__main__":
    serve(int(sys.argv[1]))
