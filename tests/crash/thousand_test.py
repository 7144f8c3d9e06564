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

from tests.crash import thousand
from tests.crash.nursery import nursery
from tests.crash.scene import Scene, Setting

ROOT = Path(__file__).resolve().parent.parent.parent
DEADLINE_S = 500.0
# Those whose work takes a tenth of a second.
CHEAP = ("the journal's import", "making the schema", "backup")


def main(arguments: list[str]) -> None:
    """In a child of the nursery: what has that name, with a folder for everything temporary."""
    folder, name, *further = arguments
    tempfile.tempdir = folder
    {"kill": thousand.main, "find what is not safe": find_what_is_not_safe}[name](further)


def in_a_child(folder: Path, name: str, *arguments: str) -> tuple[int, str]:
    """Apart: the harness forks, and the test runner may have threads. The exit code, and what was said."""
    child = nursery().start("tests.crash.thousand_test", str(folder), name, *arguments)
    said = child.stdout.read()
    return child.wait(), said + child.complaints()


def test_ten_kills_at_random(tmp_path: Path) -> None:
    scenes = (word for name in CHEAP for word in ("--scene", name))
    code, said = in_a_child(tmp_path, "kill", "--kills", "10", "--seed", "1", *scenes)
    assert code == 0, said
    assert "kills 10 /" in said and "all of it held" in said


@pytest.mark.slow
def test_a_hundred_kills_over_all_stages(tmp_path: Path) -> None:
    """With the pool of workers as installed, so in a process that did not come from the nursery."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.crash.thousand", "--kills", "100", "--seed", "7"],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "kills 100 /" in done.stdout and "all of it held" in done.stdout


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


def find_what_is_not_safe(_: list[str]) -> None:
    """Run by the test below, in a process of its own."""
    thousand.SCENES = (Scene("unsafe", _nothing, _write_in_two_steps, _lines),)  # type: ignore[assignment]
    with tempfile.NamedTemporaryFile("w+") as log:
        print(*thousand.run(6, 1, [], log).finds, sep="\n")


def test_work_that_doubles_something_is_found(tmp_path: Path) -> None:
    _, said = in_a_child(tmp_path, "find what is not safe")
    assert "unsafe: lines: only here" in said, said
    assert list(tmp_path.glob("thousand-found-*/round/file")), "what was found is kept to be looked at"
