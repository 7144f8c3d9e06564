"""A poisonous file costs one rejected row and nothing else: no neighbour, no service, no machine."""

from __future__ import annotations

import math
import os
from pathlib import Path

import pytest

from tests.fuzz import seeds, targets
from tests.service.readers.broken_logs import corpus, parquet_bomb, special_floats
from tests.service.small_logs import TOOLS, age, fleet_in, log_text, put
from trimkeep.config.settings import FleetSettings
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.integrity import check_store
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.flights import load_flights
from trimkeep.service.store.logs import load_log_outcomes
from trimkeep.service.store.rows import LogOutcome

BROKEN = dict(corpus())
# Ends of a log that the tests accept: whatever is wrong with a file is the file's fault, not ours.
OUR_FAULTS = {"fault", "worker-death"}


def place(fleet: FleetSettings, name: str | bytes, data: bytes) -> Path:
    path = fleet.folder / "heron-1" / os.fsdecode(name)
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    age(path)
    return path


def slugs(fleet: FleetSettings) -> dict[str, str | None]:
    with unit_of_work(Store(fleet.state)) as connection:
        rows = connection.execute("SELECT path, slug FROM log_file").fetchall()
    return dict(rows)


@pytest.mark.parametrize("name", BROKEN)
def test_read_or_refused_but_never_a_fault(name: str) -> None:
    targets.whole_path(BROKEN[name])


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 3.4e38, -3.4e38, 1e-45])
def test_difficult_floats_in_packets(value: float) -> None:
    assert targets.whole_path(special_floats(value))


def test_cut_at_every_record() -> None:
    """What was whole is kept: the cut costs what lies behind it and nothing before."""
    records = seeds.records()[:120]
    lengths = []
    for count in range(3, len(records)):
        part = b"".join(records[:count])
        assert targets.telemetry(part + records[count][: len(records[count]) // 2])
        lengths.append(len(part))
    assert len(lengths) == 117


def test_all_of_them_in_one_folder_cost_one_row_each(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path, "[ingest]\nworker_memory_mb = 1500\n")
    for name, data in BROKEN.items():
        place(fleet, name, data)
    place(fleet, "good.tlog", seeds.telemetry())
    report = ingest_fleet(fleet, workers=2)
    contents = set(BROKEN.values())
    said = slugs(fleet)
    assert len(said) == len(contents) + 1
    assert sum(report.counts.values()) == len(BROKEN) + 1
    assert not OUR_FAULTS & set(said.values()), {p: s for p, s in said.items() if s in OUR_FAULTS}
    assert report.problems == () and report.waiting == ()
    outcomes = {one.path: one for one in load_log_outcomes(Store(fleet.state))}
    assert outcomes["heron-1/good.tlog"].outcome is LogOutcome.INGESTED
    refused = [one for one in outcomes.values() if one.outcome is LogOutcome.REJECTED]
    assert len(refused) > len(BROKEN) / 3
    assert all(one.reason and "\n" not in one.reason for one in refused)
    assert check_store(Store(fleet.state), read_all=True) == ()
    again = ingest_fleet(fleet, workers=1)
    assert (again.unchanged, again.changed) == (len(BROKEN) + 1, False)


def test_a_file_that_unpacks_to_gigabytes_is_refused_within_its_memory(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path, "[ingest]\nworker_memory_mb = 900\n")
    bomb = parquet_bomb()
    assert len(bomb) < 2_000_000
    place(fleet, "bomb.parquet", bomb)
    place(fleet, "good.tlog", seeds.telemetry())
    report = ingest_fleet(fleet, workers=1)
    assert report.counts == {LogOutcome.INGESTED: 1, LogOutcome.REJECTED: 1}
    assert slugs(fleet)["heron-1/bomb.parquet"] == "memory"
    assert "memory" in report.rejected[0].sentence


def test_a_log_that_takes_for_ever_is_refused_and_the_others_get_in(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path, "[ingest]\nlongest_s = 1.0\nattempts = 1\n")
    put(fleet, "heron-1/endless.tlog", log_text([(10.0, 60.0, 5.0)], slow_s=3600.0))
    put(fleet, "heron-1/quick.tlog", log_text([(10.0, 60.0, 6.0)]))
    report = ingest_fleet(fleet, workers=1, tools=TOOLS)
    assert report.counts == {LogOutcome.INGESTED: 1, LogOutcome.REJECTED: 1}
    assert slugs(fleet)["heron-1/endless.tlog"] == "worker-death"


def test_a_sparse_file_of_four_gigabytes_is_refused_unread(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    path = place(fleet, "sparse.tlog", b"")
    os.truncate(path, 4 << 30)
    age(path)
    place(fleet, "good.tlog", seeds.telemetry())
    report = ingest_fleet(fleet, workers=1)
    assert report.counts == {LogOutcome.INGESTED: 1, LogOutcome.REJECTED: 1}
    assert "larger than 2048 MB" in report.rejected[0].sentence


NAMES: list[str | bytes] = [
    "new\nline.tlog",
    "tab\tbell\x07.tlog",
    "\u202egolt.tlog",  # reads from right to left
    "שלום.tlog",
    "空.tlog",
    "emoji 🛩.tlog",
    "e\u0301 and \u00e9.tlog",
    "-rf.tlog",
    "'; DROP TABLE flight; --.tlog",
    "{{ 7 * 7 }}<script>alert(1)</script>.tlog".replace("/", "∕"),
    "%s%n %00.tlog",
    "quote\"and'back\\slash.tlog",
    b"caf\xe9.tlog",
    b"\xff\xfe.tlog",
    "x" * 250 + ".tlog",
    " leading and trailing .tlog",
    "UPPER.TLOG",
]


def test_every_kind_of_name_link_and_special_file(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    folder = fleet.folder / "heron-1"
    for number, name in enumerate(NAMES):
        place(fleet, name, seeds.telemetry()[: 40_000 + 1000 * number])
    os.mkfifo(folder / "pipe.tlog")
    (folder / "loop").symlink_to(folder)
    (folder / "up").symlink_to("..")
    (folder / "self.tlog").symlink_to("self.tlog")
    (folder / "nowhere.tlog").symlink_to("missing.tlog")
    (folder / "device.tlog").symlink_to("/dev/zero")
    (folder / "folder.tlog").mkdir()
    deep = folder
    for _ in range(30):
        deep = deep / "deeper and deeper"
    deep.mkdir(parents=True)
    (deep / "deep.tlog").write_bytes(seeds.telemetry()[:70_000])
    age(deep / "deep.tlog")
    report = ingest_fleet(fleet, workers=1)
    assert sum(report.counts.values()) == len(NAMES) + 1
    assert not report.rejected and not report.problems
    # Each is the start of a longer one, so one flight counts; none is lost, none counts twice.
    assert len(load_flights(Store(fleet.state))) == 1
    again = ingest_fleet(fleet, workers=1)
    assert (again.unchanged, again.changed) == (len(NAMES) + 1, False)
    assert check_store(Store(fleet.state), read_all=True) == ()
