"""The airborne part of a flight: JSBSim stepped frame by frame, the slow loops called 25 times a second."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import cos, radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.airframes import AirframeModel
from trimkeep.sample_fleet.autopilot_inner import load, model_text
from trimkeep.sample_fleet.autopilot_legs import TICK_S, Captain, phase_of
from trimkeep.sample_fleet.autopilot_outer import HeightAndSpeed, Sensed, Wanted
from trimkeep.sample_fleet.autopilot_pilot import Pilot
from trimkeep.sample_fleet.faults import Planted
from trimkeep.sample_fleet.plans import Plan
from trimkeep.sample_fleet.powertrain import Battery, level_throttle, steady_thrust_n
from trimkeep.sample_fleet.sensors import LoopNoise, loop_noise, metres_per_degree
from trimkeep.sample_fleet.world import Gusts, Weather, dryden_gusts, gust_model

FOOT_M = 0.3048
STEP_HZ = 100.0  # of JSBSim: three steps per time constant of the quickest motion, the small plane's roll
HOME = (47.3, -30.0)  # deg; an invented field where there is only sea
_FULL_GUSTS_M = 40.0  # below, the ground stops the air's vertical motion; they fade to nothing at the grass
_LAUNCH_CLIMB = radians(9.0)
_DEG = 180.0 / np.pi


@dataclass(frozen=True, slots=True)
class Column:
    """One number read from JSBSim each frame: name, property, factor to SI or degrees."""

    name: str
    node: str
    factor: float = 1.0


# the first eleven are what the slow loops sense, in the order `_sense` unpacks them
COLUMNS: tuple[Column, ...] = (
    Column("lat", "position/lat-geod-deg"),
    Column("lon", "position/long-gc-deg"),
    Column("alt", "position/h-sl-ft", FOOT_M),
    Column("vn", "velocities/v-north-fps", FOOT_M),
    Column("ve", "velocities/v-east-fps", FOOT_M),
    Column("vd", "velocities/v-down-fps", FOOT_M),
    Column("bank", "estimate/bank-rad", _DEG),
    Column("pitch", "estimate/pitch-rad", _DEG),
    Column("true_heading", "attitude/psi-rad", _DEG),
    Column("cas", "estimate/cas-mps"),
    Column("shaft", "drive/shaft-rad_sec"),
    Column("throttle", "command/throttle"),
    Column("true_bank", "attitude/phi-rad", _DEG),
    Column("true_pitch", "attitude/theta-rad", _DEG),
    Column("p", "estimate/p-raw", _DEG),
    Column("q", "estimate/q-raw", _DEG),
    Column("r", "estimate/r-rad_sec", _DEG),
    Column("ax", "accelerations/a-pilot-x-ft_sec2", FOOT_M),
    Column("ay", "accelerations/a-pilot-y-ft_sec2", FOOT_M),
    Column("az", "accelerations/a-pilot-z-ft_sec2", FOOT_M),
    Column("true_tas", "velocities/vt-fps", FOOT_M),
    Column("alpha", "aero/alpha-rad", _DEG),
    Column("lift_n", "aero/lift-lbs", 4.4482216),
    Column("p_want", "loop/p-want-rad_sec", _DEG),
    Column("q_want", "loop/q-want-rad_sec", _DEG),
    Column("r_want", "loop/r-want-rad_sec", _DEG),
    Column("elevator", "command/elevator"),
    Column("aileron", "command/aileron"),
    Column("rudder", "command/rudder"),
    Column("stick_pitch", "stick/pitch"),
    Column("stick_roll", "stick/roll"),
    Column("pitch_int", "loop/pitch-int"),
    Column("roll_int", "loop/roll-int"),
    Column("true_elevator_deg", "surface/elevator-rad", _DEG),
    Column("true_aileron_deg", "surface/aileron-rad", _DEG),
    Column("supply_v", "drive/supply-v"),
    Column("density", "atmosphere/rho-slugs_ft3", 515.3788184),
)
# what the slow loops leave behind at each tick
TICK_COLUMNS = (
    "bank_want",
    "pitch_want",
    "heading_want",
    "height_want",
    "cas_want",
    "xtrack",
    "leg_left",
    "stick_throttle",
    "mode",
    "stage",
    "landed",
    "leg",
)


@dataclass(frozen=True, slots=True)
class AirborneRecord:
    """What was flown, launch to touch-down.

    Parameters
    ----------
    rate_hz : float
    columns : mapping of str to ndarray, shape (n,)
        `COLUMNS` in SI units and degrees, and `TICK_COLUMNS` repeated to the same rate.
    noise : LoopNoise
        The noise the loops flew with; at least n long.
    gusts : Gusts
        The gusts met; at least n long.
    north_m, east_m : ndarray, shape (n,)
        True place from home.
    home : tuple of float
        Latitude and longitude, deg.
    """

    rate_hz: float
    columns: Mapping[str, NDArray[np.float64]]
    noise: LoopNoise
    gusts: Gusts
    north_m: NDArray[np.float64]
    east_m: NDArray[np.float64]
    home: tuple[float, float]

    @property
    def n(self) -> int:
        """Frames."""
        return int(self.north_m.size)


def fly_airborne(
    model: AirframeModel,
    planted: Planted,
    plan: Plan,
    weather: Weather,
    rng: np.random.Generator,
    rate_hz: float,
) -> AirborneRecord:
    """Fly the legs of a plan from the bungee to the ground."""
    ticks_every = round(rate_hz * TICK_S)
    steps = max(1, round(STEP_HZ / rate_hz))
    step_s = 1.0 / (rate_hz * steps)
    most = int((plan.seconds + plan.legs[-1].seconds) * rate_hz) + 1
    noise = loop_noise(rng, most, 1.0 / rate_hz)
    airspeed = model.cruise_mps
    gusts = dryden_gusts(
        rng, most, 1.0 / rate_hz, gust_model(weather.gust_mps, plan.height_m), airspeed, model.span_m
    )
    executive = _launched(load(model_text(model, planted, step_s), step_s), model, weather)
    manager = executive.get_property_manager()
    captain = _captain(model, planted, plan, weather, rng)
    frames, ticks = _run(
        executive, manager, captain, model, planted, weather, noise, gusts, ticks_every, steps, rate_hz
    )
    table = np.array(frames) * np.array([column.factor for column in COLUMNS])
    columns = {column.name: table[:, i] for i, column in enumerate(COLUMNS)}
    held = np.repeat(np.array(ticks, dtype=float), ticks_every, axis=0)[: len(frames)]
    columns |= {name: held[:, i] for i, name in enumerate(TICK_COLUMNS)}
    per_north, per_east = metres_per_degree(HOME[0])
    return AirborneRecord(
        rate_hz=rate_hz,
        columns=columns,
        noise=noise,
        gusts=gusts,
        north_m=(columns["lat"] - HOME[0]) * per_north,
        east_m=(columns["lon"] - HOME[1]) * per_east,
        home=HOME,
    )


def _launched(executive: Any, model: AirframeModel, weather: Weather) -> Any:
    """Leaves a bungee into the wind, nose up, 35 % above stalling speed through the air."""
    executive["atmosphere/delta-T"] = 1.8 * (
        weather.temperature_c - (15.0 - 0.0065 * weather.field_elevation_m)
    )
    sea_kelvin = weather.temperature_c + 273.15 + 0.0065 * weather.field_elevation_m
    sea_hpa = weather.pressure_hpa * (sea_kelvin / (weather.temperature_c + 273.15)) ** 5.25588
    executive["atmosphere/P-sl-psf"] = sea_hpa * 2.08854342
    airspeed = 1.35 * model.stall_mps * (1.225 / weather.density_kgm3) ** 0.5
    executive["ic/lat-geod-deg"], executive["ic/long-gc-deg"] = HOME
    executive["ic/h-sl-ft"] = (weather.field_elevation_m + 2.0) / FOOT_M
    executive["ic/psi-true-deg"] = weather.wind_from_deg
    executive["ic/theta-deg"] = 14.0
    along, up = airspeed * cos(_LAUNCH_CLIMB) - weather.wind_mps, airspeed * sin(_LAUNCH_CLIMB)
    into_wind = radians(weather.wind_from_deg)
    executive["ic/vn-fps"] = along * cos(into_wind) / FOOT_M
    executive["ic/ve-fps"] = along * sin(into_wind) / FOOT_M
    executive["ic/vd-fps"] = -up / FOOT_M
    if not executive.run_ic():
        raise RuntimeError("JSBSim could not start the flight")
    executive["atmosphere/wind-north-fps"] = weather.wind_north_mps / FOOT_M
    executive["atmosphere/wind-east-fps"] = weather.wind_east_mps / FOOT_M
    return executive


def _captain(
    model: AirframeModel, planted: Planted, plan: Plan, weather: Weather, rng: np.random.Generator
) -> Captain:
    settings, condition = planted.flown, planted.condition
    level_pitch = model.trim_alpha_rad(model.cruise_mps)
    volts = 3.85 * model.cells
    throttle = level_throttle(model, weather.density_kgm3, volts)
    slope = (
        steady_thrust_n(model, weather.density_kgm3, model.cruise_mps, (throttle + 0.1) * volts)[0]
        - steady_thrust_n(model, weather.density_kgm3, model.cruise_mps, throttle * volts)[0]
    ) / 0.1
    pilot = Pilot(
        model=model,
        settings=settings,
        rng=rng,
        # he is used to his aeroplane: holds what level flight needs, moves the stick further if it does less
        stick_trim=condition.elevator_trim / condition.throw - settings.elev_trim,
        stick_per_effect=1.0 / condition.throw,
        play=condition.elevator_play + condition.elevator_two_centres,
        level_pitch_rad=level_pitch,
        level_throttle=throttle,
    )
    hold = HeightAndSpeed(settings, level_pitch, model.mass_kg * 9.80665 / model.cruise_mps / slope)
    return Captain(plan, settings, pilot, hold, radians(weather.wind_from_deg))


def _run(
    executive: Any,
    manager: Any,
    captain: Captain,
    model: AirframeModel,
    planted: Planted,
    weather: Weather,
    noise: LoopNoise,
    gusts: Gusts,
    ticks_every: int,
    steps: int,
    rate_hz: float,
) -> tuple[list[list[float]], list[tuple[float, ...]]]:
    """The loop itself: written for speed, so locals and bound methods, few calls per frame."""
    reads = [manager.get_node(column.node).get_double_value for column in COLUMNS]
    write = {
        name: manager.get_node(name).set_double_value
        for name in (
            "atmosphere/gust-north-fps",
            "atmosphere/gust-east-fps",
            "atmosphere/gust-down-fps",
            "gust/p-rad_sec",
            "noise/p-rad_sec",
            "noise/q-rad_sec",
            "noise/r-rad_sec",
            "noise/bank-rad",
            "noise/pitch-rad",
        )
    }
    gust_n, gust_e, gust_d, gust_p, noise_p, noise_q, noise_r, noise_bank, noise_pitch = write.values()
    u, v = (part / FOOT_M for part in as_north_east(gusts, weather))
    outside = zip(
        u.tolist(),
        v.tolist(),
        (gusts.w_mps / FOOT_M).tolist(),
        gusts.p_radps.tolist(),
        noise.p.tolist(),
        noise.q.tolist(),
        noise.r.tolist(),
        noise.bank.tolist(),
        noise.pitch.tolist(),
        strict=True,
    )
    slow = _SlowLoops(executive, manager, captain, model, planted, weather, noise)
    run = executive.run
    frames: list[list[float]] = []
    ticks: list[tuple[float, ...]] = []
    share = 0.0
    for number, (gn, ge, gd, gp, np_, nq, nr, nb, nth) in enumerate(outside):
        if number % ticks_every == 0:
            row = slow.tick(number)
            if row is None:
                break
            ticks.append(row)
            share = slow.gust_share
        gust_n(gn)
        gust_e(ge)
        gust_d(share * gd)
        gust_p(share * gp)
        noise_p(np_)
        noise_q(nq)
        noise_r(nr)
        noise_bank(nb)
        noise_pitch(nth)
        for _ in range(steps):
            run()
        frames.append([read() for read in reads])
    return frames, ticks


def as_north_east(gusts: Gusts, weather: Weather) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Horizontal gusts in m/s, added to the mean wind; the standard lays u along it at low altitude."""
    angle = np.radians(weather.wind_from_deg)
    north = np.cos(angle) * gusts.u_mps - np.sin(angle) * gusts.v_mps
    east = np.sin(angle) * gusts.u_mps + np.cos(angle) * gusts.v_mps
    return north, east


