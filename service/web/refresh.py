"""Pages that follow the store while they are served.

Nothing is judged here: that is for the watcher and for `trimkeep digest`, which also alert. What they said,
what a person answered and what was recorded is shown as it stands.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from trimkeep.config.errors import TrimkeepError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.page_links import BOARD, FOLDER
from trimkeep.service.pages import write_pages, write_pages_of
from trimkeep.service.standing import standing_judgement
from trimkeep.service.store.connection import Store
from trimkeep.service.store.pulse import Pulse, store_pulse, touched_since

log = logging.getLogger(__name__)

# So many times as long as it took to bring the pages up to date, nothing is done, unless somebody wrote.
REST_TIMES = 5.0


@dataclass(frozen=True, slots=True)
class _Shown:
    """What the pages show: how far the store had come, and on which day."""

    pulse: Pulse
    day: date


class Refresher:
    """Looks at the store now and then, and brings the pages up to date when it has changed.

    Of a fleet larger than `judge.whole_up_to` flights only the pages of airframes that were touched are
    looked after; the board waits for the next digest, as it does with the watcher.
    """

    def __init__(
        self, store: Store, fleet: FleetSettings, clock: Callable[[], datetime], every_s: float
    ) -> None:
        self.store = store
        self.fleet = fleet
        self.clock = clock
        self.every_s = every_s
        self._shown: _Shown | None = None
        self._touched: frozenset[str] = frozenset()
        self._again = False
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pages", daemon=True)

    def start(self) -> None:
        """Begin, in a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """End; pages being written are finished first."""
        self._stopped.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join()

    def soon(self) -> None:
        """Look at the store now: something was just written."""
        self._wake.set()

    def now(self) -> bool:
        """Bring the pages up to date if the store has changed; whether it had."""
        with self._lock:
            moment = self.clock()
            day = moment.astimezone(ZoneInfo(self.fleet.time_zone)).date()
            seen = _Shown(store_pulse(self.store), day)
            changed = seen != self._shown
            if changed or self._again:
                self._write(seen, moment)
            # The watcher may have been writing the same pages, from what stood a moment before: once more
            # at the next look, which finds them as they should be or sets them right.
            self._shown, self._again = seen, changed
            return changed

    def _write(self, seen: _Shown, moment: datetime) -> None:
        small = seen.pulse.flights <= self.fleet.settings.judge.whole_up_to
        if small or not (self.fleet.output / FOLDER / BOARD).is_file():
            write_pages(self.store, self.fleet, standing_judgement(self.store, self.fleet), moment)
        elif self._shown is not None:
            touched = touched_since(self.store, self._shown.pulse)
            names, self._touched = touched | self._touched, touched
            if names:
                standing = standing_judgement(self.store, self.fleet, names)
                write_pages_of(self.store, self.fleet, standing, moment, names)

    def _run(self) -> None:
        while not self._stopped.is_set():
            self._wake.clear()
            begun = time.monotonic()
            try:
                self.now()
            except TrimkeepError as error:
                log.warning("%s", error)
            except Exception:
                # The pages of before are served on; a fault here must not end the thread unseen.
                log.exception("the pages could not be brought up to date")
            # A fleet that is always flying must not keep a processor busy with its pages.
            self._wake.wait(max(self.every_s, REST_TIMES * (time.monotonic() - begun)))
