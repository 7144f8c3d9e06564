"""Flights by the sample fleet's flight-dynamics library, with planted faults, as a detector sees them.

Another party's physics, so that a detector's own formula cannot agree with itself.
"""

from __future__ import annotations

import functools

import numpy as np

from tests.builders import CARD, recording_of
from trimkeep.config.channels import CONTROL_MODES
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Flight, Recording
from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.faults import Fault
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import club_plan, survey_plan
from trimkeep.sample_fleet.world import Weather

MODES = ("manual", "rate", "attitude", "altitude_hold", "cruise", "mission", "safe_recovery")
SIGNALS = {
    "bank_deg": "bank",
    "pitch_deg": "pitch",
    "heading_deg": "heading",
    "roll_rate_dps": "p",
    "pitch_rate_dps": "q",
    "yaw_rate_dps": "r",
    "gyro_x_dps": "p",
    "gyro_y_dps": "q",
    "gyro_z_dps": "r",
    "accel_x_mps2": "ax",
    "accel_y_mps2": "ay",
    "accel_z_mps2": "az",
    "velocity_north_mps": "vn",
    "velocity_east_mps": "ve",
    "climb_mps": "climb",
    "altitude_m": "alt",
    "airspeed_mps": "cas",
    "satellite_speed_mps": "sat_speed",
    "satellite_course_deg": "sat_course",
    "bank_target_deg": "bank_want",
    "pitch_target_deg": "pitch_want",
    "elevator_cmd": "elevator",
    "aileron_cmd": "aileron",
    "rudder_cmd": "rudder",
    "throttle_cmd": "throttle",
    "stick_pitch": "stick_pitch",
    "stick_roll": "stick_roll",
    "vibration_x_mps2": "vib_x",
    "vibration_y_mps2": "vib_y",
    "vibration_z_mps2": "vib_z",
    "motor_1_rpm": "rpm_1",
    "static_pressure_hpa": "pressure",
    "landed_state": "landed",
}


@functools.cache
def flown_with(
    fault: str = "",
    size: float = 0.0,
    seed: int = 1,
    airframe: str = "small_single",
    gust_mps: float = 0.4,
    wind_mps: float = 4.0,
    club: bool = False,
) -> Flown:
    """One flight of four minutes with one fault, or none."""
    rng, model = np.random.default_rng(seed), AIRFRAMES[airframe]
    faults = (Fault(fault, size),) if fault else ()
    plan = club_plan(rng) if club else survey_plan(rng)
    weather = Weather(wind_mps=wind_mps, wind_from_deg=float(rng.uniform(0.0, 360.0)), gust_mps=gust_mps)
    return fly(model, defaults_for(model), plan, weather, faults, rng)


def recorded(flown: Flown, rate_hz: float = 50.0) -> Recording:
    """The flight's log with every channel at one rate, rounded as single floats are."""
    step = round(flown.rate_hz / rate_hz)
    time_s = flown.t_s[::step]
    signals = {name: flown.signals[signal][::step] for name, signal in SIGNALS.items()}
    channels = {name: (time_s, value.astype(np.float32)) for name, value in signals.items()}
    modes = np.array([CONTROL_MODES.index(mode) for mode in MODES], dtype=np.float64)
    channels["control_mode"] = (time_s, modes[flown.signals["mode"][::step].astype(int)])
    return recording_of(channels)  # type: ignore[arg-type]


def flight_with(
    fault: str = "", size: float = 0.0, seed: int = 1, rate_hz: float = 50.0, **air: object
) -> Flight:
    """The airborne stretch of `flown_with`."""
    [flight] = split(recorded(flown_with(fault, size, seed, **air), rate_hz), CARD)
    return flight
