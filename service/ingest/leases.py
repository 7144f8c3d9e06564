"""Who is alive: each run holds a lock on a file of its own, which the system frees when the run dies."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

SUFFIX = ".lock"


@contextmanager
def hold_lease(folder: Path) -> Iterator[str]:
    """A new run's name, alive until the end of the block or of the process, however that ends.

    A process number would not do: it is given out again, and means nothing on another machine.
    """
    name = uuid4().hex
    path = folder / f"{name}{SUFFIX}"
    with path.open("w") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        try:
            yield name
        finally:
            path.unlink(missing_ok=True)


def is_alive(folder: Path, name: str) -> bool:
    """Whether the run still lives; the file of a dead one is removed."""
    path = folder / f"{name}{SUFFIX}"
    try:
        with path.open("r+") as stream:
            try:
                fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                return True
            path.unlink(missing_ok=True)
    except FileNotFoundError:
        pass
    return False
