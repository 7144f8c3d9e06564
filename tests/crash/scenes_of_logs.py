"""Scenes of taking logs in: from the folder, from object storage, by workers, and measuring them anew."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.crash.scene import OF_CHAIN_UNORDERED, Scene, Setting, assert_sound, fleet_of, rows
from tests.crash.undisturbed import CONTENT as OF_LOGS
from tests.crash.undisturbed import backlog
from tests.service.small_logs import TOOLS, ingest, later_detectors
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.objects import FETCHED_NAME
from trimkeep.service.ingest.pool import process_pool, start_worker
from trimkeep.service.ingest.remeasure import remeasure
from trimkeep.service.store.connection import open_store

LOGS = 8
# A log must never be given up because its workers were killed by us.
SETTINGS = "[ingest]\nattempts = 10\n"


def forked_pool(workers: int) -> Executor:
    """The service's workers, forked from the run itself: they cost a hundredth of the pool's usual start."""
    context = multiprocessing.get_context("fork")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=start_worker, initargs=(0,))


def make_backlog(folder: Path) -> None:
    fleet = backlog(folder, LOGS, slow_s=0.02)
    text = (fleet.folder / "fleet.toml").read_text()
    (fleet.folder / "fleet.toml").write_text(text + SETTINGS)


def take_in(folder: Path, setting: Setting) -> None:
    ingest_fleet(fleet_of(folder), workers=2, tools=TOOLS, pool=forked_pool)


def _take_in_as_installed(folder: Path, setting: Setting) -> None:
    ingest_fleet(fleet_of(folder), workers=2, tools=TOOLS, pool=process_pool)


def _taken_in(folder: Path) -> dict[str, Any]:
    fleet = fleet_of(folder)
    assert_sound(fleet.state, read_all=True)
    again = ingest(fleet)
    assert (again.unchanged, again.changed) == (LOGS, False), again
    return rows(fleet.state, OF_LOGS, OF_CHAIN_UNORDERED)


def make_outdated(folder: Path) -> None:
    make_backlog(folder)
    ingest(fleet_of(folder))


def _measure_anew(folder: Path, setting: Setting) -> None:
    remeasure(fleet_of(folder), tools=replace(TOOLS, detectors=later_detectors, splitter_version=2))


def _measured_anew(folder: Path) -> dict[str, Any]:
    fleet = fleet_of(folder)
    assert_sound(fleet.state, read_all=True)
    return rows(fleet.state, OF_LOGS)


def _make_bucket(folder: Path) -> None:
    """The same logs where object storage would have them; the cards' folders stay empty."""
    make_backlog(folder)
    fleet = fleet_of(folder)
    for path in sorted(fleet.folder.rglob("*.tlog")):
        target = folder / "bucket" / path.relative_to(fleet.folder)
        target.parent.mkdir(parents=True, exist_ok=True)
        path.rename(target)


def _in_bucket(folder: Path) -> FleetSettings:
    fleet = fleet_of(folder)
    logs = replace(fleet.settings.logs, address=f"file://{folder / 'bucket'}")
    return replace(fleet, settings=replace(fleet.settings, logs=logs))


def _fetch_and_take_in(folder: Path, setting: Setting) -> None:
    ingest_fleet(_in_bucket(folder), workers=2, tools=TOOLS, pool=forked_pool)


def _fetched(folder: Path) -> dict[str, Any]:
    fleet = _in_bucket(folder)
    assert_sound(fleet.state, read_all=True)
    again = ingest(fleet)
    assert (again.unchanged, again.changed) == (LOGS, False), again
    assert list((fleet.state / FETCHED_NAME).glob("*")) == [], "what a killed run had fetched is still there"
    return rows(fleet.state, OF_LOGS, OF_CHAIN_UNORDERED)


def make_arrived(folder: Path) -> None:
    """Logs, and a store that is there already."""
    make_backlog(folder)
    open_store(fleet_of(folder).state)


SCENES = (
    Scene("reading logs", make_backlog, take_in, _taken_in, share=6),
    Scene("reading logs, a worker killed", make_arrived, take_in, _taken_in, share=4, kills_worker=True),
    Scene("reading logs, pool as installed", make_backlog, _take_in_as_installed, _taken_in),
    Scene("reading logs from object storage", _make_bucket, _fetch_and_take_in, _fetched, share=3),
    Scene("measuring history anew", make_outdated, _measure_anew, _measured_anew, share=3),
)
