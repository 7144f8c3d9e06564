"""What follows when the watcher has taken logs in: judge, bring the pages up to date, alert."""

from __future__ import annotations

import logging
import threading
from collections.abc import Collection
from datetime import datetime

from trimkeep.config.errors import TrimkeepError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.alerts import raise_alerts
from trimkeep.service.judging import judge_new
from trimkeep.service.outbox import Delivery, deliver
from trimkeep.service.pages import write_pages, write_pages_of
from trimkeep.service.removing import BY_ITSELF, Cleared, clear_due
from trimkeep.service.senders import channels_of
from trimkeep.service.store.connection import Store

log = logging.getLogger(__name__)


class Aftermath:
    """Runs what follows, one at a time; what fails is told and tried again, and stops no reading of logs."""

    def __init__(self, store: Store, fleet: FleetSettings) -> None:
        self.store = store
        self.fleet = fleet
        self.lock = threading.Lock()

    def after_logs(self, now: datetime, airframes: Collection[str] = ()) -> Delivery:
        """Judge and tell what is new. Alerts come before pages: they are waited for.

        Of a large fleet only the airframes with new logs are judged, and theirs are the pages that are
        brought up to date; the board waits for the next digest.
        """
        with self.lock:
            try:
                judgement = judge_new(self.store, self.fleet, now, fresh=airframes)
                if channels_of(self.fleet):
                    raise_alerts(self.store, self.fleet, judgement, now)
                done = deliver(self.store, self.fleet, now)
                if judgement.whole:
                    write_pages(self.store, self.fleet, judgement, now)
                else:
                    judged = {one.airframe for one in judgement.series}
                    write_pages_of(self.store, self.fleet, judgement, now, judged)
            except TrimkeepError as error:
                log.warning("%s", error)
                return Delivery()
            return done

    def clear_due(self, now: datetime) -> Cleared | None:
        """Remove what the retention settings say is due, if they let the service do it; None if not.

        Alerts and pages go on meanwhile: reading many logs to their end takes long. A page that comes to draw
        what has just gone has it made again at its next round.
        """
        if not self.fleet.settings.retention.automatic:
            return None
        try:
            return clear_due(self.store, self.fleet, now, BY_ITSELF)
        except TrimkeepError as error:
            log.warning("%s", error)
            return None

    def deliver_due(self, now: datetime) -> Delivery:
        """Try again what has not arrived yet."""
        with self.lock:
            try:
                return deliver(self.store, self.fleet, now)
            except TrimkeepError as error:
                log.warning("%s", error)
                return Delivery()
