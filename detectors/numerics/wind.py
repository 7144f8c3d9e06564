"""Wind, and the airspeed sensor's scale, from how ground velocity and airspeed differ around a turn.

The ground velocity is the air velocity plus the wind: |g - w| = s v for every sample, with the wind w
and the scale s (true over logged airspeed) unknown. Courses all around tell the two apart. With a dead
sensor v = 1, and s is the airspeed itself, taken to be steady: the ground velocities lie on a circle.

That is the wind along the nose. Where the heading is known, the wind across it is seen at the same moment
(`with_heading`): the slow gusts along and across are not the same, so that both together are the better mean.

References
----------
.. [1] I. Kasa, A circle fitting procedure and its error analysis, IEEE Trans. Instrum. Meas. 25, 1976
   (the start of the iteration; the wind triangle itself is common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.circular import covered_deg, direction_deg
from trimkeep.detectors.numerics.robust import gauss_newton, mad_sigma
from trimkeep.detectors.numerics.stats import effective_samples, pieces_of

ENOUGH_COURSES_DEG = 240.0
"""Two thirds of the compass: wind along and across, and the scale, are then all pinned."""
FEWEST_SAMPLES = 20
SLOWEST_MPS = 5.0
"""No aeroplane of 1 m span flies slower."""
WIDEST_RING = 0.3
"""Gusts of a third of the airspeed would keep such aeroplanes on the ground."""
COMPASS_DEG = 1.5
"""Deviation once around the compass that is left after its constant part (common practice, no source). It
looks just like wind: half of it times the airspeed."""
DISAGREE = 13.8
"""Chi-square of two numbers, 0.1 %: further apart the heading is not the nose's, a course for instance."""
SETTLED_MPS = 1e-3


@dataclass(frozen=True, slots=True)
class WindFit:
    """Wind and scale of one flight.

    Parameters
    ----------
    north_mps, east_mps : float
        Air moving north, east.
    scale : float
        True over logged airspeed; with a dead sensor the mean airspeed, m/s.
    covariance : ndarray, shape (3, 3)
        Of the three, from the effective number of samples.
    spread_mps : float
        Robust scatter of the triangle's closing error.
    seconds : float
        Data behind it.
    """

    north_mps: float
    east_mps: float
    scale: float
    covariance: FloatArray
    spread_mps: float
    seconds: float

    @property
    def speed_mps(self) -> float:
        """Wind speed, m/s."""
        return float(np.hypot(self.north_mps, self.east_mps))

    @property
    def from_deg(self) -> float:
        """Direction the wind comes from, clockwise from north."""
        return direction_deg(-self.north_mps, -self.east_mps)

    @property
    def speed_error_mps(self) -> float:
        """Standard error of the speed, m/s."""
        return float(np.sqrt(self._along(self.north_mps, self.east_mps)))

    @property
    def from_error_deg(self) -> float:
        """Standard error of the direction, deg; at most 104 (nothing known: evenly around)."""
        across = np.sqrt(self._along(-self.east_mps, self.north_mps))
        return float(min(np.degrees(across / max(self.speed_mps, 1e-6)), 360.0 / np.sqrt(12.0)))

    @property
    def scale_error(self) -> float:
        """Standard error of the scale."""
        return float(np.sqrt(max(self.covariance[2, 2], 0.0)))

    def _along(self, north: float, east: float) -> float:
        unit = np.array([north, east]) / max(np.hypot(north, east), 1e-6)
        return max(float(unit @ self.covariance[:2, :2] @ unit), 0.0)


def solve_wind(
    north_mps: FloatArray, east_mps: FloatArray, airspeed_mps: FloatArray | None, step_s: float
) -> WindFit | str:
    """Wind and airspeed scale from even samples of one flight.

    Parameters
    ----------
    north_mps, east_mps : ndarray, shape (n,)
        Ground velocity; NaN means no sample.
    airspeed_mps : ndarray, shape (n,), or None
        Logged airspeed, brought to true airspeed by density and to the horizontal by the caller;
        NaN means no sample. None: the sensor is dead, the airspeed is taken to be steady.
    step_s : float
        Time between samples, seconds.

    Returns
    -------
    WindFit or str
        Why there is none: `courses` (no turn far enough around), `samples`, `unsettled` (the fit does
        not converge or gives a scale beyond 0.5 to 2).
    """
    speed = np.ones(north_mps.shape) if airspeed_mps is None else airspeed_mps
    good = np.isfinite(north_mps) & np.isfinite(east_mps) & np.isfinite(speed)
    if good.sum() < FEWEST_SAMPLES:
        return "samples"
    north, east, air = north_mps[good], east_mps[good], speed[good]
    start = _circle(north, east, air)
    if start is None or _covered(north, east, start) < ENOUGH_COURSES_DEG:
        return "courses"

    def triangle(point: FloatArray) -> tuple[FloatArray, FloatArray]:
        north_air, east_air = north - point[0], east - point[1]
        length = np.maximum(np.hypot(north_air, east_air), 1e-3)
        derivative = np.column_stack((-north_air / length, -east_air / length, -air))
        return length - point[2] * air, derivative

    settled = gauss_newton(triangle, start)
    if settled is None:
        return "unsettled"
    point, residual, inverse = settled
    spread = mad_sigma(residual)
    radius = point[2] * float(np.median(air))
    # A straight flight's scatter lies on a circle too, but one as small as the scatter.
    if radius < SLOWEST_MPS or spread > WIDEST_RING * radius:
        return "courses"
    if airspeed_mps is not None and not 0.5 < point[2] < 2.0:
        return "unsettled"
    if _covered(north, east, point) < ENOUGH_COURSES_DEG:
        return "courses"
    spaced = np.full(good.shape, np.nan)
    spaced[good] = residual
    memory = residual.size / effective_samples(pieces_of(spaced), 0.0)
    covariance = inverse * float(np.mean(residual**2)) * memory
    return WindFit(
        float(point[0]), float(point[1]), float(point[2]), covariance, spread, float(good.sum() * step_s)
    )


