"""How the tests are shared out when several processes run them, and what all of these processes are given."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

MEMORY = Path("/dev/shm")
ROOM_BYTES = 2 << 30

# As the command line has it, and before anything loads the library that reads it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Every unit of work flushes the store to the disk, and the tests do thousands: in memory none has to wait.
if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM_BYTES:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Each process goes through its own part in order and takes from another's when it is done.

    Handed out test by test, as is usual, the fleets that a file's tests share are built in every process.
    """
    if config.getvalue("dist") != "load":
        return None
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)
