"""The truth beside a flight: what was planted, what the air was like, and what the flight really did."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.airborne import AirborneRecord, as_north_east
from trimkeep.sample_fleet.airframes import AirframeModel
from trimkeep.sample_fleet.autopilot import MODES
from trimkeep.sample_fleet.faults import Planted, truth_of
from trimkeep.sample_fleet.plans import Plan
from trimkeep.sample_fleet.world import Weather, gust_model

_SETTLING_S = 5.0  # after a mode is entered


def truth_of_flight(
    model: AirframeModel,
    planted: Planted,
    plan: Plan,
    weather: Weather,
    record: AirborneRecord,
) -> dict[str, float | str]:
    """Planted sizes and measured truths as plain numbers, units in the names.

    Measures whose stretch of flight was not flown are left out.
    """
    gusts = gust_model(weather.gust_mps, plan.height_m)
    truth: dict[str, float | str] = (
        truth_of(planted)
        | {
            "model": model.id,
            "wind_mps": weather.wind_mps,
            "wind_from_deg": weather.wind_from_deg,
            "gust_sigma_mps": gusts.sigma_w_mps,
            "gust_sigma_along_mps": gusts.sigma_u_mps,
            "gust_edr": gusts.edr,
            "air_density_kgm3": float(np.median(record.columns["density"])),
            "battery_resistance_ohm": model.battery_ohm + planted.condition.added_ohm,
            "pitch_rate_reached_dps": float(np.abs(record.columns["q"]).max()),
            "roll_rate_reached_dps": float(np.abs(record.columns["p"]).max()),
            "airborne_s": record.n / record.rate_hz,
            "distance_flown_m": float(record.columns["true_tas"].sum() / record.rate_hz),
        }
        | _wind_met(record, weather)
    )
    level = level_and_held(record)
    if level.any():
        columns = record.columns
        error = columns["height_want"] - (columns["alt"] - weather.field_elevation_m)
        truth |= {
            "level_altitude_error_rms_m": float(np.sqrt(np.mean(error[level] ** 2))),
            "level_pitch_deviation_deg": float(columns["true_pitch"][level].std()),
            "level_elevator_mean": float(columns["elevator"][level].mean()),
        }
    return truth


def _wind_met(record: AirborneRecord, weather: Weather) -> dict[str, float | str]:
    """Mean of the air that the flight went through: slow gusts leave something in a mean of minutes."""
    north, east = (part[: record.n].mean() for part in as_north_east(record.gusts, weather))
    north, east = north + weather.wind_north_mps, east + weather.wind_east_mps
    return {
        "wind_met_mps": float(np.hypot(north, east)),
        "wind_met_from_deg": float(np.degrees(np.arctan2(-east, -north)) % 360.0),
    }


def level_and_held(record: AirborneRecord) -> NDArray[np.bool_]:
    """Frames in straight flight with altitude held, settled, shape (n,)."""
    columns = record.columns
    held = columns["mode"] >= MODES["altitude_hold"]
    leg = columns["leg"]
    entered = np.flatnonzero(np.diff(leg, prepend=-1.0))
    since = np.arange(record.n) - entered[np.searchsorted(entered, np.arange(record.n), side="right") - 1]
    settled = since > _SETTLING_S * record.rate_hz
    return held & settled & (np.abs(np.degrees(columns["bank_want"])) < 10.0)
