"""The watcher's sign of life: a small file in the state folder, for people, monitors and containers."""

from __future__ import annotations

import json
import logging
import os
import threading
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

log = logging.getLogger(__name__)

HEALTH_NAME = "health.json"
# Memory cards wear out by writing; nobody needs to know of a stopped watcher sooner than this.
WRITE_EVERY = timedelta(seconds=10)


@dataclass(frozen=True, slots=True)
class Health:
    """What the watcher last said of itself. Times are aware.

    `doing` is `watching`, or `stopped` after an orderly end; `problem` is the newest sentence it had to
    say, empty when there was none.
    """

    doing: str
    pid: int
    version: str
    began_at: datetime
    alive_at: datetime
    problem: str = ""
    problem_at: datetime | None = None


class HealthKeeper:
    """Keeps the file up to date. A disk that is full must not stop the reading of logs: it only warns."""

    def __init__(self, state: Path, version: str, now: datetime) -> None:
        self.path = state / HEALTH_NAME
        self.health = Health("watching", os.getpid(), version, now, now)
        self.lock = threading.Lock()
        self._write()

    def alive(self, now: datetime) -> None:
        """The watcher came round once more."""
        if now - self.health.alive_at >= WRITE_EVERY or now < self.health.alive_at:
            self._update(replace(self.health, alive_at=now))

    def problem(self, sentence: str, now: datetime) -> None:
        """Something a person should know."""
        self._update(replace(self.health, alive_at=now, problem=sentence, problem_at=now))

    def stopped(self, now: datetime) -> None:
        """An orderly end."""
        self._update(replace(self.health, doing="stopped", alive_at=now))

    def _update(self, health: Health) -> None:
        with self.lock:
            self.health = health
            self._write()

    def _write(self) -> None:
        part = self.path.with_name(f".{self.path.name}.{os.getpid()}.part")
        values = {
            name: value.isoformat() if isinstance(value, datetime) else value
            for name, value in asdict(self.health).items()
        }
        try:
            part.write_text(json.dumps(values, indent=1) + "\n", encoding="utf-8")
            part.replace(self.path)
        except OSError as error:
            log.warning("%s: cannot be written (%s)", self.path, error.strerror)


def read_health(state: Path) -> Health | None:
    """What the watcher last said; None when none ever ran here or the file cannot be understood."""
    try:
        values = json.loads((state / HEALTH_NAME).read_text(encoding="utf-8"))
        for name in ("began_at", "alive_at", "problem_at"):
            if values[name] is not None:
                values[name] = datetime.fromisoformat(values[name])
        return Health(**values)
    except (OSError, ValueError, TypeError, KeyError):
        return None
