"""The flight on which causes are shown, and the plain figures by which each is told from a healthy one.

The figures are simple sums over stretches that the flight plan names; they share nothing with the project's
detectors.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import MODES, defaults_for
from trimkeep.sample_fleet.faults import Fault
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import Leg, Plan
from trimkeep.sample_fleet.world import Weather

Series = NDArray[np.float64]
MODEL = AIRFRAMES["medium_twin"]
AIR = Weather(gust_mps=0.15, wind_mps=2.0)
SHOW = Plan(
    (
        Leg("attitude", "launch", 4.0),
        Leg("attitude", "climb", 45.0, height_m=80.0),
        Leg("manual", "straight", 25.0),
        Leg("rate", "rate_steps", 12.0),
        Leg("cruise", "straight", 45.0),
        Leg("altitude_hold", "turn", 40.0, bank_deg=30.0),
        Leg("cruise", "straight", 40.0),
        Leg("attitude", "land", 45.0),
    )
)


def show_flight(*faults: Fault, seed: int = 11) -> Flown:
    """One flight of the 2.2 m twin in light air; the same air and noise for the same seed."""
    return fly(MODEL, defaults_for(MODEL), SHOW, AIR, faults, np.random.default_rng(seed))


def during(flown: Flown, mode: str, settle_s: float = 8.0, which: int = 0) -> slice:
    """Frames of the `which`-th airborne stretch in a mode, without its first seconds.

    Raises
    ------
    ValueError
        The mode was not flown that often.
    """
    active = (flown.signals["mode"] == MODES[mode]) & (flown.signals["landed"] == 2.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], active.astype(int), [0]])))
    if 2 * which + 1 >= edges.size:
        raise ValueError(f"mode {mode} was not flown {which + 1} times")
    start, end = edges[2 * which], edges[2 * which + 1]
    return slice(int(start + settle_s * flown.rate_hz), int(end))


def swing(values: Series, rate_hz: float, low_hz: float = 0.1, high_hz: float = 2.0) -> float:
    """Half the peak-to-peak of a steady sine with the same power between two frequencies."""
    band = sosfiltfilt(butter(2, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos"), values)
    return float(np.sqrt(2.0) * band.std())


def swing_of(name: str, mode: str) -> Callable[[Flown], float]:
    """The swing of one signal in one mode."""
    return lambda flown: swing(flown.signals[name][during(flown, mode)], flown.rate_hz)


def quick_elevator(flown: Flown) -> float:
    """Elevator swing above half a hertz in cruise, percent of full command."""
    part = during(flown, "cruise")
    return 100.0 * swing(flown.signals["elevator"][part], flown.rate_hz, 0.5, 3.0)


def height_error(flown: Flown) -> float:
    """Altitude error in cruise, rms, m."""
    part = during(flown, "cruise")
    return float(np.sqrt(np.mean((flown.signals["alt_want"] - flown.signals["alt"])[part] ** 2)))


def reached_share(flown: Flown) -> float:
    """Roll rate reached over the largest demanded."""
    part = during(flown, "rate", 0.0)
    demanded = float(np.abs(flown.signals["p_want"][part]).max())
    return float(np.abs(flown.signals["p"][part]).max()) / demanded


def pitch_overshoot(flown: Flown) -> float:
    """Pitch rate reached over the largest demanded."""
    part = during(flown, "rate", 0.0)
    return float(np.abs(flown.signals["q"][part]).max() / np.abs(flown.signals["q_want"][part]).max())


def mean_elevator(flown: Flown) -> float:
    """Mean elevator command in cruise."""
    return float(flown.signals["elevator"][during(flown, "cruise")].mean())


def effectiveness(flown: Flown) -> float:
    """Pitch rate per elevator command over the pull in rate mode, deg/s."""
    part = during(flown, "rate", 0.0)
    elevator, q = flown.signals["elevator"][part], flown.signals["q"][part]
    lag = round(0.12 * flown.rate_hz)
    return float(np.polyfit(elevator[:-lag], q[lag:], 1)[0])


def bank_error(flown: Flown) -> float:
    """Estimated less true bank over the last two seconds of the turn, deg."""
    end = during(flown, "altitude_hold").stop
    part = slice(end - round(2.0 * flown.rate_hz), end)
    return float((flown.signals["bank"] - flown.signals["true_bank"])[part].mean())


def mean_of(name: str, mode: str = "cruise") -> Callable[[Flown], float]:
    """Mean of one signal in one mode."""
    return lambda flown: float(flown.signals[name][during(flown, mode)].mean())


def cruise_power(flown: Flown) -> float:
    """Battery power in cruise, W."""
    return float((flown.signals["volt"] * flown.signals["amp"])[during(flown, "cruise")].mean())


def resistance(flown: Flown) -> float:
    """Volts lost per ampere when the throttle is closed after the climb, mohm."""
    current, volt = flown.signals["amp"], flown.signals["volt"]
    part = slice(during(flown, "manual", 0.0).start - 150, during(flown, "manual", 0.0).start + 400)
    return -1000.0 * float(np.polyfit(current[part], volt[part], 1)[0])


def speed_ratio(flown: Flown) -> float:
    """Airspeed shown over calibrated airspeed."""
    part = during(flown, "cruise")
    density = float(flown.truth["air_density_kgm3"])
    true_cas = flown.signals["true_tas"][part] * np.sqrt(density / 1.225)
    return float(flown.signals["cas"][part].mean() / true_cas.mean())


def armed_after(flown: Flown) -> float:
    """Seconds armed on the ground after landing."""
    armed = flown.signals["armed"] == 1.0
    airborne = np.flatnonzero(flown.signals["landed"] != 1.0)
    return float(armed[airborne[-1] + 1 :].sum()) / flown.rate_hz
