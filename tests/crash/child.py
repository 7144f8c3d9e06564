"""An ingest in a process of its own, to be killed: at a named step by itself, or at any time by the test.

`python -m tests.crash.child FLEET [STEP N]`: kill this process when it comes to the step for the Nth time.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from dataclasses import replace
from multiprocessing import parent_process
from pathlib import Path
from typing import Any

import trimkeep.service.ingest.fleet as fleet_module
import trimkeep.service.ingest.one_log as one_log
import trimkeep.service.store.results as results
from tests.service.small_logs import TOOLS
from trimkeep.config.load import load_fleet
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.pool import process_pool

# Step name to the function before or after which the process goes. Those in the worker kill the parent:
# a worker's own death is another test's subject.
STEPS: dict[str, tuple[Any, str, str]] = {
    "before hashing": (fleet_module, "hash_log", "before"),
    "after hashing": (fleet_module, "hash_log", "after"),
    "after the claim": (fleet_module, "claim_log", "after"),
    "before storing": (one_log, "save_result", "before"),
    "in the transaction, rows half written": (results, "save_runs", "before"),
    "in the transaction, before its end": (results, "append_record", "after"),
    "after storing": (one_log, "save_result", "after"),
}
WORKER_STEPS = ("worker before reading", "worker before writing", "worker part written", "worker renamed")


def kill_at(step: str, times: int) -> None:
    """Arrange for this process to die at a step, as when the power fails."""
    module, name, moment = STEPS[step]
    original = getattr(module, name)
    left = [times]

    def dying(*args: Any, **kwargs: Any) -> Any:
        left[0] -= 1
        if left[0] == 0 and moment == "before":
            os.kill(os.getpid(), signal.SIGKILL)
        answer = original(*args, **kwargs)
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return answer

    setattr(module, name, dying)


def read_then_kill(step: str) -> Callable[[Path, Any], Any]:
    """A reader, sent to the worker, that kills the service at a step of the worker's."""
    return {
        "worker before reading": _kill_before_reading,
        "worker before writing": _kill_before_writing,
        "worker part written": _kill_part_written,
        "worker renamed": _kill_renamed,
    }[step]


def _kill_service() -> None:
    service = parent_process()
    assert service is not None and service.pid is not None
    os.kill(service.pid, signal.SIGKILL)
    os.kill(os.getpid(), signal.SIGKILL)


def _kill_before_reading(path: Path, card: Any) -> Any:
    _kill_service()


def _kill_before_writing(path: Path, card: Any) -> Any:
    import trimkeep.service.ingest.extract as extract

    extract.write_recording = lambda *_: _kill_service()  # type: ignore[assignment]
    return TOOLS.read(path, card)


def _kill_part_written(path: Path, card: Any) -> Any:
    os.fsync = lambda *_: _kill_service()  # type: ignore[assignment]
    return TOOLS.read(path, card)


def _kill_renamed(path: Path, card: Any) -> Any:
    import trimkeep.service.store.recordings as recordings

    recordings._sync_folder = lambda *_: _kill_service()  # type: ignore[assignment]
    return TOOLS.read(path, card)


def main(arguments: list[str]) -> None:
    """Ingest; say `ready` before and `done` after."""
    fleet = load_fleet(Path(arguments[0]), environment={})
    tools = TOOLS
    if len(arguments) > 1:
        step = arguments[1]
        if step in WORKER_STEPS:
            tools = replace(TOOLS, read=read_then_kill(step))
        else:
            kill_at(step, int(arguments[2]))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    ingest_fleet(fleet, workers=2, tools=tools, pool=process_pool)
    sys.stdout.write("done\n")


if __name__ == "__main__":
    main(sys.argv[1:])
