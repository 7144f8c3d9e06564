"""The air: standard atmosphere and the two airspeeds.

References
----------
.. [1] ISO 2533:1975, Standard Atmosphere.
"""

from __future__ import annotations

import numpy as np

from trimkeep.detectors.model import FloatArray

SEA_LEVEL_K = 288.15
SEA_LEVEL_PA = 101325.0
SEA_LEVEL_KGPM3 = 1.225
LAPSE_KPM = 0.0065
GAS_JPKGK = 287.05287
G_MPS2 = 9.80665
EARTH_M = 6356766.0
ZERO_C_K = 273.15


def standard_temperature_k(altitude_m: FloatArray) -> FloatArray:
    """Temperature of the standard atmosphere at a geometric altitude below 11 km, K."""
    return SEA_LEVEL_K - LAPSE_KPM * geopotential_m(altitude_m)


def standard_pressure_pa(altitude_m: FloatArray) -> FloatArray:
    """Pressure of the standard atmosphere at a geometric altitude below 11 km, Pa."""
    ratio = standard_temperature_k(altitude_m) / SEA_LEVEL_K
    return SEA_LEVEL_PA * ratio ** (G_MPS2 / (GAS_JPKGK * LAPSE_KPM))


def geopotential_m(altitude_m: FloatArray) -> FloatArray:
    """Geopotential of a geometric altitude, m."""
    return EARTH_M * altitude_m / (EARTH_M + altitude_m)


def density_kgpm3(pressure_pa: FloatArray, temperature_k: FloatArray) -> FloatArray:
    """Density of dry air, kg/m3."""
    return pressure_pa / (GAS_JPKGK * temperature_k)


def true_airspeed(calibrated_mps: FloatArray, air_kgpm3: FloatArray | float) -> FloatArray:
    """True from calibrated airspeed; below 100 m/s compressibility is under 1 %."""
    return calibrated_mps * np.sqrt(SEA_LEVEL_KGPM3 / air_kgpm3)
