"""Positions in a plane about their own middle, for distances of a few kilometres.

References
----------
.. [1] NIMA TR8350.2, Department of Defense World Geodetic System 1984, 3rd ed. (axes of the ellipsoid).
.. [2] R. E. Deakin, M. N. Hunter, Geometric Geodesy Part A, RMIT 2013: radii of curvature of the
   meridian and the prime vertical.
"""

from __future__ import annotations

import numpy as np

from trimkeep.detectors.model import FloatArray

SEMI_MAJOR_M = 6378137.0
FLATTENING = 1.0 / 298.257223563
ECCENTRICITY_2 = FLATTENING * (2.0 - FLATTENING)


def to_plane(latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """East and north of the mean position, metres; shape kept.

    Good to 1e-3 of the distance within 5 km below 60 degrees of latitude. Longitudes must not jump.
    """
    middle_deg = float(np.mean(latitude_deg))
    sine = np.sin(np.radians(middle_deg))
    bend = 1.0 - ECCENTRICITY_2 * sine**2
    meridian_m = SEMI_MAJOR_M * (1.0 - ECCENTRICITY_2) / bend**1.5
    vertical_m = SEMI_MAJOR_M / np.sqrt(bend)
    east = np.radians(longitude_deg - longitude_deg.mean()) * vertical_m * np.cos(np.radians(middle_deg))
    return east, np.radians(latitude_deg - middle_deg) * meridian_m
