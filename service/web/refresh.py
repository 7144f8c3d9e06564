"""Pages that follow the store while they are served.

Nothing is judged here: that is for the watcher and for `trimkeep digest`, which also alert. What they said,
what a person answered and what was recorded is shown as it stands.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

from trimkeep.config.errors import TrimkeepError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.service.changes import load_changes
from trimkeep.service.judging import MODEL_NAME, Judgement, card_thresholds
from trimkeep.service.page_books import SPECS
from trimkeep.service.pages import write_pages
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import FindingChanges, load_findings
from trimkeep.service.store.models import load_model
from trimkeep.service.store.pulse import store_pulse
from trimkeep.service.store.series import load_series

log = logging.getLogger(__name__)


def standing_judgement(store: Store, fleet: FleetSettings) -> Judgement:
    """What the last judging left, as the store has it now."""
    return Judgement(
        series=load_series(store, SPECS, card_thresholds(fleet)),
        changes=load_changes(store, fleet.time_zone),
        findings=load_findings(store),
        model_version=_model_version(store),
        differences=FindingChanges(),
    )


def _model_version(store: Store) -> str:
    frozen = load_model(store, MODEL_NAME)
    if frozen is None:
        return "none"
    try:
        return FleetModel.from_json(json.dumps(frozen.content)).version
    except ValueError:
        # An earlier version of the program fitted it; the next judging fits anew.
        return "none"


class Refresher:
    """Looks at the store now and then, and brings the pages up to date when it has changed."""

    def __init__(
        self, store: Store, fleet: FleetSettings, clock: Callable[[], datetime], every_s: float
    ) -> None:
        self.store = store
        self.fleet = fleet
        self.clock = clock
        self.every_s = every_s
        self._zone = ZoneInfo(fleet.time_zone)
        self._shown: tuple[object, ...] | None = None
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
            pulse = (*store_pulse(self.store), moment.astimezone(self._zone).date())
            changed = pulse != self._shown
            if not changed and not self._again:
                return False
            write_pages(self.store, self.fleet, standing_judgement(self.store, self.fleet), moment)
            # The watcher may have been writing the same pages, from what stood a moment before: once more
            # at the next look, which finds them as they should be or sets them right.
            self._shown, self._again = pulse, changed
            return changed

    def _run(self) -> None:
        while not self._stopped.is_set():
            self._wake.clear()
            try:
                self.now()
            except TrimkeepError as error:
                log.warning("%s", error)
            except Exception:
                # The pages of before are served on; a fault here must not end the thread unseen.
                log.exception("the pages could not be brought up to date")
            self._wake.wait(self.every_s)
