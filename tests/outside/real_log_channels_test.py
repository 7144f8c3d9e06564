"""The physics check on logs of a real aeroplane that nobody here made: silent where nothing is wrong.

ALFA: A. Keipour, M. Mousaei, S. Scherer, International Journal of Robotics Research 40(2-3), 2021, CC BY 4.0.
Its description names the outputs (2 elevator, 4 rudder, 5 and 6 ailerons) and no directions.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from trimkeep.config.airframe import AirframeCard, Output
from trimkeep.detectors.channel_check import check_map
from trimkeep.detectors.model import Channel, Recording
from trimkeep.service.map_check import CHANNEL_NOTE, LINE_NOTE, read_checked

ROOT = Path(__file__).resolve().parents[2]
OPEN_DATA = Path(os.environ.get("TRIMKEEP_OPEN_DATA", ROOT.parent / "shared" / "open-data")) / "alfa"
# One of each kind of flight, a surface stuck in half of them; the benchmark reads all 28.
LOGS = tuple(sorted(OPEN_DATA.glob("*.tlog")))[3::5]
RIGHT = {
    "elevator": (Output(channel=2, reversed=True),),
    "throttle": (Output(channel=3),),
    "rudder": (Output(channel=4),),
    "aileron": (Output(channel=5), Output(channel=6)),
}

pytestmark = pytest.mark.skipif(not LOGS, reason=f"the open flight logs are not in {OPEN_DATA}")


def said(path: Path, outputs: dict[str, tuple[Output, ...]]) -> set[tuple[object, ...]]:
    notes = read_checked(path, AirframeCard(id="real", outputs=outputs)).notes
    return {
        (one.values.get("file"), one.values.get("line", one.values["channel"]))
        for one in notes
        if one.code in (LINE_NOTE, CHANNEL_NOTE)
    }


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.stem)
def test_nothing_is_said_against_a_card_that_fits(path: Path) -> None:
    assert said(path, RIGHT) == set()


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.stem)
def test_outputs_entered_the_wrong_way_round_are_named(path: Path) -> None:
    wrong = {
        **RIGHT,
        "elevator": (Output(channel=2),),
        "aileron": (Output(channel=5), Output(channel=6, reversed=True)),
    }
    assert said(path, wrong) == {
        ("airframe.toml", "elevator = { channel = 2, reversed = true }"),
        ("airframe.toml", "aileron = [ { channel = 5 }, { channel = 6 } ]"),
    }


@pytest.mark.parametrize("name", ["roll_rate_dps", "climb_mps", "satellite_speed_mps"])
def test_a_unit_planted_in_a_real_log_is_named(name: str) -> None:
    recording: Recording = read_checked(LOGS[0], AirframeCard(id="real", outputs=RIGHT))
    factor = 0.0174532925 if name.endswith("dps") else 3600.0 / 1852.0
    taken = recording.channels[name]
    channels = {**recording.channels, name: Channel(taken.time_s, factor * taken.value)}
    [doubt] = check_map(replace(recording, channels=channels))
    assert (doubt.channel, doubt.kind) == (name, "unit")
    assert doubt.factor == pytest.approx(1.0 / factor, rel=1e-6)
