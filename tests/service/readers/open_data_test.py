"""28 logs of a real aeroplane: two versions and two senders interleaved.

Data: A. Keipour, M. Mousaei, S. Scherer, "ALFA: A dataset for UAV fault and anomaly detection",
International Journal of Robotics Research 40(2-3), 2021 (CC BY 4.0).
"""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.model import ClockSource
from trimkeep.service.readers.registry import read_log
from trimkeep.service.readers.tlog_log import decode_file

HERE = Path(__file__).parents[3]
FOLDER = Path(os.environ.get("TRIMKEEP_OPEN_DATA", HERE.parent / "shared" / "open-data")) / "alfa"
pytestmark = pytest.mark.skipif(
    not (FOLDER / "frames.csv").exists(), reason="the open data set is not here (TRIMKEEP_OPEN_DATA)"
)


def _counts() -> dict[str, int]:
    with (FOLDER / "frames.csv").open() as file:
        return {row["log"]: int(row["frames"]) for row in csv.DictReader(file)}


def test_all_frames_are_found_and_nothing_else() -> None:
    expected = _counts()
    found = {}
    for name in expected:
        frames = decode_file(FOLDER / name).frames
        found[name] = frames.records.start.size
        assert (frames.skipped_bytes, frames.bad_checksum, frames.cut_off_at) == (0, 0, None)
    assert found == expected
    assert sum(found.values()) == 557_199


def test_altitude_error_is_asked_for_minus_actual() -> None:
    """The sign that the project's channel states, on logs that carry target, altitude and error."""
    for name in list(_counts())[::9]:
        channels = read_log(FOLDER / name, AirframeCard(id="a")).channels
        error, target, altitude = (
            channels[key] for key in ("altitude_error_m", "altitude_target_m", "altitude_m")
        )
        difference = np.interp(error.time_s, target.time_s, target.value) - np.interp(
            error.time_s, altitude.time_s, altitude.value
        )
        # Position comes at 4 Hz, errors at 20 Hz: between samples a climb of 5 m/s makes up to a metre.
        assert np.median(np.abs(error.value - difference)) < 0.5


def test_airspeed_error_plus_airspeed_is_the_airspeed_asked_for() -> None:
    """These senders put hundredths into the field that the protocol says is m/s."""
    name = next(name for name in _counts() if name.startswith("alfa_2018-07-30-17-20-01"))
    channels = read_log(FOLDER / name, AirframeCard(id="a")).channels
    error, airspeed = channels["airspeed_error_mps"], channels["airspeed_mps"]
    asked = error.value + np.interp(error.time_s, airspeed.time_s, airspeed.value)
    assert np.median(asked) == pytest.approx(16.0, abs=0.05)
    assert np.std(asked) < 0.5  # 0.14 m/s, from interpolating airspeed between 2.5 Hz samples


def test_wall_time_is_the_satellites_where_the_recorders_clock_was_days_off() -> None:
    name = next(name for name in _counts() if name.startswith("alfa_2018-07-30-16-29-45"))
    recording = read_log(FOLDER / name, AirframeCard(id="a"))
    assert recording.clock is ClockSource.SATELLITE
    assert recording.start_utc is not None
    assert recording.start_utc.date().isoformat() == "2018-07-30"
    (note,) = (note for note in recording.notes if note.code == "receiver_clock")
    assert note.values["seconds"] == pytest.approx(-849091, abs=2)
