"""Planted power and resistance are read back; speed and density are corrected for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.builders import CARD, flight_of, held_flight
from trimkeep.detectors.flight.energy import observe
from trimkeep.detectors.model import Flight, NotMeasured, Observation

RATES = pytest.mark.parametrize("rate_hz", [0.5, 4.0, 50.0])


def _said(flight: Flight) -> dict[str, Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {one.metric: one for one in found}


def _battery(resistance: float, rate_hz: float, seed: int, steps_a: float = 6.0) -> dict[str, np.ndarray]:
    """Current that steps every 15 s about 10 A, a slow discharge, a relaxation of 30 s, sensor noise."""
    rng = np.random.default_rng(seed)
    fine = 50.0
    time_s = np.arange(int(300 * fine)) / fine
    current = 10.0 + steps_a * rng.uniform(-1, 1, 21)[(time_s // 15).astype(int)] + 0.5 * np.sin(time_s)
    relaxed = np.zeros(time_s.size)
    for i in range(1, time_s.size):
        relaxed[i] = relaxed[i - 1] + (0.2 * resistance * current[i] - relaxed[i - 1]) / fine / 30.0
    volts = 16.4 - 0.002 * time_s - resistance * current - relaxed
    keep = np.round(np.arange(int(300 * rate_hz)) * fine / rate_hz).astype(int)
    return {
        "battery_current_a": current[keep] + 0.1 * rng.standard_normal(keep.size),
        "battery_voltage_v": volts[keep] + 0.02 * rng.standard_normal(keep.size),
    }


@RATES
@pytest.mark.parametrize("resistance", [0.02, 0.06])
def test_resistance_from_current_steps(rate_hz: float, resistance: float) -> None:
    found = [_said(held_flight(_battery(resistance, rate_hz, seed), rate_hz)) for seed in range(4)]
    values = [one["battery_resistance_mohm"].value for one in found]
    # The relaxation of 30 s adds up to a fifth of the resistance to slow steps, a little of it here.
    assert np.median(values) == pytest.approx(1000.0 * resistance, rel=0.1)
    errors = [one["battery_resistance_mohm"].standard_error for one in found]
    assert all(error is not None and error < 100.0 * resistance for error in errors)
    assert found[0]["battery_sag_v"].value == pytest.approx(15.5 * resistance, rel=0.2)


def test_steady_current_shows_no_resistance() -> None:
    values = _battery(0.03, 4.0, 1, steps_a=0.0)
    values["battery_current_a"] = np.full(values["battery_current_a"].size, 10.0)
    assert "battery_resistance_mohm" not in _said(held_flight(values, 4.0))


def _cruise(power_w: float, airspeed: float, altitude: float, rate_hz: float = 4.0) -> Flight:
    rng = np.random.default_rng(3)
    size = int(240 * rate_hz)
    ratio = np.sqrt(1.225 / (1.225 * (1.0 - 2.25577e-5 * altitude) ** 4.25588))
    return held_flight(
        {
            "battery_current_a": power_w / 15.0 + 0.2 * rng.standard_normal(size),
            "battery_voltage_v": np.full(size, 15.0),
            "airspeed_mps": airspeed / ratio + 0.3 * rng.standard_normal(size),
            "altitude_m": np.full(size, altitude),
            "climb_mps": np.zeros(size),
        },
        rate_hz,
    )


@RATES
def test_power_of_level_flight(rate_hz: float) -> None:
    said = _said(_cruise(150.0, 15.0, 0.0, rate_hz))
    assert said["cruise_power_w"].value == pytest.approx(150.0, rel=0.01)
    assert said["cruise_power_corrected_w"].value == pytest.approx(150.0, rel=0.03)
    assert said["energy_per_air_km_wh"].value == pytest.approx(150.0 / 15.0 / 3.6, rel=0.03)


@pytest.mark.parametrize(("airspeed", "altitude"), [(13.5, 0.0), (17.0, 0.0), (15.0, 1500.0), (16.0, 900.0)])
def test_speed_and_density_are_corrected_for(airspeed: float, altitude: float) -> None:
    """Power of a polar with least drag at 15/1.3 m/s at sea level: not the correction's own formula."""
    slow, density = 15.0 / 1.3, (1.0 - 2.25577e-5 * altitude) ** 4.25588

    def required(speed: float, dense: float) -> float:
        return 20.0 * (dense * (speed / slow) ** 3 + slow / speed / dense)

    truth = required(15.0, 1.0)
    said = _said(_cruise(required(airspeed, density), airspeed, altitude))
    # Fixed exponents follow the polar to 2.5 % within 13 % of the reference.
    assert said["cruise_power_corrected_w"].value == pytest.approx(truth, rel=0.03)
    assert abs(required(airspeed, density) / truth - 1.0) > 0.04  # otherwise nothing was corrected


def test_turning_is_brought_to_level_flight() -> None:
    """Induced drag grows with the load squared: 26 % of the power, at 40 degrees of bank times 1.70."""
    flight = _cruise(150.0 * (0.74 + 0.26 / np.cos(np.radians(40.0)) ** 2), 15.0, 0.0)
    turning = {name: channel.value for name, channel in flight.recording.channels.items()}
    turning["bank_deg"] = np.full(turning["climb_mps"].size, 40.0)
    said = _said(held_flight(turning, 4.0, phase="turn"))
    assert said["cruise_power_corrected_w"].value == pytest.approx(150.0, rel=0.03)


