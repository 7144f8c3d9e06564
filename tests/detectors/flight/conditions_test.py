"""Planted wind, gusts and densities are read back."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from tests.builders import Flying, Leg, flown, held_flight, one_flight, with_channels
from trimkeep.detectors.flight.conditions import fit_wind, observe
from trimkeep.detectors.model import Channel, Flight, Observation
from trimkeep.detectors.numerics.circular import wrap_180
from trimkeep.detectors.numerics.gusts import edr_of
from trimkeep.detectors.numerics.wind import WindFit

CIRCUIT = [Leg(60), Leg(45, bank_deg=25), Leg(60), Leg(25, bank_deg=-25), Leg(60)]
C1 = 2.0 / 4.0191
"""One-dimensional spectrum E(k) = C1 eps^(2/3) k^(-5/3) that belongs to C2 = 2 (Pope 2000, app. G)."""


def _said(flight: Flight) -> dict[str, Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {one.metric: one for one in found}


def gusts(
    seconds: float, rate_hz: float, edr: float, airspeed: float, rng: np.random.Generator
) -> np.ndarray:
    """Airspeed fluctuations with a five-thirds spectrum, level below 1/(300 m), made at 50 Hz and thinned."""
    fine = 50.0
    size = int(seconds * fine)
    k = 2.0 * np.pi * np.fft.rfftfreq(size, 1.0 / fine) / airspeed
    outer = 2.0 * np.pi / 300.0
    density = C1 * edr**2 * (k**2 + outer**2) ** (-5.0 / 6.0) * 2.0 * np.pi / airspeed  # per Hz
    amplitude = np.sqrt(density * size * fine / 2.0)
    phases = rng.standard_normal(k.size) + 1j * rng.standard_normal(k.size)
    spectrum = amplitude * phases / np.sqrt(2.0)
    spectrum[0] = 0.0
    return _thinned(np.fft.irfft(spectrum, size), rate_hz)


def _thinned(fine: np.ndarray, rate_hz: float) -> np.ndarray:
    """Samples of a 50 Hz series as a slower log would take them."""
    count = int(fine.size / 50.0 * rate_hz)
    return fine[np.round(np.arange(count) * 50.0 / rate_hz).astype(int)]


@pytest.mark.parametrize("rate_hz", [4.0, 10.0, 50.0])
@pytest.mark.parametrize(("north", "east"), [(5.0, 0.0), (-2.5, 4.0), (0.0, -9.0)])
def test_wind_and_scale_by_the_triangle(rate_hz: float, north: float, east: float) -> None:
    rng = np.random.default_rng(2)
    air = Flying(rate_hz, north, east, airspeed_scale=1.12)
    flight = one_flight(flown(CIRCUIT, air))
    sensor = flight.recording.channels["airspeed_mps"]
    # the builder's airspeed is true; what a sensor shows is calibrated
    shown = sensor.value * np.sqrt(1.1957 / 1.225) + gusts(250, rate_hz, 0.2, 18.0, rng)
    flight = with_channels(flight, airspeed_mps=Channel(sensor.time_s, shown))
    said = _said(flight)
    assert said["wind_mps"].value == pytest.approx(np.hypot(north, east), abs=0.5)
    truth = np.degrees(np.arctan2(-east, -north)) % 360.0
    assert abs(wrap_180(said["wind_from_deg"].value - truth)) < 10.0
    fit = fit_wind(flight)
    assert isinstance(fit, WindFit) and fit.scale == pytest.approx(1.12, abs=0.03)


def _in_wind(flight: Flight, north_mps: np.ndarray, east_mps: np.ndarray) -> Flight:
    """The flight with more wind added, sample by sample; what the airspeed sensor reads stays."""
    moved = {}
    for name, more in (("velocity_north_mps", north_mps), ("velocity_east_mps", east_mps)):
        still = flight.recording.channels[name]
        moved[name] = Channel(still.time_s, still.value + more)
    return with_channels(flight, **moved)


def test_slow_gusts_are_averaged_over_climbs_too() -> None:
    """Gusts of 0.8 m/s that last 12 s, as at 80 m height in moderate wind."""
    high_climbs = [
        Leg(30, "manual", climb_mps=3.0),
        *CIRCUIT,
        Leg(60, bank_deg=20, climb_mps=1.5),
        Leg(60, bank_deg=-20, climb_mps=-1.5),
    ]
    still = one_flight(flown(high_climbs, Flying(4.0, noise=0.2)))
    size = still.recording.channels["velocity_north_mps"].time_s.size
    keep = np.exp(-0.25 / 12.0)
    whole, level = [], []
    for seed in range(40):
        noise = np.random.default_rng(seed).standard_normal((2, size + 200))
        gust = lfilter([0.8 * np.sqrt(1.0 - keep**2)], [1.0, -keep], noise)[:, 200:]
        flight = _in_wind(still, 5.0 + gust[0], gust[1])
        whole.append(_said(flight)["wind_mps"].value - 5.0)
        fit = fit_wind(flight)
        assert isinstance(fit, WindFit)
        level.append(fit.speed_mps - 5.0)
    assert np.std(whole) < 0.9 * np.std(level)  # by the lengths alone: sqrt(250 / 390) = 0.80


def test_the_wind_near_the_ground_is_not_the_flights() -> None:
    legs = [Leg(120, "manual", climb_mps=1.5), *CIRCUIT]
    legs_s = sum(leg.seconds for leg in legs)
    still = one_flight(flown(legs, Flying(4.0, noise=0.2)))
    height = still.recording.channels["height_m"].value
    flight = _in_wind(still, np.where(height > 0.5 * height.max(), 6.0, 1.0), np.zeros(height.size))
    found = _said(flight)["wind_mps"]
    assert found.value == pytest.approx(6.0, abs=0.1)
    assert found.seconds == pytest.approx(legs_s - 60.0, abs=3.0)  # without half the climb


def test_wind_without_airspeed_by_the_circle() -> None:
    said = _said(one_flight(flown(CIRCUIT, Flying(4.0, 3.0, -4.0, airspeed_dead=True))))
    assert said["wind_mps"].value == pytest.approx(5.0, abs=0.2)
    assert said["wind_from_deg"].value == pytest.approx(126.87, abs=3.0)
    assert "gust_edr" not in said and "airspeed_mps" not in said and "rough_air_mps2" in said


def test_no_wind_without_a_turn() -> None:
    rng = np.random.default_rng(6)
    for air in (Flying(10.0, 5.0), Flying(10.0, 5.0, airspeed_dead=True)):
        flight = one_flight(flown([Leg(200)], air))
        channels = flight.recording.channels
        shaken = {
            name: Channel(channels[name].time_s, channels[name].value + 0.3 * rng.standard_normal(2000))
            for name in ("velocity_north_mps", "velocity_east_mps", "airspeed_mps")
        }
        assert "wind_mps" not in _said(with_channels(flight, **shaken))


def test_the_wind_error_is_the_scatter_over_flights() -> None:
    off, errors = [], []
    for seed in range(40):
        flight = one_flight(flown(CIRCUIT, Flying(4.0, 5.0, 0.0)))
        sensor = flight.recording.channels["airspeed_mps"]
        shown = sensor.value + gusts(250, 4.0, 0.25, 18.0, np.random.default_rng(seed))
        fit = fit_wind(with_channels(flight, airspeed_mps=Channel(sensor.time_s, shown)))
        assert isinstance(fit, WindFit)
        off.append(fit.north_mps - 5.0)
        errors.append(fit.speed_error_mps)
    # Low frequencies of gusts outlast the legs, so that the scatter is told only to a factor of two.
    assert 0.5 < np.mean(errors) / np.std(off) < 2.0


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 50.0])
@pytest.mark.parametrize("edr", [0.05, 0.15, 0.4])
def test_planted_gust_strength_is_read_back(rate_hz: float, edr: float) -> None:
    rng = np.random.default_rng(8)
    found = [
        _said(
            held_flight(
                {
                    "airspeed_mps": 18.0
                    + gusts(300, rate_hz, edr, 18.0, rng)
                    + 0.1 * rng.standard_normal(int(300 * rate_hz)),
                    "altitude_m": np.zeros(int(300 * rate_hz)),
                },
                rate_hz,
            )
        )["gust_edr"]
        for _ in range(8)
    ]
    values = np.array([one.value for one in found])
    # The outer scale of 300 m takes 15 % off the structure function at 36 m; the fit shares it out.
    assert np.median(values) == pytest.approx(edr, rel=0.15)
    assert all(one.standard_error for one in found)


def test_gust_strength_ranks_flights() -> None:
    rng = np.random.default_rng(5)
    planted = rng.uniform(0.03, 0.5, 40)
    measured = []
    for edr in planted:
        speed = 18.0 + gusts(240, 5.0, edr, 18.0, rng) + 0.15 * rng.standard_normal(1200)
        measured.append(_said(held_flight({"airspeed_mps": speed}, 5.0))["gust_edr"].value)
    assert stats.spearmanr(planted, measured).statistic > 0.97


def test_a_noisy_sensor_in_calm_air_shows_calm_air() -> None:
    rng = np.random.default_rng(3)
    found = edr_of([0.3 * rng.standard_normal(3000)], 0.2, 18.0)
    assert found is not None and found.value < 0.05


def test_own_acceleration_is_no_gust() -> None:
    time_s = np.arange(0.0, 300.0, 0.1)
    surge = 2.0 * np.sin(2.0 * np.pi * time_s / 8.0)
    values = {
        "airspeed_mps": 18.0 + surge,
        "velocity_north_mps": 22.0 + surge,
        "velocity_east_mps": 0.0 * time_s,
        "heading_deg": 0.0 * time_s,
    }
    assert _said(held_flight(values, 10.0))["gust_edr"].value < 0.01


def _climb(accel_mps2: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Climb rate that goes with a vertical acceleration at 50 Hz, with the noise of an estimate."""
    return np.cumsum(accel_mps2) / 50.0 + 0.02 * rng.standard_normal(accel_mps2.size)


