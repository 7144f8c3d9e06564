"""`trimkeep inspect`: one log by itself, in words and in one page; nobody's file is overwritten."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from tests.builders import ROUND_TRIP, Leg, flown
from tests.reports.page_reading import Page
from trimkeep.service.cli.main import run

CARD = 'description = "made by arithmetic"\n[limits]\nstall_speed_mps = 9.0\n'
# Nobody disarmed it for four minutes.
FORGOTTEN = (*ROUND_TRIP[:-2], Leg(240, "manual", airspeed_mps=0.0, on_ground=True, throttle=0.0))


@cache
def text_of(legs: tuple[Leg, ...]) -> str:
    """A log as a table, every channel on the clock of the first."""
    channels = flown(legs).channels
    columns = {"time_s": next(iter(channels.values())).time_s}
    for name, channel in channels.items():
        columns[name] = channel.value
    return pd.DataFrame(columns).to_csv(index=False)


def table_of(path: Path, legs: tuple[Leg, ...] = ROUND_TRIP) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text_of(legs))
    return path


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    field = tmp_path / "field"
    field.mkdir()
    monkeypatch.chdir(field)
    folder = tmp_path / "fleet" / "heron-01"
    folder.mkdir(parents=True)
    (folder / "airframe.toml").write_text(CARD)
    return table_of(folder / "sub" / "a.csv")


def test_a_log_by_itself_gives_words_and_a_page(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", str(log)]) == 0
    said = capsys.readouterr().out
    assert "Flight 1:" in said
    assert "Altitude error, root mean square, in level flight" in said
    assert "not measured" in said and "why not" in said
    page = Page(Path("a.csv.html").read_text(encoding="utf-8"))
    assert page.problems == []
    assert "heron-01" in page.text and "How it was flown" in page.text
    # Nothing is left beside the log, and no store was made.
    assert [path.name for path in log.parent.iterdir()] == ["a.csv"]
    assert not list(log.parents[2].glob(".trimkeep"))


def test_what_one_flight_shows_comes_with_cause_and_caution(
    log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["inspect", str(table_of(log.with_name("b.csv"), FORGOTTEN))]) == 0
    said = capsys.readouterr().out.replace("\xa0", " ")
    assert "Needs a hand: Left armed for 4 min after landing." in said
    assert "Most likely: Left armed on the ground" in said
    assert "Propellers off first." in said
    assert "What this flight shows by itself" in Page(Path("b.csv.html").read_text()).text


def test_its_own_page_is_replaced_and_no_other(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", str(log), "--output", "page.html"]) == 0
    assert run(["inspect", str(log), "--output", "page.html"]) == 0
    Path("mine.html").write_text("<p>precious</p>")
    capsys.readouterr()
    assert run(["inspect", str(log), "--output", "mine.html"]) == 2
    assert "was not made by this command" in capsys.readouterr().err
    assert Path("mine.html").read_text() == "<p>precious</p>"


def test_the_card_can_be_named(log: Path, tmp_path: Path) -> None:
    elsewhere = log.replace(tmp_path / "field" / "c.csv")
    assert run(["inspect", str(elsewhere), "--airframe-folder", str(tmp_path / "fleet" / "heron-01")]) == 0
    assert "heron-01" in Page(Path("c.csv.html").read_text()).text


def test_a_log_without_a_flight_makes_no_page(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    standing = tuple(replace(leg, seconds=60.0) for leg in ROUND_TRIP[:1])
    assert run(["inspect", str(table_of(log.with_name("d.csv"), standing))]) == 0
    assert "nothing in it flew" in capsys.readouterr().out
    assert not Path("d.csv.html").exists()


def test_mistakes_are_one_sentence(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", str(log.with_name("nowhere.csv"))]) == 2
    assert "is not a file" in capsys.readouterr().err
    assert run(["inspect", str(log), "--flight", "3"]) == 2
    assert "has no flight 3" in capsys.readouterr().err
    log.write_text("colour,size\nred,1\n")
    assert run(["inspect", str(log)]) == 4
    assert "Traceback" not in capsys.readouterr().err