class _SlowLoops:
    """Between JSBSim and the captain: reads what is sensed, writes what is wanted, drains the battery."""

    def __init__(
        self,
        executive: Any,
        manager: Any,
        captain: Captain,
        model: AirframeModel,
        planted: Planted,
        weather: Weather,
        noise: LoopNoise,
    ) -> None:
        self.gust_share = 0.0
        self._captain = captain
        self._noise = noise
        self._field_m = weather.field_elevation_m
        self._sensed = Sensed()
        self._battery = Battery(model, model.battery_ohm + planted.condition.added_ohm)
        self._metres = metres_per_degree(HOME[0])
        self._reads = [manager.get_node(column.node).get_double_value for column in COLUMNS[:12]]
        names = ("stage", "bank-rad", "pitch-rad", "throttle", "stick-pitch", "stick-roll")
        self._writes = [manager.get_node(f"want/{name}").set_double_value for name in names]
        self._supply = manager.get_node("drive/supply-v").set_double_value

    def tick(self, number: int) -> tuple[float, ...] | None:
        """One call of the captain; None when the flight is over."""
        sensed, noise, captain = self._sensed, self._noise, self._captain
        lat, lon, alt, vn, ve, vd, bank, pitch, heading, cas, shaft, throttle = [f() for f in self._reads]
        sensed.north_m = (lat - HOME[0]) * self._metres[0]
        sensed.east_m = (lon - HOME[1]) * self._metres[1]
        height = alt * FOOT_M - self._field_m
        self.gust_share = min(1.0, max(0.0, height / _FULL_GUSTS_M))
        sensed.height_m = height + noise.height_m[number]
        sensed.climb_mps = -vd * FOOT_M + noise.climb_mps[number]
        sensed.cas_mps = cas + noise.cas_mps[number]
        sensed.bank_rad, sensed.pitch_rad = bank, pitch
        sensed.heading_rad = heading + noise.heading[number]
        sensed.vn_mps, sensed.ve_mps = vn * FOOT_M, ve * FOOT_M
        if height <= 0.0 or captain.tick(sensed):
            return None
        want = captain.want
        values = (want.stage, want.bank_rad, want.pitch_rad, want.throttle, want.stick_pitch, want.stick_roll)
        for write, value in zip(self._writes, values, strict=True):
            write(value)
        self._supply(self._battery.step(throttle, shaft, TICK_S))
        return _row(want, captain, height)


def _row(want: Wanted, captain: Captain, height_m: float) -> tuple[float, ...]:
    return (
        want.bank_rad,
        want.pitch_rad,
        want.heading_rad,
        want.height_m,
        want.cas_mps,
        want.xtrack_m,
        want.leg_left_m,
        want.stick_throttle,
        want.mode,
        want.stage,
        phase_of(captain.leg, height_m),
        captain.number,
    )
