"""An aeroplane of the sample fleet in JSBSim with nobody aboard: for looking at its own motion."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.airframes import SEA_LEVEL_DENSITY, AirframeModel
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.autopilot_inner import load, model_text
from trimkeep.sample_fleet.faults import Condition, plant
from trimkeep.sample_fleet.powertrain import level_throttle

STEP_S = 0.01
FOOT_M = 0.3048


class Bare:
    """Level at cruise speed, sea level, still air, attitude mode; properties by JSBSim's names.

    Parameters
    ----------
    model : AirframeModel
    speed_factor : float
        Initial speed over cruise speed.
    """

    def __init__(self, model: AirframeModel, speed_factor: float = 1.0) -> None:
        planted = plant(defaults_for(model), (), Condition(elevator_play=0.0, aileron_play=0.0))
        self.model = model
        self._executive = load(model_text(model, planted, STEP_S), STEP_S)
        alpha = float(model.trim_alpha_rad(model.cruise_mps))
        self["ic/h-sl-ft"] = 300.0
        self["ic/vt-fps"] = speed_factor * model.cruise_mps / FOOT_M
        self["ic/alpha-deg"] = self["ic/theta-deg"] = float(np.degrees(alpha))
        assert self._executive.run_ic()
        self["want/pitch-rad"] = alpha
        self["want/throttle"] = level_throttle(model, SEA_LEVEL_DENSITY, self["drive/supply-v"])

    def __getitem__(self, name: str) -> float:
        return float(self._executive[name])

    def __setitem__(self, name: str, value: float) -> None:
        self._executive[name] = value

    def run(self, seconds: float, *names: str) -> list[NDArray[np.float64]]:
        """Step on; gives one array of all steps for each property named."""
        rows = []
        for _ in range(round(seconds / STEP_S)):
            self._executive.run()
            rows.append([self._executive[name] for name in names])
        return list(np.array(rows).T) if names else []
