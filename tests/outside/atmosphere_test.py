"""The standard atmosphere and the two airspeeds against ISO 2533:1975 and a published implementation.

Table: geometric altitude, temperature, pressure, density as printed in ISO 2533 / U.S. Standard
Atmosphere 1976 (identical below 32 km; digits recomputed with ambiance 1.3.1, ICAO 1993).
"""

from __future__ import annotations

import ambiance
import numpy as np
import pytest

from trimkeep.detectors.numerics.air import (
    density_kgpm3,
    geopotential_m,
    standard_pressure_pa,
    standard_temperature_k,
    true_airspeed,
)

TABLE = (
    # geometric m, geopotential m, K, Pa, kg/m3
    (0.0, 0.00, 288.150, 101325.00, 1.225000),
    (100.0, 100.00, 287.500, 100129.46, 1.213283),
    (500.0, 499.96, 284.900, 95461.29, 1.167273),
    (1000.0, 999.84, 281.651, 89876.28, 1.111660),
    (1500.0, 1499.65, 278.402, 84559.67, 1.058104),
    (2000.0, 1999.37, 275.154, 79501.41, 1.006554),
    (3000.0, 2998.58, 268.659, 70121.14, 0.909254),
    (5000.0, 4996.07, 255.676, 54048.26, 0.736429),
)


@pytest.mark.parametrize(("geometric", "geopotential", "kelvin", "pascal", "density"), TABLE)
def test_iso_2533_table(
    geometric: float, geopotential: float, kelvin: float, pascal: float, density: float
) -> None:
    height = np.array([geometric])
    # Half of the last printed digit.
    assert geopotential_m(height)[0] == pytest.approx(geopotential, abs=0.0051)
    assert standard_temperature_k(height)[0] == pytest.approx(kelvin, abs=0.00051)
    assert standard_pressure_pa(height)[0] == pytest.approx(pascal, rel=1e-6)
    found = density_kgpm3(standard_pressure_pa(height), standard_temperature_k(height))[0]
    assert found == pytest.approx(density, abs=1e-6)


def test_the_same_as_a_published_implementation() -> None:
    """ambiance 1.3.1, `ambiance.Atmosphere(h)`, every 250 m to 10 km."""
    height = np.arange(0.0, 10000.0, 250.0)
    outside = ambiance.Atmosphere(height)
    # ambiance: R = 8314.32/28.964420, ours 287.05287: 1e-6 apart at most.
    assert standard_pressure_pa(height) == pytest.approx(outside.pressure, rel=2e-6)
    found = density_kgpm3(standard_pressure_pa(height), standard_temperature_k(height))
    assert found == pytest.approx(outside.density, rel=2e-6)


@pytest.mark.parametrize(
    ("geopotential", "ratio"), [(500.0, 1.02443), (1000.0, 1.04975), (2000.0, 1.10322), (3000.0, 1.16080)]
)
def test_true_over_equivalent_airspeed(geopotential: float, ratio: float) -> None:
    """Recomputed from ISO 2533 at geopotential altitudes."""
    geometric = np.array([6356766.0 * geopotential / (6356766.0 - geopotential)])
    density = density_kgpm3(standard_pressure_pa(geometric), standard_temperature_k(geometric))
    assert true_airspeed(np.array([1.0]), density)[0] == pytest.approx(ratio, abs=1e-5)


def test_density_of_a_hot_day() -> None:
    """1000 m pressure altitude, 30 degC: 1.03280 kg/m3 (density altitude 1742.5 m); 0 m, 35 degC: 1.14549."""
    height = np.array([6356766.0 * 1000.0 / (6356766.0 - 1000.0)])
    hot = density_kgpm3(standard_pressure_pa(height), np.array([303.15]))[0]
    assert hot == pytest.approx(1.03280, abs=1e-5)
    sea = density_kgpm3(np.array([101325.0]), np.array([308.15]))[0]
    assert sea == pytest.approx(1.14549, abs=1e-5)
