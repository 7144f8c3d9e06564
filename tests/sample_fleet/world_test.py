"""Gusts: variance, correlation and independence of the step; air density; sensors' geometry."""

from __future__ import annotations

import numpy as np
import pytest

from trimkeep.sample_fleet.sensors import metres_per_degree, static_pressure_hpa, vibration
from trimkeep.sample_fleet.world import Weather, dryden_gusts, first_order_noise, gust_model


def test_gust_variance_does_not_depend_on_the_step() -> None:
    model = gust_model(1.0, 20.0)
    for dt in (0.02, 0.2):
        n = round(20000.0 / dt / 4)
        gusts = dryden_gusts(np.random.default_rng(2), n, dt, model, 15.0, 2.0)
        # 5000 s hold some 1900 lengths of 20 m: standard error of the deviation about 2 %
        assert gusts.w_mps.std() == pytest.approx(1.0, rel=0.08)


def test_first_order_noise_starts_stationary() -> None:
    starts = [first_order_noise(np.random.default_rng(k), 3, 2.0, 10.0, 0.02)[0] for k in range(2000)]
    assert np.std(starts) == pytest.approx(2.0, rel=0.06)  # 2000 draws: 1.6 %


def test_calm_air_has_no_gusts() -> None:
    gusts = dryden_gusts(np.random.default_rng(1), 100, 0.02, gust_model(0.0, 80.0), 15.0, 2.0)
    assert not gusts.u_mps.any()
    assert not gusts.p_radps.any()


def test_wind_moves_away_from_where_it_comes_from() -> None:
    west = Weather(wind_mps=5.0, wind_from_deg=270.0)
    assert west.wind_east_mps == pytest.approx(5.0)
    assert west.wind_north_mps == pytest.approx(0.0, abs=1e-12)


def test_standard_sea_level_density() -> None:
    assert Weather(temperature_c=15.0, pressure_hpa=1013.25).density_kgm3 == pytest.approx(1.225, abs=1e-4)


def test_pressure_falls_with_height_as_the_standard_atmosphere() -> None:
    sea = Weather(temperature_c=15.0, pressure_hpa=1013.25)
    # U.S. Standard Atmosphere 1976: 898.74 hPa at 1000 m geopotential height
    assert static_pressure_hpa(sea, np.array([1000.0]))[0] == pytest.approx(898.74, abs=0.05)


def test_a_degree_of_latitude_at_45() -> None:
    # 111,131.7 m and 78,846.8 m: degree lengths of the WGS 84 ellipsoid at 45 degrees (from memory)
    north, east = metres_per_degree(45.0)
    assert north == pytest.approx(111_131.7, abs=1.0)
    assert east == pytest.approx(78_846.8, abs=1.0)


def test_imbalance_grows_with_the_square_of_shaft_speed() -> None:
    rng = np.random.default_rng(0)
    levels = vibration(rng, np.repeat([3000.0, 6000.0], 5000), 6000.0, 5.0)["vib_z"]
    assert np.median(levels[5000:]) / np.median(levels[:5000]) == pytest.approx(4.0, rel=0.15)
