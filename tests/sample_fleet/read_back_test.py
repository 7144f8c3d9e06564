"""One flight in every log style, read by the project's readers: what was flown is what is read.

Names, units and signs are typed apart on either side, so that agreement here means something.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from trimkeep.config.cards import load_card
from trimkeep.config.load import load_fleet
from trimkeep.detectors.flights import split
from trimkeep.sample_fleet.cards import airframe_toml, channels_toml
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.identity import Circumstances
from trimkeep.sample_fleet.make import PARAMETER_NAMES, flown_order
from trimkeep.sample_fleet.scenario import load_scenario
from trimkeep.sample_fleet.season import flight_orders
from trimkeep.sample_fleet.writers import LOG_STYLES, suffix_of, write_log
from trimkeep.service.readers.registry import read_log

ORDER = flight_orders(load_scenario(), seed=5)[0]
AT = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
# channel, signal, largest median difference: half a step of the wire or the file, and what a signal
# does between two samples of the slowest log
PAIRS = (
    ("bank_deg", "bank", 0.3),
    ("pitch_deg", "pitch", 0.2),
    ("altitude_m", "alt", 0.2),
    ("climb_mps", "climb", 0.15),
    ("velocity_north_mps", "vn", 0.2),
    ("elevator_cmd", "elevator", 0.01),
    ("aileron_cmd", "aileron", 0.01),
    ("throttle_cmd", "throttle", 0.02),
    ("accel_z_mps2", "az", 0.5),
    ("altitude_target_m", "alt_want", 0.1),
    ("bank_target_deg", "bank_want", 0.5),
    ("vibration_z_mps2", "vib_z", 0.3),
    ("satellites", "sat_count", 0.5),
    ("static_pressure_hpa", "pressure", 0.1),
)
NOT_IN_SOME_STYLES = {
    "radio_link": {"accel_z_mps2", "static_pressure_hpa"},
}


@cache
def flight() -> Flown:
    return flown_order(ORDER, np.random.default_rng(8))


@pytest.mark.parametrize("style", LOG_STYLES)
def test_what_was_flown_is_what_is_read(style: str, tmp_path: Path) -> None:
    home = tmp_path / ORDER.identity.id
    home.mkdir()
    (home / "airframe.toml").write_text(airframe_toml(ORDER.identity, PARAMETER_NAMES))
    if style == "table_foreign":
        (home / "channels.toml").write_text(channels_toml())
    path = home / f"2026-05-04_0900{suffix_of(style)}"
    circumstances = Circumstances(AT, (2, 8, 1))
    write_log(path, flight(), ORDER.identity, circumstances, style, np.random.default_rng(9))
    card = load_card(load_fleet(tmp_path), home)
    recording = read_log(path, card)
    assert len(split(recording, card)) == 1
    assert recording.start_utc is not None
    absent = NOT_IN_SOME_STYLES.get(style, set())
    aloft = np.rint(flight().signals["landed"]) == 2
    for channel, signal, tolerance in PAIRS:
        assert (channel in recording.channels) == (channel not in absent), channel
        if channel in absent:
            continue
        read = recording.channels[channel]
        rows = np.clip(np.rint(read.time_s * flight().rate_hz).astype(int), 0, flight().t_s.size - 1)
        use = np.isfinite(read.value) & aloft[rows] & np.isfinite(flight().signals[signal][rows])
        assert use.sum() > 100, channel
        difference = np.abs(read.value[use] - flight().signals[signal][rows][use])
        assert np.median(difference) < tolerance, channel
        assert np.corrcoef(read.value[use], flight().signals[signal][rows][use])[0, 1] > 0.5 or (
            np.ptp(flight().signals[signal][rows][use]) < 20.0 * tolerance
        ), channel
