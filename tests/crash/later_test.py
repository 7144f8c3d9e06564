"""Killed while judging, while a digest is written, in a journal's import, in a change of schema."""

from __future__ import annotations

import random
import shutil
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from tests.crash.later_child import STEPS, act
from tests.crash.nursery import nursery
from tests.service.synthetic_store import airframe_name, fill
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.store.audit import verify_chain
from trimkeep.service.store.connection import Store, open_store, unit_of_work

AIRFRAMES, FLIGHTS = 1, 15
# When a row was written may differ; places of files hold the test's own folder.
CONTENT = {
    "finding": "*",
    "finding_event": "*",
    "fleet_model": "*",
    "change_evidence": "*",
    "judging": "*",
    "digest": "* EXCLUDE (path, chain_head)",
    "audit_record": "seq, kind, airframe, body",
    "journal_file": "airframe, path, sha256",
    "schema_migration": "number, name, sha256",
}
JOURNALS = (
    "done_at,kind,part,before,after,done_by,note\n"
    "2025-01-05,servo,elevator servo,S1,S2,A,\n"
    "2025-01-06,propeller,,11x7,12x6,B,bent\n"
    "2025-01-07,battery,,,new,B,\n",
    "done_at,kind,part,before,after,done_by,note\n"
    "2025-01-05,servo,elevator servo,S1,S3,A,serial mended\n"
    "2025-01-09,sensor,airspeed tube,,,B,cleaned\n"
    "2025-01-10,trim,,,,A,\n",
)


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet whose flights are in the store and not judged yet."""
    folder = tmp_path_factory.mktemp("flown") / "fleet"
    for number in range(AIRFRAMES):
        (folder / airframe_name(number)).mkdir(parents=True)
    fill(open_store(load_fleet(folder, environment={}).state), AIRFRAMES, FLIGHTS)
    return folder


def copied(flown: Path, tmp_path: Path) -> FleetSettings:
    shutil.copytree(flown, tmp_path / "fleet")
    return load_fleet(tmp_path / "fleet", environment={})


def write_journals(fleet: FleetSettings, text: str) -> None:
    for number in range(AIRFRAMES):
        (fleet.folder / airframe_name(number) / "journal.csv").write_text(text)


def content(fleet: FleetSettings) -> dict[str, Any]:
    """Every row of what comes after ingest, and the pages with their bytes."""
    with unit_of_work(Store(fleet.state)) as connection:
        rows: dict[str, Any] = {
            table: sorted(connection.execute(f"SELECT {columns} FROM {table}").fetchall(), key=repr)
            for table, columns in CONTENT.items()
        }
    pages = sorted(fleet.output.rglob("*")) if fleet.output.exists() else []
    rows["pages"] = [
        (page.relative_to(fleet.output).as_posix(), page.read_bytes()) for page in pages if page.is_file()
    ]
    return rows


@pytest.fixture(scope="module")
def calm(flown: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What undisturbed runs leave: after a digest, and after two imports of the journals."""
    found = {}
    fleet = copied(flown, tmp_path_factory.mktemp("digest"))
    act(fleet, "digest")
    found["digest"] = content(fleet)
    fleet = copied(flown, tmp_path_factory.mktemp("journal"))
    for text in JOURNALS:
        write_journals(fleet, text)
        act(fleet, "journal")
    found["journal"] = content(fleet)
    return found


def run_child(fleet: FleetSettings, *arguments: str) -> int:
    child = nursery().start("tests.crash.later_child", str(fleet.folder), *arguments)
    assert child.wait() in (0, -signal.SIGKILL), child.complaints()
    return child.wait()


# Each costs a judging; these are the ones with something half done.
QUICK = ("findings half written", "page written, not yet named", "before the digest is noted")


@pytest.mark.parametrize(
    "step",
    [step if step in QUICK else pytest.param(step, marks=pytest.mark.slow) for step in STEPS["digest"]],
)
def test_killed_while_judging_or_writing_a_digest(
    flown: Path, calm: dict[str, dict[str, Any]], tmp_path: Path, step: str
) -> None:
    fleet = copied(flown, tmp_path)
    assert run_child(fleet, "digest", step) == -signal.SIGKILL, "it did not come to that step"
    act(fleet, "digest")
    found = content(fleet)
    parts = [name for name, _ in found["pages"] if name.endswith(".part")]
    found["pages"] = [page for page in found["pages"] if page[0] not in parts]
    assert found == calm["digest"]
    assert len(found["digest"]) == 1
    act(fleet, "digest")
    assert len(content(fleet)["digest"]) == 1, "made twice"


@pytest.mark.parametrize("step", STEPS["journal"])
@pytest.mark.parametrize("version", [0, 1])
def test_killed_in_a_journals_import(
    flown: Path, calm: dict[str, dict[str, Any]], tmp_path: Path, step: str, version: int
) -> None:
    if version == 0 and "withdrawn" in step:
        pytest.skip("the first import withdraws nothing")
    fleet = copied(flown, tmp_path)
    for number, text in enumerate(JOURNALS):
        write_journals(fleet, text)
        if number == version:
            assert run_child(fleet, "journal", step) == -signal.SIGKILL, "it did not come to that step"
        act(fleet, "journal")
    assert content(fleet) == calm["journal"]
    assert verify_chain(Store(fleet.state)) == ()


@pytest.mark.parametrize("step", STEPS["open"])
def test_killed_while_the_schema_is_made(tmp_path: Path, step: str) -> None:
    (tmp_path / "fleet").mkdir()
    fleet = load_fleet(tmp_path / "fleet", environment={})
    assert run_child(fleet, "open", step) == -signal.SIGKILL, "it did not come to that step"
    open_store(fleet.state)
    (tmp_path / "other").mkdir()
    other = load_fleet(tmp_path / "other", environment={})
    open_store(other.state)
    assert content(fleet) == content(other)


@pytest.mark.slow
def test_killed_at_random_moments_after_ingest(
    flown: Path, calm: dict[str, dict[str, Any]], tmp_path: Path
) -> None:
    fleet, choose, struck = copied(flown, tmp_path), random.Random(8), 0
    for _ in range(30):
        child = nursery().start("tests.crash.later_child", str(fleet.folder), "digest")
        assert child.stdout.readline() == "ready\n"
        time.sleep(choose.uniform(0.0, 1.5))
        child.kill()
        struck += child.wait() == -signal.SIGKILL
    assert struck >= 10
    act(fleet, "digest")
    found = content(fleet)
    found["pages"] = [page for page in found["pages"] if not page[0].endswith(".part")]
    assert found == calm["digest"]
