"""A flight made by plain arithmetic, for testing the writers without flying anything."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from trimkeep.sample_fleet.flown import SIGNALS, Flown
from trimkeep.sample_fleet.identity import Circumstances, Identity, ServoOutput

SWITCHED_ON = datetime(2026, 4, 3, 8, 30, tzinfo=UTC)


def hand_made_flight(seconds: float = 60.0, rate_hz: float = 50.0) -> Flown:
    """Every signal has its own slope or swing, so that exchanged signals show."""
    n = round(seconds * rate_hz)
    t_s = np.arange(n) / rate_hz
    swing = np.sin(2.0 * np.pi * t_s / 7.0)
    signals = {name: 0.1 * (i + 1) + 0.01 * (i + 3) * swing for i, name in enumerate(SIGNALS)}
    aloft = (t_s > 0.15 * seconds) & (t_s < 0.85 * seconds)
    signals |= {
        "bank": 20.0 * swing,
        "heading": np.mod(350.0 + 2.0 * t_s, 360.0),
        "lat": 0.001 + 1e-6 * t_s,
        "lon": 0.002 + 2e-6 * t_s,
        "alt": 300.0 + 5.0 * swing,
        "height": 100.0 + 5.0 * swing,
        "vn": 12.0 + swing,
        "ve": -9.0 + swing,
        "climb": 2.0 * swing,
        "cas": 16.0 + swing,
        "az": -9.8 + swing,
        "pressure": 980.0 - swing,
        "temperature": np.full(n, 14.0),
        "volt": 22.2 - 0.01 * t_s,
        "amp": 8.0 + swing,
        "rpm_1": 6000.0 + 50.0 * swing,
        "rpm_2": np.full(n, np.nan),
        "alt_want": np.where(aloft, 305.0, np.nan),
        "xtrack": np.where(aloft, swing, np.nan),
        "leg_left": np.where(aloft, np.mod(500.0 - 15.0 * t_s, 500.0), np.nan),
        "aileron": 0.3 * swing,
        "rudder": -0.1 * swing,
        "throttle": 0.5 + 0.1 * swing,
        "elevator": 0.2 * swing - 0.05,
        "armed": (t_s > 0.1 * seconds).astype(float),
        "landed": np.where(aloft, 2.0, 1.0),
        "mode": np.where(t_s < 0.5 * seconds, 3.0, 5.0),
        "sat_fix": np.where(t_s > 3.0, 3.0, 1.0),
        "sat_count": np.full(n, 14.0),
        "sat_lat": 0.001 + 1e-6 * np.floor(t_s * 5.0) / 5.0,
        "sat_lon": 0.002 + 2e-6 * np.floor(t_s * 5.0) / 5.0,
        "sat_course": np.mod(320.0 + t_s, 360.0),
    }
    parameters = {"PITCH_RATE_LIM": 120.0, "ALT_GAIN": 0.625, "SIXTEENLETTERS_X": 1.5}
    return Flown(rate_hz, t_s, signals, parameters, {"wind_mps": 3.0}, ((4.0, 6, "ready"),))


def hand_made_identity(*, protocol: int = 2, above_home: bool = False) -> Identity:
    """One elevator that is reversed, two ailerons, and mode numbers of its own."""
    return Identity(
        id="test-1",
        model="small_single",
        description="made up",
        board="board four",
        span_m=1.6,
        mass_kg=2.1,
        motors=1,
        cells=4,
        stall_speed_mps=9.0,
        pitch_rate_max_dps=120.0,
        roll_rate_max_dps=180.0,
        outputs=(
            ServoOutput("aileron", 1),
            ServoOutput("elevator", 2, reversed=True, low_us=1100.0, neutral_us=1520.0, high_us=1900.0),
            ServoOutput("throttle", 3),
            ServoOutput("rudder", 4),
            ServoOutput("aileron", 6, reversed=True),
        ),
        mode_numbers=(10, 11, 12, 20, 21, 30, 31),
        system=7,
        protocol=protocol,
        board_number=41,
        serial=9001,
        heights_above_home=above_home,
    )


def hand_made_circumstances(**changes: object) -> Circumstances:
    """A plain log, switched on at `SWITCHED_ON`; keyword arguments as of `Circumstances`."""
    return Circumstances(SWITCHED_ON, (3, 1, 4), **changes)  # type: ignore[arg-type]
