"""What the page set costs: all of it, nothing new, and after one new flight; with a share for each step.

    python -m tests.benchmarks.page_set FLEET
    python -m tests.benchmarks.page_set FLEET --large 100 200 [--keep FOLDER]

FLEET is an ingested fleet folder, such as `trimkeep demo` makes; it is copied and not changed. The new
flight is the newest table of an airframe flown again on later days. With `--large` the fleet is one of so
many airframes with so many flights each, rows straight in the store (see `tests.service.synthetic_store`),
whose recordings are those of FLEET in turn. Processor time of this process, medians; pages are compared by
nobody here, that is what the tests are for.
"""

from __future__ import annotations

import argparse
import logging
import os
import re
import shutil
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from itertools import cycle
from pathlib import Path
from typing import Any
from unittest.mock import patch

from tests.benchmarks.load import CARD
from tests.service.synthetic_store import FIRST_DAY, add_flight, airframe_name, fill
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.reports import plots
from trimkeep.service import pages, pages_evidence
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.judging import Judgement, judge, judge_new
from trimkeep.service.store.connection import Store, open_store

DAYS = 5
START = re.compile(r"(# start_utc: )(\d{4}-\d{2}-\d{2})")
# Each step's time is without that of the steps inside it; what is in none is finding out what changed.
STEPS: dict[str, tuple[tuple[Any, tuple[str, ...]], ...]] = {
    "the store's books": ((pages, ("load_books",)),),
    "recordings and windows": ((pages, ("load_channels", "load_runs")), (pages_evidence, ("load_evidence",))),
    "words and tables": (
        (
            pages,
            ("load_pictures", "compose_board", "compose_airframe", "compose_finding", "compose_inspect"),
        ),
    ),
    "drawing": ((plots, ("trend_svg", "trace_svg", "spectrum_svg")),),
    "templates": ((pages, ("render_board", "render_airframe", "render_finding", "render_inspect")),),
    "writing": ((pages, ("write_page",)),),
}
REST = "finding what changed"


