"""What a store must hold after any disturbance: row by row what a run without one leaves."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.integrity import check_store
from trimkeep.service.store.connection import Store, unit_of_work

# Everything that must be the same whatever happened; times of writing and attempts may differ.
CONTENT = {
    "log_file": "sha256, airframe, path, size_bytes, outcome, reason, superseded_by",
    "recording": "* EXCLUDE (notes)",
    "flight": "*",
    "segment": "*",
    "detector_run": "*",
    "observation": "*",
    "parameter_value": "*",
}


def backlog(folder: Path, logs: int, slow_s: float = 0.01) -> FleetSettings:
    """A fleet with logs of all outcomes, each slow enough to be killed in."""
    fleet = fleet_in(folder)
    for k in range(logs):
        start = f"2026-03-{k % 28 + 1:02d}T{k // 28 + 8:02d}:00:00+00:00"
        flights = [] if k % 10 == 7 else [(10.0, 60.0 + k, 1.0 + k), (200.0, 260.0, 2.0)]
        text = (
            f"rubbish {k}"
            if k % 10 == 3
            else log_text(flights, start=start, slow_s=slow_s, parameters={"A": k})
        )
        put(fleet, f"heron-{k % 3}/{k}.tlog", text)
    return fleet


def content(fleet: FleetSettings) -> dict[str, list[Any]]:
    """Every row, by table, in an order that does not depend on when it was written."""
    with unit_of_work(Store(fleet.state)) as connection:
        return {
            table: sorted(connection.execute(f"SELECT {columns} FROM {table}").fetchall(), key=repr)
            for table, columns in CONTENT.items()
        }


@cache
def calm_content(logs: int, slow_s: float) -> dict[str, list[Any]]:
    """What an undisturbed run of the same backlog stores."""
    with tempfile.TemporaryDirectory() as folder:
        calm = backlog(Path(folder), logs, slow_s)
        ingest(calm, workers=2)
        return content(calm)


def assert_as_undisturbed(fleet: FleetSettings, logs: int, slow_s: float = 0.01) -> None:
    assert content(fleet) == calm_content(logs, slow_s)
    assert check_store(Store(fleet.state), read_all=True) == ()
    again = ingest(fleet)
    assert (again.unchanged, again.changed) == (logs, False)