def with_heading(
    fit: WindFit,
    north_mps: FloatArray,
    east_mps: FloatArray,
    airspeed_mps: FloatArray,
    heading_deg: FloatArray,
) -> WindFit:
    """The wind with what is seen across the nose: (g - w) across = b v, with the heading's offset b unknown.

    Parameters
    ----------
    fit : WindFit
        Of the same samples, by `solve_wind`.
    north_mps, east_mps, airspeed_mps : ndarray, shape (n,)
        As given there.
    heading_deg : ndarray, shape (n,)
        Where the nose points to, clockwise from north; NaN means no sample.

    Returns
    -------
    WindFit
        Both weighted by their covariances; the given one where the heading adds nothing or contradicts.
    """
    nose = np.radians(heading_deg)
    good = np.isfinite(north_mps) & np.isfinite(east_mps) & np.isfinite(airspeed_mps) & np.isfinite(nose)
    if good.sum() < FEWEST_SAMPLES:
        return fit
    sine, cosine, air = np.sin(nose[good]), np.cos(nose[good]), fit.scale * airspeed_mps[good]
    across = east_mps[good] * cosine - north_mps[good] * sine
    seen = np.column_stack((-sine, cosine, air))
    start = np.array([fit.north_mps, fit.east_mps, 0.0])
    settled = gauss_newton(lambda point: (across - seen @ point, -seen), start, SETTLED_MPS)
    if settled is None:
        return fit
    point, residual, inverse = settled
    spaced = np.full(good.shape, np.nan)
    spaced[good] = residual
    memory = residual.size / effective_samples(pieces_of(spaced), 0.0)
    unsure = inverse[:2, :2] * float(np.mean(residual**2)) * memory
    unsure += np.eye(2) * (0.5 * np.radians(COMPASS_DEG) * float(np.median(air))) ** 2
    return _joined(fit, point[:2], unsure)


def _joined(fit: WindFit, wind_mps: FloatArray, covariance: FloatArray) -> WindFit:
    """The fit and an independent measurement of its wind, weighted; the fit where they contradict."""
    apart = wind_mps - np.array([fit.north_mps, fit.east_mps])
    both = np.linalg.inv(fit.covariance[:2, :2] + covariance)
    if float(apart @ both @ apart) > DISAGREE:
        return fit
    gain = fit.covariance[:, :2] @ both
    north, east, scale = np.array([fit.north_mps, fit.east_mps, fit.scale]) + gain @ apart
    left = fit.covariance - gain @ fit.covariance[:2, :]
    return WindFit(float(north), float(east), float(scale), left, fit.spread_mps, fit.seconds)


def _circle(north: FloatArray, east: FloatArray, air: FloatArray) -> FloatArray | None:
    """Start of the iteration: |g|^2 = 2 g.w - |w|^2 + s^2 v^2 is linear in w, |w|^2 and s^2."""
    columns = [2.0 * north, 2.0 * east, np.ones(north.size)]
    if np.std(air) > 0.02 * np.mean(air):
        columns.append(air**2)
    matrix = np.column_stack(columns)
    solution, _, rank, _ = np.linalg.lstsq(matrix, north**2 + east**2, rcond=1e-10)
    if rank < matrix.shape[1]:
        return None
    length = np.median(np.hypot(north - solution[0], east - solution[1]))
    return np.array([solution[0], solution[1], length / max(float(np.median(air)), 1e-3)])


def _covered(north: FloatArray, east: FloatArray, point: FloatArray) -> float:
    return covered_deg(np.degrees(np.arctan2(east - point[1], north - point[0])))
