"""The aeroplane with its fast loops as JSBSim reads it: templates in `models/` filled in for one flight.

Rate and attitude loops, servos, linkage, attitude estimate, motor and propeller run inside JSBSim at its
own step; `autopilot_outer` tells them what is wanted 25 times a second.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

import numpy as np

from trimkeep.sample_fleet.airframes import AirframeModel
from trimkeep.sample_fleet.faults import Planted
from trimkeep.sample_fleet.powertrain import drive_constants, open_circuit_v

_DEG = float(np.pi / 180.0)


def model_text(model: AirframeModel, planted: Planted, dt_s: float) -> str:
    """The JSBSim description of one aeroplane with one set of gains and faults.

    Parameters
    ----------
    model : AirframeModel
    planted : Planted
    dt_s : float
        JSBSim's step; the integrators are written with it.
    """
    values = _shape(model, planted) | _loops(planted, dt_s) | _linkage(model, planted)
    values |= drive_constants(model, planted.condition.thrust)
    values |= {"description": model.description, "battery_v": open_circuit_v(model, 0.0)}
    folder = files("trimkeep.sample_fleet") / "models"
    control = Template((folder / "flight_control.xml").read_text("utf-8")).substitute(values)
    aeroplane = Template((folder / "aeroplane.xml").read_text("utf-8"))
    return aeroplane.substitute(values, flight_control=control)


def _shape(model: AirframeModel, planted: Planted) -> dict[str, Any]:
    alpha = np.radians(
        np.concatenate([[-90.0, -60.0, -40.0], np.arange(-30.0, 30.5, 1.0), [40.0, 60.0, 90.0]])
    )
    lift, drag = model.lift_coefficient(alpha), model.drag_coefficient(alpha)
    ixx, iyy, izz = model.inertia_kgm2
    book = asdict(model.book)
    arm = model.tail_arm_factor
    elevator = book.pop("Cm_elevator") * arm
    # balance: without elevator at cruise speed, or with the elevator command that the fault asks for
    offset = elevator * model.throw_deg * _DEG * planted.condition.elevator_trim
    return book | {
        "wing_area_m2": model.wing_area_m2,
        "span_m": model.span_m,
        "chord_m": model.chord_m,
        "mass_kg": model.mass_kg,
        "ixx_kgm2": ixx,
        "iyy_kgm2": iyy,
        "izz_kgm2": izz,
        "lift_table": "\n".join(f"{a:.5f} {c:.5f}" for a, c in zip(alpha, lift, strict=True)),
        "drag_table": "\n".join(f"{a:.5f} {c:.5f}" for a, c in zip(alpha, drag, strict=True)),
        "CL_q": model.book.CL_q * arm,
        "Cm_0": -model.pitch_stiffness * model.trim_alpha_rad(model.cruise_mps) - offset,
        "Cm_alpha": model.pitch_stiffness,
        "Cm_q": model.book.Cm_q * arm**2,
        "Cm_elevator": elevator,
    }


def _loops(planted: Planted, dt_s: float) -> dict[str, float]:
    gains = planted.flown
    return {
        "rate_filter_radps": 2.0 * np.pi * gains.rate_filter_hz,
        "estimator_gain_dt": gains.acc_weight * dt_s,
        "turn_ignore_radps": min(gains.turn_acc_ignore, 7.0) * _DEG,
        "turn_trust": planted.condition.turn_trust,
        "airspeed_scale": planted.condition.airspeed_scale,
        "cruise_mps": gains.cruise_speed,
        "roll_rate_max_radps": gains.roll_rate_max * _DEG,
        "pitch_rate_max_radps": gains.pitch_rate_max * _DEG,
        "roll_angle_p": gains.roll_angle_p,
        "pitch_angle_p": gains.pitch_angle_p,
        "int_max": gains.int_max,
        "roll_rate_i_dt": gains.roll_rate_i * dt_s,
        "pitch_rate_i_dt": gains.pitch_rate_i * dt_s,
        "roll_rate_ff": gains.roll_rate_ff,
        "roll_rate_p": gains.roll_rate_p,
        "pitch_rate_ff": gains.pitch_rate_ff,
        "pitch_rate_p": gains.pitch_rate_p,
        "yaw_rate_p": gains.yaw_rate_p,
        "yaw_slip_i_dt": gains.yaw_slip_i * dt_s,
        "rudder_mix": gains.rudder_mix,
        "elevator_trim": gains.elev_trim,
    }


def _linkage(model: AirframeModel, planted: Planted) -> dict[str, float]:
    condition = planted.condition
    throw = model.throw_deg * _DEG
    # full travel is 2 in commands, so a gap of a fraction of travel is twice that wide
    return {
        "servo_radps": 1.0 / condition.servo_lag_s,
        "servo_rate": 2.0 / condition.servo_travel_s,
        "elevator_gap": 2.0 * condition.elevator_play,
        "aileron_gap": 2.0 * condition.aileron_play,
        "centre_gap": 2.0 * condition.elevator_two_centres,
        "stiction_break": 2.0 * condition.elevator_stiction,
        "throw_rad": throw,
        "aileron_throw_rad": throw,
        "elevator_throw_rad": throw * condition.throw,
    }


def load(text: str, dt_s: float) -> Any:
    """A JSBSim executive with the model loaded and nothing printed.

    Raises
    ------
    RuntimeError
        JSBSim does not accept the text.
    """
    os.environ.setdefault("JSBSIM_DEBUG", "0")  # read by its constructor, which prints a banner otherwise
    import jsbsim

    with tempfile.TemporaryDirectory(prefix="aeroplane-") as root:
        folder = Path(root) / "aircraft" / "aeroplane"
        folder.mkdir(parents=True)
        (folder / "aeroplane.xml").write_text(text, encoding="utf-8")
        executive = jsbsim.FGFDMExec(root, None)
        executive.set_debug_level(0)
        if not executive.load_model("aeroplane"):
            raise RuntimeError("JSBSim refused the aeroplane's description")
    executive.set_dt(dt_s)
    return executive
