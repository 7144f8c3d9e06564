"""The unit and the container file: no root, no rights to gain, a read-only fleet, and commands that exist."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tomllib
from configparser import RawConfigParser
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from trimkeep.service.cli.main import COMMANDS

DEPLOY = Path(__file__).parents[2] / "service" / "deploy"
UNITS = ("trimkeep.service", "trimkeep-backup.service", "trimkeep-serve.service")
# systemd's own scale from 0 (closed) to 10 (open); below 2 it calls a unit "OK". The service needs the
# network for alerts, and workers that may set limits on themselves, which is what is left of it.
EXPOSURE_BELOW = 2.0
ANALYZE = shutil.which("systemd-analyze")


def unit(name: str) -> dict[str, list[str]]:
    """Keys of the [Service] section with all their values: systemd lets a key stand more than once."""
    found: dict[str, list[str]] = {}
    section = ""
    for line in (DEPLOY / name).read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            section = line
        elif section == "[Service]" and line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


@pytest.mark.parametrize("name", UNITS)
def test_units_have_no_root_and_no_way_to_get_it(name: str) -> None:
    told = unit(name)
    assert told["User"] == ["trimkeep"]
    assert told["CapabilityBoundingSet"] == [""]
    for key in ("NoNewPrivileges", "ProtectHome", "PrivateTmp", "PrivateDevices", "RestrictSUIDSGID"):
        assert told[key] == ["yes"], key
    assert told["ProtectSystem"] == ["strict"]
    assert "/srv/fleet" in told["ReadOnlyPaths"]
    assert not any("/srv/fleet" in path.split() for path in told.get("ReadWritePaths", []))


@pytest.mark.parametrize("name", UNITS)
def test_units_start_commands_that_exist(name: str) -> None:
    [line] = unit(name)["ExecStart"]
    assert line.split()[1] in COMMANDS


def test_a_worker_without_memory_does_not_stop_the_service() -> None:
    assert unit("trimkeep.service")["OOMPolicy"] == ["continue"]


def test_the_timer_belongs_to_the_backup() -> None:
    timer = RawConfigParser()
    timer.read(DEPLOY / "trimkeep-backup.timer", encoding="utf-8")
    assert timer["Timer"]["persistent"] == "yes"
    assert (DEPLOY / "trimkeep-backup.service").exists()


@pytest.mark.parametrize(
    ("name", "extras"),
    [("requirements.lock", ["serve"]), ("requirements-objects.lock", ["serve", "objects"])],
)
def test_the_lock_pins_every_dependency_within_its_bounds(name: str, extras: list[str]) -> None:
    """What a service installs is what was locked: exact versions, each file by its hash."""
    lock = (DEPLOY / name).read_text(encoding="utf-8")
    pinned = dict(re.findall(r"^([a-z0-9-]+)==([^ ;]+)[^\n]*\\$", lock, re.M))
    blocks = re.split(r"^(?=[a-z0-9-]+==)", lock, flags=re.M)[1:]
    assert len(blocks) == len(pinned) and all("--hash=sha256:" in block for block in blocks)
    project = tomllib.loads((DEPLOY.parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    optional = [text for extra in extras for text in project["optional-dependencies"][extra]]
    for text in (*project["dependencies"], *optional):
        wanted = Requirement(text)
        assert pinned[wanted.name] in wanted.specifier, text
    assert "://" not in lock


@pytest.fixture
def units(tmp_path: Path) -> Path:
    """The units with a program that is there, which the verifier asks for."""
    for path in DEPLOY.glob("trimkeep*"):
        text = path.read_text(encoding="utf-8").replace("/opt/trimkeep/bin/trimkeep", "/bin/true")
        (tmp_path / path.name).write_text(text)
    return tmp_path


@pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed here")
def test_systemd_understands_the_units(units: Path) -> None:
    done = subprocess.run(
        [str(ANALYZE), "verify", *(str(path) for path in sorted(units.iterdir()))],
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed here")
@pytest.mark.parametrize("name", UNITS)
def test_systemd_finds_little_that_is_open(units: Path, name: str) -> None:
    done = subprocess.run(
        [str(ANALYZE), "security", "--offline=true", "--no-pager", str(units / name)],
        capture_output=True,
        text=True,
    )
    level = re.search(r"exposure level for .*?: ([0-9.]+)", done.stdout)
    if level is None:
        pytest.skip("this systemd cannot judge a unit that is not running")
    assert float(level[1]) < EXPOSURE_BELOW


def test_the_container_has_no_root_and_starts_commands_that_exist() -> None:
    lines = (DEPLOY / "Containerfile").read_text(encoding="utf-8").splitlines()
    users = [line.split()[1] for line in lines if line.startswith("USER ")]
    assert users == ["10001:10001"]
    [start] = [json.loads(line.removeprefix("CMD ")) for line in lines if line.startswith("CMD [")]
    assert start[0] in COMMANDS
    [health] = [
        json.loads(line.strip().removeprefix("CMD ")) for line in lines if line.startswith("    CMD [")
    ]
    assert health[0] == "trimkeep"
    assert health[1] in COMMANDS


def test_the_page_names_every_file() -> None:
    page = (DEPLOY.parent / "README.md").read_text(encoding="utf-8")
    for path in DEPLOY.iterdir():
        assert f"service/deploy/{path.name}" in page, path.name


def test_a_row_of_the_chain_is_hashed_as_the_page_says() -> None:
    """The recipe for auditors, by hand with the standard library."""
    import hashlib
    from datetime import datetime

    from trimkeep.service.store.audit import NO_ROW, row_hash

    at = datetime(2026, 3, 14, 10, 0, 0, 5)
    fields = [1, "2026-03-14T10:00:00.000005", "log_stored", "heron-01", '{"path":"é"}', NO_ROW]
    text = json.dumps(fields, separators=(",", ":"), ensure_ascii=False)
    assert row_hash(1, at, "log_stored", "heron-01", '{"path":"é"}', NO_ROW) == (
        hashlib.sha256(text.encode("utf-8")).hexdigest()
    )
