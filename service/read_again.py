"""A log in the place of its decoded recording, which the retention setting took away."""

from __future__ import annotations

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import RecordingRemoved, TrimkeepError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.model import Recording
from trimkeep.service.ingest import leases
from trimkeep.service.ingest.extract import Tools
from trimkeep.service.ingest.scan import path_on_disk
from trimkeep.service.ingest.source import Taken, source_of
from trimkeep.service.store.connection import Store
from trimkeep.service.store.removals import Removal, removed_error


def read_log_again(fleet: FleetSettings, removal: Removal, card: AirframeCard, tools: Tools) -> Recording:
    """A recording as its log gives it, without keeping it.

    Raises
    ------
    RecordingRemoved
        The log is not there any more as it was read, or cannot be read.
    """
    with leases.hold_lease(Store(fleet.state).runs) as lease:
        source = source_of(fleet, holder=lease)
        try:
            place = source.place_of(path_on_disk(fleet, removal.file.log_path))
            if place is None:
                raise removed_error(removal, ", and its log is not there any more")
            taken: Taken | None = source.take(place, lambda head: (), whole=True)
            if taken is None or taken.prints.sha256 != removal.file.log_sha256:
                raise removed_error(removal, ", and its log has other content by now")
            return tools.read(taken.path, card)
        except RecordingRemoved:
            raise
        except OSError as error:
            raise removed_error(removal, f", and its log cannot be read ({error.strerror})") from error
        except TrimkeepError as error:
            raise removed_error(removal, f", and its log cannot be read ({error.message})") from error
        finally:
            source.close()
