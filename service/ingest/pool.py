"""Worker processes that may die without taking anything else with them."""

from __future__ import annotations

import faulthandler
import multiprocessing
import os
import resource
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import suppress
from multiprocessing.connection import wait
from pathlib import Path

from trimkeep.service.ingest.extract import Task, extract
from trimkeep.service.store.rows import LogResult

ORPHANED = 3


class ReaderDied(RuntimeError):
    """The process that read a log died, and nothing but that log was in it."""


PoolOf = Callable[[int], Executor]
"""Makes an executor of so many workers; any with the standard interface will do."""


def process_pool(workers: int, memory_mb: int = 0) -> Executor:
    """Worker processes, started clean: a fork of a process with threads can inherit a held lock.

    With `memory_mb`, a worker that asks for more gets a `MemoryError` instead of the machine's last bytes.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["trimkeep.service.ingest.pool", "trimkeep.service.ingest.tools"])
    return ProcessPoolExecutor(workers, mp_context=context, initializer=start_worker, initargs=(memory_mb,))


def work(task: Task) -> LogResult | None:
    """`extract` with a limit of time.

    The limit is kept by a thread of the interpreter that needs no lock of it, so that it ends a reader
    that hangs inside a library too. The worker dies of it; the parent counts that against the log.
    """
    with Path(os.devnull).open("w") as nowhere:
        faulthandler.dump_traceback_later(task.longest_s, exit=True, file=nowhere)
        try:
            return extract(task)
        finally:
            faulthandler.cancel_dump_traceback_later()


def start_worker(memory_mb: int) -> None:
    """What a process that reads logs does first."""
    # Ctrl-C goes to the whole group; the parent decides what happens to its workers.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # When memory runs out it must be the worker that goes: the parent then rejects the log and lives on.
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("800")
    if memory_mb:
        hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
        wanted = memory_mb * 1_000_000
        within = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (within, hard))
    threading.Thread(target=_die_with_parent, daemon=True).start()


def _die_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        # The pool's pipes are held open by every worker, so none would ever see its parent's death there.
        os._exit(ORPHANED)