@pytest.mark.parametrize("rate_hz", [2.5, 4.0, 10.0, 50.0])
def test_rough_air_without_airspeed(rate_hz: float) -> None:
    rng = np.random.default_rng(4)
    size = 200 * 50
    gust = np.convolve(rng.standard_normal(size), np.exp(-np.arange(100) / 20.0), mode="same")
    found = []
    for level in (0.0, 0.3, 1.2):
        climb = _thinned(_climb(level * gust / gust.std(), rng), rate_hz)
        found.append(_said(held_flight({"climb_mps": climb}, rate_hz))["rough_air_mps2"].value)
    assert found[0] < 0.02
    assert found[2] == pytest.approx(4.0 * found[1], rel=0.15)


def test_rough_air_is_the_same_figure_at_every_rate() -> None:
    rng = np.random.default_rng(5)
    size = 300 * 50
    climb = _climb(np.convolve(rng.standard_normal(size), np.exp(-np.arange(100) / 20.0), mode="same"), rng)
    found = [
        _said(held_flight({"climb_mps": _thinned(climb, rate_hz)}, rate_hz))["rough_air_mps2"].value
        for rate_hz in (2.5, 5.0, 50.0)
    ]
    # Means over 0.4 s take a little off what single samples show.
    assert max(found) < 1.2 * min(found)


