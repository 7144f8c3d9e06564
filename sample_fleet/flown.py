"""What one simulated switch-on to switch-off leaves behind: signals, parameters and the planted truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

SIGNALS: dict[str, str] = {
    "bank": "estimated bank, deg, right wing down positive",
    "pitch": "estimated pitch, deg, nose up positive",
    "heading": "estimated heading, deg, 0..360",
    "p": "roll rate by the gyro, deg/s",
    "q": "pitch rate by the gyro, deg/s",
    "r": "yaw rate by the gyro, deg/s",
    "ax": "accelerometer forward, m/s2",
    "ay": "accelerometer right, m/s2",
    "az": "accelerometer down, m/s2 (about -9.81 in level flight)",
    "lat": "estimated latitude, deg",
    "lon": "estimated longitude, deg",
    "alt": "estimated altitude above sea level, m",
    "height": "estimated height above the take-off place, m",
    "vn": "ground velocity north, m/s",
    "ve": "ground velocity east, m/s",
    "climb": "climb rate, m/s, up positive",
    "cas": "calibrated airspeed by the sensor, m/s",
    "bank_want": "bank asked for, deg",
    "pitch_want": "pitch asked for, deg",
    "heading_want": "heading or bearing asked for, deg",
    "p_want": "roll rate asked for, deg/s",
    "q_want": "pitch rate asked for, deg/s",
    "r_want": "yaw rate asked for, deg/s",
    "alt_want": "altitude above sea level asked for, m; NaN where none is held",
    "cas_want": "airspeed asked for, m/s; NaN where none is held",
    "xtrack": "distance right of the line being followed, m; NaN off mission legs",
    "leg_left": "distance to the next waypoint, m; NaN off missions",
    "elevator": "elevator command, -1..1, nose up positive",
    "aileron": "aileron command, -1..1, roll right positive",
    "rudder": "rudder command, -1..1, yaw right positive",
    "throttle": "throttle command, 0..1",
    "stick_pitch": "pilot's stick, -1..1, nose up positive",
    "stick_roll": "pilot's stick, -1..1, right positive",
    "stick_yaw": "pilot's stick, -1..1, right positive",
    "stick_throttle": "pilot's throttle, 0..1",
    "pitch_int": "pitch integrator, fraction of full command",
    "roll_int": "roll integrator, fraction of full command",
    "volt": "battery voltage, V",
    "amp": "battery current, A",
    "amp_hours": "charge drawn, Ah",
    "rpm_1": "shaft speed of motor 1, 1/min",
    "rpm_2": "shaft speed of motor 2, 1/min; NaN with one motor",
    "vib_x": "vibration level forward, m/s2",
    "vib_y": "vibration level right, m/s2",
    "vib_z": "vibration level down, m/s2",
    "pressure": "static pressure, hPa",
    "temperature": "air temperature, degC",
    "sat_count": "satellites used",
    "sat_fix": "fix type, 3 is a position",
    "sat_hdop": "horizontal dilution",
    "sat_lat": "receiver's latitude, deg, held between its own 5 Hz fixes",
    "sat_lon": "receiver's longitude, deg",
    "sat_alt": "receiver's altitude, m",
    "sat_speed": "receiver's ground speed, m/s",
    "sat_course": "receiver's course, deg",
    "armed": "1 armed, 0 not",
    "landed": "1 on the ground, 2 in the air, 3 taking off, 4 landing",
    "mode": "0 manual, 1 rate, 2 attitude, 3 altitude hold, 4 cruise, 5 mission, 6 safe recovery",
    "true_bank": "truth: bank, deg",
    "true_pitch": "truth: pitch, deg",
    "true_tas": "truth: true airspeed, m/s",
    "true_elevator_deg": "truth: elevator surface, deg, nose up positive",
    "true_aileron_deg": "truth: aileron surface, deg, roll right positive",
    "true_wind_n": "truth: mean wind, air moving north, m/s",
    "true_wind_e": "truth: mean wind, air moving east, m/s",
}


@dataclass(frozen=True, slots=True)
class Flown:
    """One simulated log's worth of flying.

    Parameters
    ----------
    rate_hz : float
        Rate of `t_s`.
    t_s : ndarray, shape (n,)
        Seconds from switch-on.
    signals : mapping of str to ndarray, shape (n,)
        Every key of `SIGNALS`.
    parameters : mapping of str to float
        The autopilot's parameters as it would report them, by our own names.
    truth : mapping of str to float or str
        What was planted and what the air did: plain numbers with units in the names
        (`elevator_play_fraction`, `gust_sigma_mps`, `wind_mps`, `wind_from_deg`, ...).
    texts : tuple of (time_s, severity, text)
    """

    rate_hz: float
    t_s: NDArray[np.float64]
    signals: Mapping[str, NDArray[np.float64]]
    parameters: Mapping[str, float]
    truth: Mapping[str, float | str]
    texts: tuple[tuple[float, int, str], ...] = field(default=())
