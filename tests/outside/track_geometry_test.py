"""Distances in the local plane against a geodetic test line and a published cross-track example."""

from __future__ import annotations

import numpy as np
import pytest

from trimkeep.detectors.numerics.local_plane import to_plane

Place = tuple[float, float]


def _degrees(whole: float, minutes: float, seconds: float = 0.0) -> float:
    return whole + minutes / 60.0 + seconds / 3600.0


def _sphere_cross_track(point: Place, start: Place, end: Place) -> float:
    """asin(sin(d) sin(course difference)), radians, right positive: Aviation Formulary V1.46, E. Williams."""

    def course_and_distance(a: Place, b: Place) -> tuple[float, float]:
        lat1, lon1, lat2, lon2 = np.radians([*a, *b])
        y = np.sin(lon2 - lon1) * np.cos(lat2)
        x = np.cos(lat1) * np.sin(lat2) - np.sin(lat1) * np.cos(lat2) * np.cos(lon2 - lon1)
        inner = np.sin((lat2 - lat1) / 2) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
        return float(np.arctan2(y, x)), float(2.0 * np.arcsin(np.sqrt(inner)))

    to_point, distance = course_and_distance(start, point)
    return float(np.arcsin(np.sin(distance) * np.sin(to_point - course_and_distance(start, end)[0])))


def test_the_geodetic_test_line() -> None:
    """Flinders Peak to Buninyong, 54,972.271 m (Geocentric Datum of Australia Technical Manual, GRS80)."""
    latitude = np.array([-_degrees(37, 57, 3.72030), -_degrees(37, 39, 10.15610)])
    longitude = np.array([_degrees(144, 25, 29.52440), _degrees(143, 55, 35.38390)])
    east, north = to_plane(latitude, longitude)
    # A plane 55 km wide is ten times what a leg needs; it is still good to 3 in 100,000.
    assert np.hypot(*np.diff([east, north])).item() == pytest.approx(54972.271, rel=3e-5)


def test_the_published_cross_track_example_and_the_plane() -> None:
    """LAX to JFK with a point 7.45 nm right of course; then the same shape at the size of a survey leg."""
    lax, jfk = (_degrees(33, 57), -_degrees(118, 24)), (_degrees(40, 38), -_degrees(73, 47))
    aside = (_degrees(34, 30), -_degrees(116, 30))
    assert np.degrees(_sphere_cross_track(aside, lax, jfk)) * 60.0 == pytest.approx(7.45, abs=0.01)

    def nearer(place: Place) -> Place:
        return lax[0] + (place[0] - lax[0]) / 200.0, lax[1] + (place[1] - lax[1]) / 200.0

    small, far = nearer(aside), nearer(jfk)
    sphere_m = _sphere_cross_track(small, lax, far) * 6371008.8
    east, north = to_plane(np.array([lax[0], far[0], small[0]]), np.array([lax[1], far[1], small[1]]))
    leg = np.array([east[1] - east[0], north[1] - north[0]])
    place = np.array([east[2] - east[0], north[2] - north[0]])
    right_m = float(place[0] * leg[1] - place[1] * leg[0]) / float(np.hypot(*leg))
    # Sphere against ellipsoid: 0.3 % in distance, and north and east differ, which turns the leg a little.
    assert right_m == pytest.approx(sphere_m, abs=0.005 * float(np.hypot(*place)))