def test_a_pitching_fault_is_not_rough_air() -> None:
    rng = np.random.default_rng(4)
    time_s = np.arange(0.0, 200.0, 0.02)
    swing = 2.0 * np.sin(2.0 * np.pi * time_s / 4.0)
    gust = np.convolve(rng.standard_normal(time_s.size), np.exp(-np.arange(100) / 20.0), mode="same")
    gust *= 0.3 / gust.std()
    fault = {"climb_mps": _climb(gust + 0.3 * swing, rng), "pitch_rate_dps": swing}
    calm = {"climb_mps": _climb(gust, rng), "pitch_rate_dps": 0.1 * rng.standard_normal(time_s.size)}
    with_fault, without = (
        _said(held_flight(values, 50.0))["rough_air_mps2"].value for values in (fault, calm)
    )
    assert with_fault < 1.2 * without


def test_a_pilots_stirring_is_not_rough_air() -> None:
    climb = _climb(np.random.default_rng(6).standard_normal(10000), np.random.default_rng(7))
    assert "rough_air_mps2" not in _said(
        held_flight({"climb_mps": climb, "altitude_m": 0.0 * climb}, 50.0, "manual")
    )


def test_density_and_airspeed_are_the_logged_ones() -> None:
    size = 600
    said = _said(
        held_flight(
            {
                "static_pressure_hpa": np.full(size, 900.0),
                "air_temperature_c": np.full(size, 30.0),
                "airspeed_mps": 17.0 + np.sin(np.arange(size)),
                "altitude_m": np.full(size, 500.0),
            },
            5.0,
        )
    )
    assert said["air_density_kgpm3"].value == pytest.approx(90000.0 / (287.05287 * 303.15))
    assert said["airspeed_mps"].value == pytest.approx(17.0, abs=0.02)
    assert said["air_temperature_c"].value == pytest.approx(30.0)


def test_a_warm_hull_does_not_spoil_the_airspeed_scale() -> None:
    flight = one_flight(flown(CIRCUIT, Flying(10.0, 5.0, 0.0)))
    inside = flight.recording.channels["air_temperature_c"]
    hot = with_channels(flight, air_temperature_c=Channel(inside.time_s, inside.value + 40.0))
    cool_fit, warm_fit = fit_wind(flight), fit_wind(hot)
    assert isinstance(cool_fit, WindFit) and isinstance(warm_fit, WindFit)
    assert warm_fit.scale == pytest.approx(cool_fit.scale, abs=1e-9)
