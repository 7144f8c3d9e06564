"""The command line: help for everything, sentences for mistakes, exit codes, no traceback ever."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest

from trimkeep.service.cli import main
from trimkeep.service.cli.main import COMMANDS, EXIT_BUG, run

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([name, "--help"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(f"Usage: trimkeep {name}")
    # An option without words is one that its user has to guess.
    for option in re.findall(r"^  (--[a-z-]+).*$", shown, flags=re.MULTILINE):
        line = shown[shown.index(option) :].split("\n  -")[0]
        assert len(line.split()) > 2, f"{name} {option} has no help"


@pytest.mark.parametrize("name", COMMANDS)
def test_the_readme_names_every_command(name: str) -> None:
    assert f"`trimkeep {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_an_unknown_command_lists_what_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["digests"]) == 2
    assert "There is no command digests. Commands: demo, ingest" in capsys.readouterr().err


@pytest.mark.parametrize(("given", "kept"), [(None, "1"), ("2", "2")])
def test_linear_algebra_has_one_thread_unless_the_user_says_otherwise(given: str | None, kept: str) -> None:
    """It is read when numpy is loaded, so it must be said before."""
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    if given is not None:
        environment["OPENBLAS_NUM_THREADS"] = given
    program = (
        "import os, sys, trimkeep.service.cli.main; print('numpy' in sys.modules, os.environ[sys.argv[1]])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "OPENBLAS_NUM_THREADS"],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["False", kept]


def test_a_missing_folder_is_one_sentence(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run(["ingest", str(tmp_path / "nowhere")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "is not a folder. Give the fleet folder" in said


def test_a_wrong_setting_has_its_exit_code(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text("[watch]\nstil_s = 1\n")
    assert run(["ingest", str(tmp_path)]) == 3
    assert "fleet.toml line 2" in capsys.readouterr().err


def test_an_unreadable_log_has_its_exit_code_once(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text("[watch]\nstill_s = 0.1\n")
    (tmp_path / "heron-01").mkdir()
    (tmp_path / "heron-01" / "a.csv").write_text("colour,size\nred,1\n")
    assert run(["ingest", str(tmp_path), "--workers", "1"]) == 4
    said = capsys.readouterr().err
    assert "a.csv" in said
    assert "Traceback" not in said
    assert run(["ingest", str(tmp_path)]) == 0
    assert run(["flights", str(tmp_path), "--logs"]) == 0
    assert "rejected" in capsys.readouterr().out


def test_our_own_fault_shows_no_traceback(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    @click.command("flights")
    def broken() -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(main.trimkeep, "get_command", lambda context, name: broken)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    assert run(["flights"]) == EXIT_BUG
    said = capsys.readouterr().err
    assert "Traceback" not in said
    [details] = tmp_path.glob("trimkeep-fault-*.txt")
    assert "ZeroDivisionError: planted" in details.read_text()
    assert str(details) in said


def test_settings_are_listed_with_their_origin(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text('name = "Meadow"\n')
    assert run(["settings", str(tmp_path)]) == 0
    shown = capsys.readouterr().out
    assert 'name = "Meadow"   (fleet.toml line 1)' in shown
    assert "watch.still_s = 5.0 s   (default)" in shown


def test_the_demo_replaces_only_its_own_folder(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("precious")
    assert run(["demo", "--into", str(tmp_path)]) == 2
    assert "was not made by this command" in capsys.readouterr().err
    assert (tmp_path / "mine.txt").read_text() == "precious"
