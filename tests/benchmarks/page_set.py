"""How long the page set takes: all of it, nothing new, and after one new flight.

    python -m tests.benchmarks.page_set FLEET

FLEET is an ingested fleet folder, such as `trimkeep demo` makes; it is copied and not changed. The new
flight is the newest table of an airframe flown again on later days.
"""

from __future__ import annotations

import re
import shutil
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.judging import judge
from trimkeep.service.pages import write_pages
from trimkeep.service.store.connection import Store, open_store

DAYS = 5
START = re.compile(r"(# start_utc: )(\d{4}-\d{2}-\d{2})")


def measure(folder: Path) -> None:
    """Print wall and processor seconds of each kind of round."""
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "fleet"
        shutil.copytree(folder, copy)
        fleet = load_fleet(copy)
        store = open_store(fleet.state)
        now = datetime.now(UTC)
        for label in ("all pages", "nothing new"):
            _round(label, store, fleet, now)
        rounds = [_after_one_flight(store, fleet, day, now) for day in range(1, DAYS + 1)]
        for label, place_in_round in (("judging", 0), ("pages, wall", 1), ("pages, processor", 2)):
            median = statistics.median(one[place_in_round] for one in rounds)
            print(f"after one new flight, median of {DAYS}: {label} {median:.2f} s")


def _round(label: str, store: Store, fleet: FleetSettings, now: datetime) -> tuple[float, float, float]:
    begun = time.perf_counter()
    judgement = judge(store, fleet, now)
    judged, processor = time.perf_counter(), time.process_time()
    made = write_pages(store, fleet, judgement, now)
    wall_s, processor_s = time.perf_counter() - judged, time.process_time() - processor
    print(f"{label}: {len(made.written)} written, {made.unchanged} unchanged, {wall_s:.2f} s")
    return judged - begun, wall_s, processor_s


def _after_one_flight(
    store: Store, fleet: FleetSettings, day: int, now: datetime
) -> tuple[float, float, float]:
    # Not one of those that were made here.
    newest = max(path for path in fleet.folder.glob("*/*.csv") if START.search(path.read_text()[:2000]))
    newest = max(path for path in newest.parent.glob("2*.csv") if "again" not in path.name)
    text = newest.read_text()
    found = START.search(text)
    assert found is not None
    later = datetime.fromisoformat(found.group(2)) + timedelta(days=day)
    new = newest.with_name(f"{newest.stem}-again-{day}.csv")
    new.write_text(text.replace(found.group(2), f"{later:%Y-%m-%d}"))
    ingest_fleet(fleet, workers=1, only=[new])
    return _round(f"day {day}", store, fleet, now)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit(__doc__)
    measure(Path(sys.argv[1]))
