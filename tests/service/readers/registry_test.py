"""Which reader takes a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.service.readers.packets import START_US, Talker
from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import UnknownFormat, UnreadableLog
from trimkeep.service.readers import registry
from trimkeep.service.readers.registry import Reader, choose, read_log, readers

CARD = AirframeCard(id="a1")


def test_every_reader_is_found_by_being_there() -> None:
    assert "tlog" in [reader.name for reader in readers()]


def test_content_wins_over_the_name(tmp_path: Path) -> None:
    path = tmp_path / "renamed.csv"
    path.write_bytes(b"".join(Talker().heartbeat(START_US + k) for k in range(5)))
    assert choose(path).name == "tlog"
    assert read_log(path, CARD).reader == "tlog"


def test_what_no_reader_knows_lists_what_was_tried(tmp_path: Path) -> None:
    path = tmp_path / "holiday.jpg"
    path.write_bytes(bytes(range(200, 256)) * 40)
    with pytest.raises(UnknownFormat, match="tlog"):
        choose(path)
    with pytest.raises(UnreadableLog):
        choose(tmp_path / "missing")


def test_a_tie_is_an_error_that_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def read(path: Path, card: AirframeCard) -> registry.Recording:
        raise AssertionError("not reached")

    twins = tuple(Reader(name, 1, lambda head, name: 50, read) for name in ("one", "two"))
    monkeypatch.setattr(registry, "readers", lambda: twins)
    path = tmp_path / "x"
    path.write_bytes(b"x")
    with pytest.raises(UnknownFormat, match="one 50, two 50"):
        choose(path)
