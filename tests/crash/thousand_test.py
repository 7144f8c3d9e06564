"""The harness of a thousand kills: a short run of it, and that it finds what is not safe against a kill."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import pytest

from tests.crash.scene import Scene, Setting

ROOT = Path(__file__).resolve().parent.parent.parent
DEADLINE_S = 500.0
# Those whose work takes a tenth of a second.
CHEAP = ("the journal's import", "making the schema", "backup")


def in_a_process(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Apart: the harness forks, and the test runner may have threads."""
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(folder)},
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=False,
    )


def kill(folder: Path, *arguments: str) -> str:
    done = in_a_process(folder, "-m", "tests.crash.thousand", *arguments)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_ten_kills_at_random(tmp_path: Path) -> None:
    said = kill(
        tmp_path, "--kills", "10", "--seed", "1", *(word for name in CHEAP for word in ("--scene", name))
    )
    assert "kills 10 /" in said and "all of it held" in said


@pytest.mark.slow
def test_a_hundred_kills_over_all_stages(tmp_path: Path) -> None:
    said = kill(tmp_path, "--kills", "100", "--seed", "7")
    assert "kills 100 /" in said and "all of it held" in said


# --- work that is not safe ---


def _nothing(folder: Path) -> None:
    return None


def _write_in_two_steps(folder: Path, setting: Setting) -> None:
    """What was begun is begun again: the first line comes twice after a kill between the two."""
    for line in ("first", "second"):
        with (folder / "file").open("a") as stream:
            stream.write(f"{line}\n")
        until = time.process_time() + 0.05
        while time.process_time() < until:
            pass


def _lines(folder: Path) -> dict[str, Any]:
    return {"lines": (folder / "file").read_text().splitlines()}


def find_what_is_not_safe() -> None:
    """Run by the test below, in a process of its own."""
    from tests.crash import thousand

    thousand.SCENES = (Scene("unsafe", _nothing, _write_in_two_steps, _lines),)  # type: ignore[assignment]
    with tempfile.NamedTemporaryFile("w+") as log:
        print(*thousand.run(6, 1, [], log).finds, sep="\n")


def test_work_that_doubles_something_is_found(tmp_path: Path) -> None:
    program = "from tests.crash.thousand_test import find_what_is_not_safe as find; find()"
    done = in_a_process(tmp_path, "-c", program)
    assert "unsafe: lines: only here" in done.stdout, done.stdout + done.stderr
    assert list(tmp_path.glob("thousand-found-*/round/file")), "what was found is kept to be looked at"
