"""From what was flown to what is logged: the ground before and after, sensors, battery, receiver."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.airborne import AirborneRecord
from trimkeep.sample_fleet.airframes import GRAVITY_MPS2, AirframeModel
from trimkeep.sample_fleet.faults import Planted
from trimkeep.sample_fleet.flown import SIGNALS
from trimkeep.sample_fleet.plans import Plan
from trimkeep.sample_fleet.powertrain import level_throttle, steady_thrust_n, supply_of
from trimkeep.sample_fleet.sensors import metres_per_degree, satellite, static_pressure_hpa, vibration
from trimkeep.sample_fleet.world import Weather, first_order_noise

Series = NDArray[np.float64]
_SLIDE_S = 2.5  # on the grass until it stands
_REST_PITCH_DEG = 1.5
_BUMP_S, _BUMP_THROTTLE = 1.6, 0.35


@dataclass(frozen=True, slots=True)
class Span:
    """Frames of the log: before launch, airborne, after touch-down, and of these the armed ones."""

    before: int
    airborne: int
    after: int
    armed_from: int
    armed_until: int
    stands_from: int

    @property
    def n(self) -> int:
        """All frames."""
        return self.before + self.airborne + self.after

    @property
    def lands_at(self) -> int:
        """First frame on the ground again."""
        return self.before + self.airborne


def span_of(plan: Plan, planted: Planted, record: AirborneRecord) -> Span:
    """Cut the log into its parts."""
    rate = record.rate_hz
    before = round((plan.disarmed_s + plan.armed_before_s) * rate)
    armed_after = round((_SLIDE_S + planted.condition.armed_after_s) * rate)
    return Span(
        before=before,
        airborne=record.n,
        after=armed_after + round(plan.after_s * rate),
        armed_from=round(plan.disarmed_s * rate),
        armed_until=before + record.n + armed_after,
        stands_from=before + record.n + round(_SLIDE_S * rate),
    )


def signals_of(
    model: AirframeModel,
    planted: Planted,
    weather: Weather,
    record: AirborneRecord,
    span: Span,
    rng: np.random.Generator,
) -> dict[str, Series]:
    """Every signal of `SIGNALS`, ground parts included."""
    t_s = np.arange(span.n) / record.rate_hz
    signals = _motion(weather, record, span, rng)
    signals |= _wishes(weather, record, span)
    signals |= _drive(model, planted, weather, record, span, rng)
    north, east = _place(record, span)
    signals |= satellite(
        rng, t_s, north, east, signals["true_alt"], signals["vn"], signals["ve"], record.home
    )
    for axis in "xyz":
        # what shakes the board reaches the samples too, folded down by the slow logging
        signals[f"a{axis}"] = signals[f"a{axis}"] + 0.6 * signals[f"vib_{axis}"] * rng.standard_normal(span.n)
    return {name: np.ascontiguousarray(signals[name]) for name in SIGNALS}


def _joined(before: float | Series, airborne: Series, after: float | Series, span: Span) -> Series:
    return np.concatenate(
        [np.broadcast_to(before, span.before), airborne, np.broadcast_to(after, span.after)]
    ).astype(float)


def _slide(span: Span) -> Series:
    """Share of the touch-down speed left, from 1 to 0, shape (after,)."""
    sliding = span.stands_from - span.lands_at
    return np.maximum(0.0, 1.0 - (np.arange(span.after) + 1.0) / sliding)


def _place(record: AirborneRecord, span: Span) -> tuple[Series, Series]:
    slid = np.cumsum(_slide(span)) / record.rate_hz
    north = record.north_m[-1] + record.columns["vn"][-1] * slid
    east = record.east_m[-1] + record.columns["ve"][-1] * slid
    return (
        _joined(record.north_m[0], record.north_m, north, span),
        _joined(record.east_m[0], record.east_m, east, span),
    )


def _motion(
    weather: Weather, record: AirborneRecord, span: Span, rng: np.random.Generator
) -> dict[str, Series]:
    columns, noise, n, dt = record.columns, record.noise, record.n, 1.0 / record.rate_hz
    slide = _slide(span)
    settling = np.clip((np.arange(span.after) + 1.0) * dt, 0.0, 1.0)  # nose and wings come level in a second
    north, east = _place(record, span)
    per_north, per_east = metres_per_degree(record.home[0])
    drift_n = first_order_noise(rng, span.n, 0.5, 60.0, dt)
    drift_e = first_order_noise(rng, span.n, 0.5, 60.0, dt)

    def ground_gyro(count: int) -> Series:
        return 0.2 * rng.standard_normal(count)

    def attitude(name: str, before: float, rest: float) -> Series:
        flown = columns[name]
        after = flown[-1] + (rest - flown[-1]) * settling
        return _joined(before, flown, after, span)

    heading = columns["true_heading"] + np.degrees(noise.heading[:n])
    ground = weather.field_elevation_m
    true_alt = _joined(ground, columns["alt"], ground, span)
    wander = _joined(float(noise.height_m[0]), noise.height_m[:n], float(noise.height_m[n - 1]), span)
    headwind = weather.wind_mps
    touch_cas = float(columns["cas"][-1])
    motion: dict[str, Series] = {
        "bank": attitude("bank", 0.5, -0.5),
        "pitch": attitude("pitch", 9.0, _REST_PITCH_DEG),
        "heading": _joined(weather.wind_from_deg, heading, heading[-1], span) % 360.0,
        "lat": record.home[0] + (north + drift_n) / per_north,
        "lon": record.home[1] + (east + drift_e) / per_east,
        "alt": true_alt + wander,
        "height": true_alt + wander - ground,
        "true_alt": true_alt,
        "vn": _joined(0.0, columns["vn"], columns["vn"][-1] * slide, span)
        + 0.04 * rng.standard_normal(span.n),
        "ve": _joined(0.0, columns["ve"], columns["ve"][-1] * slide, span)
        + 0.04 * rng.standard_normal(span.n),
        "climb": _joined(0.0, -columns["vd"] + noise.climb_mps[:n], 0.0, span),
        "cas": np.maximum(
            0.0,
            _joined(
                headwind + 0.2 * rng.standard_normal(span.before),
                columns["cas"] + noise.cas_mps[:n],
                headwind + (touch_cas - headwind) * slide + 0.2 * rng.standard_normal(span.after),
                span,
            ),
        ),
        "ax": _joined(1.5, columns["ax"], 0.25 - columns["true_tas"][-1] / _SLIDE_S * (slide > 0.0), span),
        "ay": _joined(0.0, columns["ay"], 0.0, span),
        "az": _joined(-9.68, columns["az"], -GRAVITY_MPS2 + 0.0 * slide, span),
        "true_bank": attitude("true_bank", 0.5, -0.5),
        "true_pitch": attitude("true_pitch", 9.0, _REST_PITCH_DEG),
        "true_tas": _joined(headwind, columns["true_tas"], headwind + (touch_cas - headwind) * slide, span),
        "true_wind_n": np.full(span.n, weather.wind_north_mps),
        "true_wind_e": np.full(span.n, weather.wind_east_mps),
        "pressure": static_pressure_hpa(weather, true_alt + wander - ground),
        "temperature": weather.temperature_c
        - 0.0065 * (true_alt - ground)
        + 0.05 * rng.standard_normal(span.n),
    }
    for axis in "pqr":
        motion[axis] = _joined(ground_gyro(span.before), columns[axis], ground_gyro(span.after), span)
    return motion


def _wishes(weather: Weather, record: AirborneRecord, span: Span) -> dict[str, Series]:
    """What was asked for, sticks, commands, modes; on the ground sticks and surfaces rest."""
    columns, nan = record.columns, np.nan
    stage = columns["stage"]
    index = np.arange(span.n)

    def wish(values: Series, asked: NDArray[np.bool_]) -> Series:
        return _joined(nan, np.where(asked, values, nan), nan, span)

    assisted, rated = stage >= 2, stage >= 1
    wishes = {
        "bank_want": wish(np.degrees(columns["bank_want"]), assisted),
        "pitch_want": wish(np.degrees(columns["pitch_want"]), assisted),
        "heading_want": wish(np.degrees(columns["heading_want"]) % 360.0, assisted),
        "alt_want": wish(columns["height_want"] + weather.field_elevation_m, assisted),
        "cas_want": wish(columns["cas_want"], assisted),
        "xtrack": wish(columns["xtrack"], assisted),
        "leg_left": wish(columns["leg_left"], assisted),
        "stick_yaw": np.zeros(span.n),
        "armed": ((index >= span.armed_from) & (index < span.armed_until)).astype(float),
        "landed": _joined(1.0, columns["landed"], 1.0, span),
        "mode": _joined(columns["mode"][0], columns["mode"], columns["mode"][-1], span),
    }
    for axis in "pqr":
        wishes[f"{axis}_want"] = wish(columns[f"{axis}_want"], rated)
    for name in ("elevator", "aileron", "rudder", "pitch_int", "roll_int", "stick_pitch", "stick_roll"):
        last = float(columns[name][-1])
        fade = np.exp(-np.arange(span.after) / record.rate_hz / 0.3)
        wishes[name] = _joined(0.0, columns[name], last * fade, span)
    for name in ("true_elevator_deg", "true_aileron_deg"):
        wishes[name] = _joined(0.0, columns[name], float(columns[name][-1]) * fade, span)
    return wishes


def _drive(
    model: AirframeModel,
    planted: Planted,
    weather: Weather,
    record: AirborneRecord,
    span: Span,
    rng: np.random.Generator,
) -> dict[str, Series]:
    columns, condition = record.columns, planted.condition
    after = np.zeros(span.after)
    if condition.throttle_bump:
        begins = span.stands_from - span.lands_at + round(0.5 * condition.armed_after_s * record.rate_hz)
        after[begins : begins + round(_BUMP_S * record.rate_hz)] = _BUMP_THROTTLE
    throttle = _joined(0.0, columns["throttle"], after, span)
    stick = _joined(0.0, columns["stick_throttle"], after, span)
    standing = steady_thrust_n(model, weather.density_kgm3, 0.0, _BUMP_THROTTLE * 3.8 * model.cells)[1]
    run_down = float(columns["shaft"][-1]) * np.exp(-np.arange(span.after) / record.rate_hz / 0.4)
    turning = np.where(after > 0.0, standing, run_down)
    shaft = _joined(0.0, columns["shaft"], turning, span)
    supply_v = _joined(columns["supply_v"][0], columns["supply_v"], columns["supply_v"][-1], span)
    ohm = model.battery_ohm + condition.added_ohm
    supply = supply_of(model, ohm, throttle, supply_v, shaft, 1.0 / record.rate_hz)
    rpm = shaft * 60.0 / (2.0 * np.pi)
    volts = 3.85 * model.cells
    cruise_v = level_throttle(model, weather.density_kgm3, volts) * volts
    cruise_shaft = steady_thrust_n(model, weather.density_kgm3, model.cruise_mps, cruise_v)[1]
    twin = model.motors == 2
    return {
        "throttle": throttle,
        "stick_throttle": stick,
        "volt": supply.volt + 0.01 * model.cells * 0.5 * rng.standard_normal(span.n),
        "amp": np.maximum(0.0, supply.amp * (1.0 + 0.01 * rng.standard_normal(span.n))),
        "amp_hours": supply.amp_hours,
        "rpm_1": np.maximum(0.0, rpm * (1.0 + 0.002 * rng.standard_normal(span.n))),
        "rpm_2": np.maximum(0.0, rpm * (1.006 + 0.002 * rng.standard_normal(span.n)))
        if twin
        else np.full(span.n, np.nan),
    } | vibration(rng, rpm, cruise_shaft * 60.0 / (2.0 * np.pi), condition.imbalance_mps2)
