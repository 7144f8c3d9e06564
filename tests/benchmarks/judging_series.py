"""Simulated per-flight series with the troubles of real ones, for scoring the judge.

One series is `level + noise + effect + turbulence + gross errors` on the scale on which the judge
works (a lognormal metric has been through its logarithm), in units of the mean airframe's
flight-to-flight deviation. The turbulence is known to the judge only through a noisy measurement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from trimkeep.detectors.model import FloatArray


@dataclass(frozen=True, slots=True)
class Scenario:
    """What troubles a series. All in units of the airframe's flight-to-flight deviation."""

    name: str
    correlation: float = 0.0
    outlier_share: float = 0.0
    wind_slope: float = 0.0
    wind_rises_by: float = 0.0
    heavy_tails: bool = False
    lognormal: bool = False


SCENARIOS = {
    s.name: s
    for s in (
        Scenario("clean"),
        Scenario("outliers", outlier_share=0.05),
        Scenario("wind", wind_slope=1.0),
        Scenario("ar4", correlation=0.4),
        Scenario("real", 0.2, 0.05, 1.0, lognormal=True),
        Scenario("real ar4", 0.4, 0.05, 1.0, lognormal=True),
        Scenario("season", 0.2, 0.05, 1.0, wind_rises_by=1.0, lognormal=True),
        Scenario("calmer", 0.2, 0.05, 1.0, wind_rises_by=-1.0, lognormal=True),
        Scenario("stress", 0.4, 0.10, 1.0, heavy_tails=True),
    )
}
LOG_WIDTH = 0.25
"""A lognormal metric is exp(0.25 y)."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Series of one scenario: `value` and `wind` (measured, standardised) of shape (B, before + after)."""

    value: FloatArray
    wind: FloatArray
    sigma: FloatArray
    before: int

    def raw(self, scenario: Scenario) -> FloatArray:
        """The metric as logged, as a test that knows nothing would be fed."""
        return np.exp(LOG_WIDTH * self.value) if scenario.lognormal else self.value


def correlated(
    rng: np.random.Generator, shape: tuple[int, int], rho: float, heavy: bool = False
) -> FloatArray:
    """Stationary lag-one noise of unit variance, shape (B, n)."""
    steps = shape[1] + 50
    shocks = (
        rng.standard_t(3, (shape[0], steps)) / np.sqrt(3.0) if heavy else rng.normal(size=(shape[0], steps))
    )
    if rho == 0.0:
        return np.asarray(shocks[:, 50:])
    return np.asarray(lfilter([np.sqrt(1.0 - rho**2)], [1.0, -rho], shocks, axis=1)[:, 50:])


def make(
    scenario: Scenario, rng: np.random.Generator, count: int, before: int, after: int, effect: float = 0.0
) -> Batch:
    """`count` series with a step of `effect` after `before` flights.

    Gross errors are 4 to 8 deviations off, four fifths of them upwards; the turbulence has a
    lag-one correlation of 0.5 and is measured with reliability 0.8.
    """
    shape = (count, before + after)
    sigma = np.exp(rng.normal(0.0, 0.25, count))
    noise = correlated(rng, shape, scenario.correlation, scenario.heavy_tails)
    wind = correlated(rng, shape, 0.5)
    late = np.arange(before + after) >= before
    wind = wind + scenario.wind_rises_by * late
    odd = rng.random(shape) < scenario.outlier_share
    sign = np.where(rng.random(shape) < 0.8, 1.0, -1.0)
    noise = noise + odd * sign * rng.uniform(4.0, 8.0, shape)
    value = rng.normal(0.0, 3.0, (count, 1)) + sigma[:, None] * (
        noise + scenario.wind_slope * wind + effect * late
    )
    measured = wind + rng.normal(0.0, 0.5, shape)
    return Batch(np.asarray(value), np.asarray(measured), sigma, before)