def test_climbing_is_not_charged_to_cruise() -> None:
    flight = _cruise(150.0, 15.0, 0.0)
    rising = {**{name: channel.value for name, channel in flight.recording.channels.items()}}
    rising["climb_mps"] = np.full(rising["climb_mps"].size, 0.5)
    rising["battery_current_a"] = rising["battery_current_a"] + 3.0 * 9.80665 * 0.5 / 0.5 / 15.0
    heavy = replace(held_flight(rising, 4.0), card=replace(flight.card, mass_kg=3.0))
    assert _said(heavy)["cruise_power_corrected_w"].value == pytest.approx(150.0, rel=0.03)


def _in_moving_air(sinking_mps: np.ndarray, pitch_offset_deg: float = 0.0, *, pitch: bool = True) -> Flight:
    """3 kg at 15 m/s and 150 W: 120 s of cruise, then 100 s of climb, in air that sinks (4 Hz).

    Made from the balance of energy alone: at a steady height sinking air costs m g w over the efficiency,
    and the nose stands by w / V higher.
    """
    rng = np.random.default_rng(8)
    time_s = np.arange(sinking_mps.size) / 4.0
    climb = np.where(time_s < 120.0, 0.0, 1.0)
    power = 150.0 + 3.0 * 9.80665 * (sinking_mps + climb) / 0.5
    values = {
        "battery_current_a": power / 15.0 + 0.2 * rng.standard_normal(time_s.size),
        "battery_voltage_v": np.full(time_s.size, 15.0),
        "airspeed_mps": 15.0 + 0.2 * rng.standard_normal(time_s.size),
        "altitude_m": np.zeros(time_s.size),
        "climb_mps": climb,
    }
    if pitch:
        nose = np.degrees(np.arcsin((climb + sinking_mps) / 15.0))
        values["pitch_deg"] = 3.0 + pitch_offset_deg + nose + 0.3 * rng.standard_normal(time_s.size)
    phases = [(0.0, 120.0, "altitude_hold", "level"), (120.0, float(time_s[-1]), "mission", "climb")]
    return flight_of({name: (time_s, value) for name, value in values.items()}, phases, CARD)


def _corrected(flight: Flight) -> Observation:
    return _said(flight)["cruise_power_corrected_w"]


def test_air_that_sinks_in_cruise_and_rises_otherwise_is_not_charged() -> None:
    time_s = np.arange(880) / 4.0
    sinking = np.where(time_s < 120.0, 0.25, -0.3)
    assert _corrected(_in_moving_air(sinking, pitch=False)).value > 150.0 + 10.0
    assert _corrected(_in_moving_air(sinking)).value == pytest.approx(150.0, abs=2.0)


def test_a_levelled_attitude_is_no_change_of_power() -> None:
    """Two degrees of level, by day or by calibration, would be 30 W if the nose were taken at its word."""
    still = np.zeros(880)
    before, after = _corrected(_in_moving_air(still)), _corrected(_in_moving_air(still, 2.0))
    assert after.value == pytest.approx(before.value, abs=0.1)


def test_a_nose_known_for_half_the_flight_says_nothing() -> None:
    sinking = np.where(np.arange(880) < 480, 0.25, -0.3)
    half = _in_moving_air(sinking)
    half.recording.channels["pitch_deg"].value[::40] = np.nan
    half.recording.channels["pitch_deg"].value[:440] = np.nan
    without = _corrected(_in_moving_air(sinking, pitch=False))
    assert _corrected(half) == without


def test_the_error_of_power_in_moving_air_is_the_scatter_over_flights() -> None:
    """Vertical gusts of 0.5 m/s that last 5 s: what they leave in a mean is most of the figure's scatter."""
    keep = np.exp(-0.25 / 5.0)
    plain, told, errors = [], [], []
    for seed in range(60):
        noise = np.random.default_rng(seed).standard_normal(1280)
        sinking = lfilter([0.5 * np.sqrt(1.0 - keep**2)], [1.0, -keep], noise)[400:]
        plain.append(_corrected(_in_moving_air(sinking, pitch=False)).value)
        found = _corrected(_in_moving_air(sinking))
        assert found.standard_error is not None
        told.append(found.value)
        errors.append(found.standard_error)
    assert np.std(told) < 0.85 * np.std(plain)  # by the lengths alone: sqrt(120 / 220) = 0.74
    assert np.mean(errors) == pytest.approx(np.std(told), rel=0.3)


def test_a_dead_current_sensor_is_said() -> None:
    flight = _cruise(0.0, 15.0, 0.0)
    dead = {name: channel.value for name, channel in flight.recording.channels.items()}
    dead["battery_current_a"] = np.zeros(dead["climb_mps"].size)
    found = observe(held_flight(dead, 4.0))
    assert isinstance(found, NotMeasured) and "zero" in found.detail
