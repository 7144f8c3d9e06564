"""What comes after ingest, in a process of its own that kills itself at a step.

`python -m tests.crash.later_child FLEET ACTION [STEP N]`: `digest` makes the digest that is due, `journal`
imports the journals, `open` brings the store up to this version's schema, `clear` removes what the retention
settings say is due.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import trimkeep.service.digest as digest
import trimkeep.service.journal as journal
import trimkeep.service.judging as judging
import trimkeep.service.removing as removing
import trimkeep.service.store.findings as findings
import trimkeep.service.store.migrate as migrate
from trimkeep.config.cards import airframe_folders
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.due import DigestKeeper
from trimkeep.service.schedule import parse_schedules
from trimkeep.service.store.connection import open_store

NOW = datetime(2026, 6, 3, 12, tzinfo=UTC)
# Action, then step to where the process goes: a function by owner and name, before or after it, which call.
STEPS: dict[str, dict[str, tuple[Any, str, str, int]]] = {
    "digest": {
        "before the model is frozen": (judging, "save_model", "before", 1),
        "after the model is frozen": (judging, "save_model", "after", 1),
        "findings half written": (findings, "finding_to_json", "before", 7),
        "before findings are committed": (findings, "FindingChanges", "before", 1),
        "after findings": (judging, "save_findings", "after", 1),
        "after the judging is noted": (judging, "save_judging", "after", 1),
        "before the page": (digest, "write_whole", "before", 1),
        "page written, not yet named": (os, "fsync", "before", 1),
        "between the page and the latest": (digest, "write_whole", "after", 1),
        "before the digest is noted": (digest, "save_digest", "before", 1),
        "after the digest is noted": (digest, "save_digest", "after", 1),
    },
    "journal": {
        "some entries written": (journal, "add_entry", "after", 2),
        "some entries withdrawn": (journal, "withdraw_entry", "after", 1),
        "before the file is noted": (journal, "note_file", "before", 1),
        "file noted, not committed": (journal, "note_file", "after", 1),
    },
    "clear": {
        "nothing recorded yet": (removing, "intend", "before", 1),
        "recorded, nothing removed": (removing, "intend", "after", 1),
        "one of three removed": (removing, "_unlink", "after", 1),
        "all removed, not recorded as done": (removing, "_sync", "after", 1),
        "recorded as done": (removing, "finish", "after", 1),
    },
    "open": {
        "schema changed, not recorded": (migrate, "now_utc", "before", 1),
        "before anything": (migrate, "_apply", "before", 1),
        "after it is applied": (migrate, "_apply", "after", 1),
    },
}


def kill_at(owner: Any, name: str, moment: str, call: int) -> None:
    """Arrange for this process to die at a step, as when the power fails."""
    original: Callable[..., Any] = getattr(owner, name)
    left = [call]

    def dying(*args: Any, **kwargs: Any) -> Any:
        left[0] -= 1
        if left[0] == 0 and moment == "before":
            os.kill(os.getpid(), signal.SIGKILL)
        answer = original(*args, **kwargs)
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return answer

    setattr(owner, name, dying)


def act(fleet: FleetSettings, action: str) -> None:
    """Do it; nothing here kills."""
    store = open_store(fleet.state)
    if action == "digest":
        schedules = parse_schedules(fleet.settings.digest, fleet.time_zone)
        DigestKeeper(store, fleet, schedules).make_due(NOW)
    if action == "clear":
        # Ages count from when a log was read, which was just now.
        removing.clear_due(store, fleet, datetime.now(UTC) + timedelta(days=400), "Ann")
    if action == "journal":
        for folder in airframe_folders(fleet):
            journal.import_journal(store, fleet, folder, folder.name)


def main(arguments: list[str]) -> None:
    """Say `ready` before and `done` after."""
    fleet = load_fleet(Path(arguments[0]), environment={})
    action = arguments[1]
    if len(arguments) > 2:
        kill_at(*STEPS[action][arguments[2]])
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    act(fleet, action)
    sys.stdout.write("done\n")


if __name__ == "__main__":
    main(sys.argv[1:])