class Steps:
    """Processor seconds of the steps, each without those that it calls."""

    def __init__(self) -> None:
        self.seconds: Counter[str] = Counter()
        self.calls: Counter[str] = Counter()
        self._inside: list[float] = []

    def timed(self, label: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """The same function, its time kept."""

        def run(*arguments: Any, **named: Any) -> Any:
            begun = time.process_time()
            self._inside.append(0.0)
            try:
                return work(*arguments, **named)
            finally:
                whole = time.process_time() - begun
                self.seconds[label] += whole - self._inside.pop()
                self.calls[label] += 1
                if self._inside:
                    self._inside[-1] += whole

        return run

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Time every step until the end of the block."""
        with ExitStack() as stack:
            for label, places in STEPS.items():
                for module, names in places:
                    for name in names:
                        timed = self.timed(label, getattr(module, name))
                        stack.enter_context(patch.object(module, name, timed))
            yield


class Round:
    """Figures of one round of pages."""

    def __init__(self, label: str, make: Callable[[], Any]) -> None:
        steps = Steps()
        wall, begun = time.perf_counter(), time.process_time()
        with steps.watching():
            made = make()
        self.processor_s = time.process_time() - begun
        self.wall_s = time.perf_counter() - wall
        self.written = len(made.written if isinstance(made, pages.PageSet) else made)
        self.seconds = steps.seconds
        self.seconds[REST] = self.processor_s - steps.seconds.total()
        self.drawn = steps.calls["drawing"]
        print(
            f"{label}: {self.written} pages, {self.drawn} plots, processor {self.processor_s:.2f} s, "
            f"wall {self.wall_s:.2f} s",
            flush=True,
        )


def tell(label: str, rounds: list[Round]) -> None:
    """Print medians and shares."""
    whole = statistics.median(one.processor_s for one in rounds)
    drawn = statistics.median(one.drawn for one in rounds)
    written = statistics.median(one.written for one in rounds)
    print(
        f"{label}, median of {len(rounds)}: {whole:.2f} s of processor time, "
        f"{written:.0f} pages, {drawn:.0f} plots"
    )
    for step in (*STEPS, REST):
        spent = statistics.median(one.seconds[step] for one in rounds)
        print(f"  {step}: {spent:.3f} s, {100.0 * spent / whole:.0f} %")


def of_a_fleet(folder: Path, place: Path) -> None:
    """A copy of a fleet, its newest flight flown again."""
    copy = place / "fleet"
    shutil.copytree(folder, copy)
    fleet = load_fleet(copy)
    store = open_store(fleet.state)
    now = datetime.now(UTC)
    for label in ("all pages", "nothing new"):
        _whole_round(label, store, fleet, now, judge(store, fleet, now))
    rounds = []
    for day in range(1, DAYS + 1):
        ingest_fleet(fleet, workers=1, only=[_flown_again(fleet, day)])
        rounds.append(_whole_round(f"day {day}", store, fleet, now, judge(store, fleet, now)))
    tell("after one new flight", rounds)


def _whole_round(
    label: str, store: Store, fleet: FleetSettings, now: datetime, judgement: Judgement
) -> Round:
    return Round(label, lambda: pages.write_pages(store, fleet, judgement, now))


def _part_round(label: str, store: Store, fleet: FleetSettings, now: datetime, judgement: Judgement) -> Round:
    touched = {airframe_name(0)}
    return Round(label, lambda: pages.write_pages_of(store, fleet, judgement, now, touched))


def _flown_again(fleet: FleetSettings, day: int) -> Path:
    newest = max(path for path in fleet.folder.glob("*/*.csv") if START.search(path.read_text()[:2000]))
    # Not one of those that were made here.
    newest = max(path for path in newest.parent.glob("2*.csv") if "again" not in path.name)
    text = newest.read_text()
    found = START.search(text)
    assert found is not None
    later = datetime.fromisoformat(found.group(2)) + timedelta(days=day)
    new = newest.with_name(f"{newest.stem}-again-{day}.csv")
    new.write_text(text.replace(found.group(2), f"{later:%Y-%m-%d}"))
    return new


def of_a_large_fleet(folder: Path, place: Path, airframes: int, flights: int) -> None:
    """A fleet made up in the store, whose flights have the recordings of a real one."""
    copy = place / f"fleet-{airframes}-{flights}"
    recordings = sorted((load_fleet(folder).state / "recordings").glob("*.parquet"))
    now = FIRST_DAY.replace(tzinfo=UTC) + timedelta(days=flights + DAYS + 1)
    is_new = not copy.exists()
    if is_new:
        for number in range(airframes):
            (copy / airframe_name(number)).mkdir(parents=True)
            (copy / airframe_name(number) / "airframe.toml").write_text(CARD)
        (copy / "fleet.toml").write_text("")
    fleet = load_fleet(copy, environment={})
    store = open_store(fleet.state)
    if is_new:
        fill(store, airframes, flights)
        _lend_recordings(store, recordings)
    judgement = judge(store, fleet, now)
    for label in ("all pages", "nothing new"):
        _whole_round(label, store, fleet, now, judgement)
    partly, wholly = [], []
    for number in range(flights, flights + DAYS):
        add_flight(store, 0, number, flights)
        _lend_recordings(store, recordings)
        new = judge_new(store, fleet, now)
        partly.append(_part_round(f"flight {number}", store, fleet, now, new))
        judgement = judge(store, fleet, now)
        wholly.append(_whole_round(f"flight {number}, the fleet", store, fleet, now, judgement))
    tell("after one new flight, pages of its airframe", partly)
    tell("after that, all that the fleet's judging changed", wholly)


def _lend_recordings(store: Store, recordings: list[Path]) -> None:
    """A hard link for every flight that has no recording yet."""
    from trimkeep.service.store.flights import load_flights

    turn = cycle(recordings)
    for flight in load_flights(store):
        path = store.recording_path(flight.main.log_sha256)
        if not path.exists():
            os.link(next(turn), path)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("fleet", type=Path)
    parser.add_argument("--large", type=int, nargs=2, metavar=("AIRFRAMES", "FLIGHTS"))
    parser.add_argument("--keep", type=Path, help="make the fleet here and leave it")
    asked = parser.parse_args()
    logging.disable(logging.WARNING)
    with tempfile.TemporaryDirectory() as temporary:
        place = asked.keep or Path(temporary)
        if asked.large:
            of_a_large_fleet(asked.fleet, place, *asked.large)
        else:
            of_a_fleet(asked.fleet, place)


if __name__ == "__main__":
    main()
