"""Motor, propeller and battery: the constants JSBSim needs, and currents and voltages from what it flew.

Motor and propeller after Beard and McLain (2012), ch. 4 (from memory): thrust and torque coefficients as
quadratics of the advance ratio, a motor with one resistance and a no-load current; steady where their
torques agree. The battery is an open-circuit voltage that falls with the charge drawn, behind a resistance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.airframes import SEA_LEVEL_DENSITY, AirframeModel

_FOOT_M = 0.3048
_SLUG_FT3 = 515.3788184  # kg/m3
_NEWTON_LBF = 0.2248089431
AVIONICS_A = 0.4
# open-circuit volts of one lithium-polymer cell against the share of charge drawn (common practice)
_DRAWN = np.array([0.0, 0.1, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0])
_CELL_V = np.array([4.18, 4.06, 3.92, 3.82, 3.75, 3.68, 3.55, 3.30])


def open_circuit_v(model: AirframeModel, drawn_ah: float) -> float:
    """Volts of the pack at rest, after `drawn_ah`."""
    return model.cells * float(np.interp(drawn_ah / model.capacity_ah, _DRAWN, _CELL_V))


def torque_per_amp(model: AirframeModel) -> float:
    """Motor constant, N m/A, which is also V s/rad."""
    return 60.0 / (2.0 * np.pi * model.motor_kv)


def drive_constants(model: AirframeModel, thrust_factor: float) -> dict[str, float]:
    """Constants of the drive channel in `models/flight_control.xml`, which works in slugs, feet and volts."""
    diameter, constant, ohm = model.propeller_m, torque_per_amp(model), model.motor_ohm
    torque, thrust = model.propeller.torque, model.propeller.thrust
    a = torque[0] * diameter**5 / (4.0 * np.pi**2) * _SLUG_FT3
    return {
        "motor_2a": 2.0 * a,
        "motor_4a": 4.0 * a,
        "motor_b_0": constant**2 / ohm,
        "motor_b_1": torque[1] * diameter**4 / (2.0 * np.pi) * _SLUG_FT3 * _FOOT_M,
        "motor_c_0": constant * model.idle_a,
        "motor_c_1": constant / ohm,
        "motor_c_2": torque[2] * diameter**3 * _SLUG_FT3 * _FOOT_M**2,
        "thrust_scale": model.motors * thrust_factor * _SLUG_FT3 * _NEWTON_LBF,
        "thrust_0": thrust[0] * diameter**4 / (4.0 * np.pi**2),
        "thrust_1": thrust[1] * diameter**3 / (2.0 * np.pi) * _FOOT_M,
        "thrust_2": thrust[2] * diameter**2 * _FOOT_M**2,
    }


def motor_current_a(model: AirframeModel, throttle: float, supply_v: float, shaft_radps: float) -> float:
    """Battery current of all motors and the avionics; the speed controller passes power on without loss."""
    winding = (throttle * supply_v - torque_per_amp(model) * shaft_radps) / model.motor_ohm
    return AVIONICS_A + model.motors * throttle * max(0.0, winding)


def steady_thrust_n(
    model: AirframeModel, density_kgm3: float, speed_mps: float, motor_v: float
) -> tuple[float, float]:
    """Thrust of all motors and shaft speed (rad/s) where motor and propeller torque agree."""
    d, k = model.propeller_m, torque_per_amp(model)
    torque, force = model.propeller.torque, model.propeller.thrust
    a = torque[0] * density_kgm3 * d**5 / (4.0 * np.pi**2)
    b = torque[1] * density_kgm3 * d**4 * speed_mps / (2.0 * np.pi) + k**2 / model.motor_ohm
    c = torque[2] * density_kgm3 * d**3 * speed_mps**2 - k / model.motor_ohm * motor_v + k * model.idle_a
    shaft = (-b + np.sqrt(max(0.0, b * b - 4.0 * a * c))) / (2.0 * a)
    thrust = density_kgm3 * (
        force[0] * d**4 / (4.0 * np.pi**2) * shaft**2
        + force[1] * d**3 / (2.0 * np.pi) * shaft * speed_mps
        + force[2] * d**2 * speed_mps**2
    )
    return float(model.motors * thrust), float(shaft)


def level_throttle(model: AirframeModel, density_kgm3: float, volts: float) -> float:
    """Throttle that balances drag at cruise speed, by bisection on the steady motor equations."""
    speed = model.cruise_mps * np.sqrt(SEA_LEVEL_DENSITY / density_kgm3)
    alpha = np.array([model.trim_alpha_rad(model.cruise_mps)])
    pressure = 0.5 * SEA_LEVEL_DENSITY * model.cruise_mps**2
    drag = float(pressure * model.wing_area_m2 * model.drag_coefficient(alpha)[0])
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        thrust = steady_thrust_n(model, density_kgm3, float(speed), middle * volts)[0]
        low, high = (middle, high) if thrust < drag else (low, middle)
    return 0.5 * (low + high)


@dataclass(slots=True)
class Battery:
    """State of the pack during a flight, stepped by the slow loops."""

    model: AirframeModel
    ohm: float
    drawn_ah: float = 0.0
    volts: float = 0.0

    def __post_init__(self) -> None:
        self.volts = open_circuit_v(self.model, self.drawn_ah)

    def step(self, throttle: float, shaft_radps: float, dt_s: float) -> float:
        """Draw current for `dt_s`; gives the volts under load."""
        current = motor_current_a(self.model, throttle, self.volts, shaft_radps)
        self.drawn_ah += current * dt_s / 3600.0
        # half way towards the new value: the load depends on the volts, and a full step would ring
        loaded = open_circuit_v(self.model, self.drawn_ah) - current * self.ohm
        self.volts += 0.5 * (loaded - self.volts)
        return self.volts


@dataclass(frozen=True, slots=True)
class Supply:
    """Battery as logged, each of shape (n,)."""

    volt: NDArray[np.float64]
    amp: NDArray[np.float64]
    amp_hours: NDArray[np.float64]


def supply_of(
    model: AirframeModel,
    ohm: float,
    throttle: NDArray[np.float64],
    supply_v: NDArray[np.float64],
    shaft_radps: NDArray[np.float64],
    dt_s: float,
) -> Supply:
    """Current from throttle and shaft speed over the whole log, and the volts that go with it."""
    winding = (throttle * supply_v - torque_per_amp(model) * shaft_radps) / model.motor_ohm
    amp = AVIONICS_A + model.motors * throttle * np.maximum(0.0, winding)
    drawn = np.cumsum(amp) * dt_s / 3600.0
    at_rest = model.cells * np.interp(drawn / model.capacity_ah, _DRAWN, _CELL_V)
    return Supply(volt=at_rest - ohm * amp, amp=amp, amp_hours=drawn)
