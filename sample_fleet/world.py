"""The air of one flight: mean wind, temperature, pressure and gusts in the Dryden form.

Gusts follow MIL-F-8785C, low-altitude model, whose formulas want the height in feet (see
`dryden_lengths_m`), frozen for one height and one airspeed per flight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

FOOT_M = 0.3048


@dataclass(frozen=True, slots=True)
class Weather:
    """What the air is like on one day.

    Parameters
    ----------
    wind_mps, wind_from_deg : float
        Mean wind at flying height and the direction it comes from.
    gust_mps : float
        Standard deviation of the vertical gusts; by the standard a tenth of the wind at 20 ft, so 0.77 is
        the light turbulence of full-size aeroplanes and 0.1 a quiet morning.
    temperature_c : float
        At the field.
    pressure_hpa : float
        At the field (not reduced to sea level).
    field_elevation_m : float
    """

    wind_mps: float = 2.0
    wind_from_deg: float = 270.0
    gust_mps: float = 0.15
    temperature_c: float = 15.0
    pressure_hpa: float = 1001.0
    field_elevation_m: float = 100.0

    @property
    def wind_north_mps(self) -> float:
        """Air moving north."""
        return -self.wind_mps * float(np.cos(np.radians(self.wind_from_deg)))

    @property
    def wind_east_mps(self) -> float:
        """Air moving east."""
        return -self.wind_mps * float(np.sin(np.radians(self.wind_from_deg)))

    @property
    def density_kgm3(self) -> float:
        """Air density at the field, ideal gas."""
        return self.pressure_hpa * 100.0 / (287.053 * (self.temperature_c + 273.15))


@dataclass(frozen=True, slots=True)
class GustModel:
    """Standard deviations and scale lengths of the three gust components.

    Parameters
    ----------
    sigma_u_mps, sigma_w_mps : float
        Along and across (the same), and vertical.
    length_u_m, length_w_m : float
    """

    sigma_u_mps: float
    sigma_w_mps: float
    length_u_m: float
    length_w_m: float

    @property
    def edr(self) -> float:
        """Cube root of the eddy dissipation rate, m^(2/3)/s, of the along-wind component.

        A von Karman spectrum of the same variance and length ends in Kolmogorov's law (constant 0.52 for
        the one-sided spectrum along the flight): e^(1/3) = 0.8675 sigma / L^(1/3). The Dryden form falls
        faster, so this names a strength, not a slope.
        """
        return 0.8675 * self.sigma_u_mps / self.length_u_m ** (1.0 / 3.0)


def gust_model(sigma_w_mps: float, height_m: float) -> GustModel:
    """Low-altitude model of MIL-F-8785C for 10 to 1000 ft.

    Lw = h, Lu = Lv = h / (0.177 + 0.000823 h)^1.2, sigma_u = sigma_w / (0.177 + 0.000823 h)^0.4, with h
    in feet.

    Examples
    --------
    >>> round(gust_model(1.0, 100.0).length_u_m, 2)
    262.79
    """
    feet = height_m / FOOT_M
    bracket = 0.177 + 0.000823 * feet
    return GustModel(
        sigma_u_mps=sigma_w_mps / bracket**0.4,
        sigma_w_mps=sigma_w_mps,
        length_u_m=feet / bracket**1.2 * FOOT_M,
        length_w_m=height_m,
    )


@dataclass(frozen=True, slots=True)
class Gusts:
    """Gusts along the flight: forward, right, down (m/s) and rolling (rad/s), each of shape (n,)."""

    u_mps: NDArray[np.float64]
    v_mps: NDArray[np.float64]
    w_mps: NDArray[np.float64]
    p_radps: NDArray[np.float64]


def first_order_noise(
    rng: np.random.Generator, n: int, sigma: float, time_constant_s: float, dt_s: float
) -> NDArray[np.float64]:
    """Stationary first-order Gauss-Markov series, exact at the samples, shape (n,)."""
    keep = float(np.exp(-dt_s / time_constant_s))
    drive = sigma * np.sqrt(1.0 - keep**2) * rng.standard_normal(n)
    drive[0] = sigma * rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], drive))


def _across(rng: np.random.Generator, n: int, sigma: float, tau: float, dt: float) -> NDArray[np.float64]:
    """Dryden lateral or vertical series: H = sigma sqrt(tau/pi) (1 + sqrt3 tau s) / (1 + tau s)^2.

    With x1 the first-order output and x2 its second stage, y = sqrt3 x1 + (1 - sqrt3) x2, stepped exactly:
    x2 follows x1 with the matrix exponential of the double pole, both driven by correlated noise.
    """
    a = float(np.exp(-dt / tau))
    ratio = dt / tau
    # stationary covariance for unit white noise of one-sided density 1 in rad/s (intensity pi)
    p = np.pi / tau * np.array([[0.5, 0.25], [0.25, 0.25]])
    step = np.array([[a, 0.0], [ratio * a, a]])
    noise = p - step @ p @ step.T
    drive = rng.standard_normal((n, 2)) @ np.linalg.cholesky(noise).T
    drive[0] = np.linalg.cholesky(p) @ rng.standard_normal(2)
    first = np.asarray(lfilter([1.0], [1.0, -a], drive[:, 0]))
    carried = drive[:, 1].copy()
    carried[1:] += ratio * a * first[:-1]
    second = np.asarray(lfilter([1.0], [1.0, -a], carried))
    root3 = np.sqrt(3.0)
    return sigma * np.sqrt(tau / np.pi) * (root3 * first + (1.0 - root3) * second)


def dryden_gusts(
    rng: np.random.Generator, n: int, dt_s: float, model: GustModel, airspeed_mps: float, span_m: float
) -> Gusts:
    """Gust series met at a steady airspeed.

    Parameters
    ----------
    rng : Generator
    n : int
    dt_s, airspeed_mps, span_m : float

    Notes
    -----
    Roll gusts: first-order lag 4b/(pi V), gain sigma_w sqrt(0.8/V) (pi/4b)^(1/6) / Lw^(1/3) (8785C).
    """
    along = first_order_noise(rng, n, model.sigma_u_mps, model.length_u_m / airspeed_mps, dt_s)
    side = _across(rng, n, model.sigma_u_mps, model.length_u_m / airspeed_mps, dt_s)
    down = _across(rng, n, model.sigma_w_mps, model.length_w_m / airspeed_mps, dt_s)
    lag = 4.0 * span_m / (np.pi * airspeed_mps)
    gain = (
        model.sigma_w_mps
        * np.sqrt(0.8 / airspeed_mps)
        * (np.pi / (4.0 * span_m)) ** (1.0 / 6.0)
        / model.length_w_m ** (1.0 / 3.0)
    )
    roll = first_order_noise(rng, n, float(gain * np.sqrt(np.pi / (2.0 * lag))), lag, dt_s)
    return Gusts(u_mps=along, v_mps=side, w_mps=down, p_radps=roll)
