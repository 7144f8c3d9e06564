"""What a crash left half-made goes after a day; what somebody may be writing, and everything else, stays."""

from __future__ import annotations

import os
import time
from pathlib import Path

from tests.service.small_logs import fleet_in, ingest, log_text, put
from tests.service.told_fleet import NOW, told_fleet
from trimkeep.service.backup import find_backup, make_backup, restore_backup
from trimkeep.service.digest import make_digest
from trimkeep.service.leftovers import OLD_S, remove_leftovers
from trimkeep.service.page_links import FOLDER
from trimkeep.service.store.connection import open_store


def left(path: Path, age_s: float = OLD_S + 60.0, *, folder: bool = False) -> Path:
    """Something half-made of that age."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if folder:
        path.mkdir()
        (path / "trimkeep.duckdb").write_text("half")
    else:
        path.write_text("half")
    past = time.time() - age_s
    os.utime(path, (past, past))
    return path


def test_only_old_ones_of_the_pattern_go(tmp_path: Path) -> None:
    old, folder = left(tmp_path / ".a.part"), left(tmp_path / ".b.part", folder=True)
    kept = [
        left(tmp_path / ".young.part", OLD_S - 60.0),
        left(tmp_path / ".future.part", -OLD_S),
        left(tmp_path / "a.part"),
        left(tmp_path / ".other"),
    ]
    outside = left(tmp_path / "outside" / "file")
    (tmp_path / ".link.part").symlink_to(outside.parent)
    os.utime(tmp_path / ".link.part", (0, 0), follow_symlinks=False)
    assert set(remove_leftovers(tmp_path, ".*.part")) == {old, folder, tmp_path / ".link.part"}
    assert all(path.exists() for path in [*kept, outside])
    assert remove_leftovers(tmp_path / "missing", ".*.part") == ()


def test_a_backup_and_a_restore_remove_what_killed_ones_left(tmp_path: Path) -> None:
    fleet, disk = fleet_in(tmp_path), tmp_path / "disk"
    put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 1.0)]))
    ingest(fleet)
    old = [left(disk / ".2026-01-01T000000Z.7.part", folder=True), left(disk / "recordings" / ".x.7.part")]
    make_backup(open_store(fleet.state), disk, NOW)
    work = left(fleet.state / ".restore.7", folder=True)
    restore_backup(fleet.state, find_backup(disk), NOW)
    assert not any(path.exists() for path in [*old, work])


def test_a_digest_removes_the_pages_that_a_killed_service_left(tmp_path: Path) -> None:
    fleet, store = told_fleet(tmp_path)
    old = [left(fleet.output / ".digest.html.7-8.part"), left(fleet.output / FOLDER / ".a.html.7-8.part")]
    make_digest(store, fleet, NOW)
    assert not any(path.exists() for path in old)
