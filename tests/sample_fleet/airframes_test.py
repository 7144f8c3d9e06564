"""The aeroplanes are what their data sheets say, as flown by JSBSim itself."""

from __future__ import annotations

import numpy as np
import pytest

from tests.sample_fleet.bare_model import Bare
from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.powertrain import Battery, level_throttle, steady_thrust_n, supply_of

NAMES = sorted(AIRFRAMES)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("stick", "rate"), [("stick-roll", "p"), ("stick-pitch", "q")])
def test_full_command_reaches_the_stated_rate(name: str, stick: str, rate: str) -> None:
    model = AIRFRAMES[name]
    bare = Bare(model)
    bare.run(5.0)
    bare["want/stage"], bare[f"want/{stick}"] = 0.0, 1.0
    peak = np.degrees(np.abs(bare.run(1.0, f"velocities/{rate}-rad_sec")[0]).max())
    stated = model.roll_rate_reach_dps if rate == "p" else model.pitch_rate_reach_dps
    assert peak == pytest.approx(stated, rel=0.03)  # stated in whole deg/s


@pytest.mark.parametrize("name", NAMES)
def test_thrust_and_shaft_speed_agree_with_the_closed_form(name: str) -> None:
    model = AIRFRAMES[name]
    bare = Bare(model)
    bare.run(10.0)
    density = bare["atmosphere/rho-slugs_ft3"] * 515.3788
    speed = bare["velocities/vt-fps"] * 0.3048
    volts = bare["command/throttle"] * bare["drive/supply-v"]
    thrust, shaft = steady_thrust_n(model, density, speed, volts)
    assert bare["drive/shaft-rad_sec"] == pytest.approx(shaft, rel=0.005)  # a little lag is left
    assert bare["external_reactions/thrust/magnitude"] * 4.44822 == pytest.approx(thrust, rel=0.02, abs=0.02)


@pytest.mark.parametrize("name", NAMES)
def test_level_throttle_leaves_a_reserve(name: str) -> None:
    model = AIRFRAMES[name]
    assert 0.3 < level_throttle(model, 1.2, 3.8 * model.cells) < 0.75


@pytest.mark.parametrize("name", NAMES)
def test_stall_leaves_a_margin_below_cruise(name: str) -> None:
    model = AIRFRAMES[name]
    assert 1.5 < model.cruise_mps / model.stall_mps < 2.0


def test_battery_gives_its_resistance_back() -> None:
    model = AIRFRAMES["medium_twin"]
    throttle = np.where(np.arange(500) < 250, 0.9, 0.3)
    supply = supply_of(model, 0.05, throttle, np.full(500, 15.5), np.full(500, 700.0), 0.02)
    drop = -(supply.volt[260] - supply.volt[240]) / (supply.amp[260] - supply.amp[240])
    assert drop == pytest.approx(0.05, rel=0.01)  # the charge drawn in 0.4 s moves it by less
    assert np.all(np.diff(supply.amp_hours) > 0.0)


def test_battery_volts_settle_without_ringing() -> None:
    battery = Battery(AIRFRAMES["large_single"], 0.08)
    volts = [battery.step(1.0, 700.0, 0.04) for _ in range(50)]
    assert volts[-1] == pytest.approx(volts[-2], abs=0.01)
    assert volts[-1] < battery.model.cells * 4.18
