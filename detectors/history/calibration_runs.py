"""How the calibrated limits are made: unchanged series, judged after every flight.

Apart from `calibration`, which only reads the result, because this is run once per change of the
statistic and never where a fleet is judged.
"""

from __future__ import annotations

import numpy as np

from trimkeep.detectors.history.calibration import (
    AIM,
    AXES,
    FIRST_LOOK,
    HORIZON,
    LEVELS,
    WIDTH,
    Limits,
    handicap,
)
from trimkeep.detectors.history.calibration_scan import (
    SCAN_AIM,
    SCAN_AXES,
    SCAN_LEVELS,
    SCAN_QUICKEST,
    ScanLimits,
    scan_handicap,
)
from trimkeep.detectors.history.evidence import log_e_value
from trimkeep.detectors.history.step_fit import fit_steps
from trimkeep.detectors.history.steps_unknown import WINDOW, scan
from trimkeep.detectors.model import FloatArray

RUN_IN = 40
"""Flights dropped at the start of a simulated series: 0.6^40 of the start is left."""


def lag_one(shocks: FloatArray, rho: float) -> FloatArray:
    """Noise of unit variance with lag-one correlation `rho` from unit shocks, along the last axis."""
    noise = np.array(shocks)
    gain = float(np.sqrt(1.0 - rho**2))
    noise[..., 0] *= gain
    for k in range(1, noise.shape[-1]):
        noise[..., k] = rho * noise[..., k - 1] + gain * shocks[..., k]
    return noise


def reference_series(
    rng: np.random.Generator, count: int, flights: int, rho: float, outlier_share: float
) -> tuple[FloatArray, FloatArray]:
    """Unchanged series as the calibration takes them to be: values and one condition, shape (count, flights).

    Lag-one noise whose deviation differs between airframes by a quarter, gross errors of 4 to 8
    deviations with four fifths of them upwards, and one condition with a slope of one deviation
    times 0.8 known to the fleet, measured with reliability 0.8.
    """
    noise = lag_one(rng.normal(size=(count, flights + RUN_IN)), rho)[:, RUN_IN:]
    wind = lag_one(rng.normal(size=(count, flights + RUN_IN)), 0.5)[:, RUN_IN:]
    sigma = np.exp(rng.normal(0.0, 0.25, (count, 1)))
    odd = rng.random((count, flights)) < outlier_share
    sign = np.where(rng.random((count, flights)) < 0.8, 1.0, -1.0)
    noise = noise + odd * sign * rng.uniform(4.0, 8.0, (count, flights))
    measured = np.sqrt(0.8) * wind + np.sqrt(0.2) * rng.normal(size=(count, flights))
    slope = 0.5 + rng.normal(0.0, 0.1, (count, 1))
    return np.asarray(sigma * (noise + slope * measured)), np.asarray(measured)


def highest_evidence(
    value: FloatArray, condition: FloatArray, before: int, rho: float, sigma_flights: float
) -> FloatArray:
    """Largest log e-value less handicap over all looks, shape (count,), judged as the judge does."""
    highest = np.full(value.shape[0], -np.inf)
    for look in range(FIRST_LOOK, HORIZON + 1):
        n = before + look
        for start in range(0, value.shape[0], 500):  # batches that fit the processor's cache
            part = slice(start, start + 500)
            size = value[part].shape[0]
            fit = fit_steps(
                value[part, :n],
                condition[part, :n, None],
                np.broadcast_to(np.arange(n) >= before, (size, n)),
                np.ones((size, n)),
                sigma=np.full(size, 1.0),
                sigma_flights=np.full(size, sigma_flights),
                slope=np.full((size, 1), 0.5),
                slope_flights=np.full((size, 1), 20.0),
                rho=np.full(size, rho),
            )
            log_e = log_e_value(fit.step / fit.standard_error, fit.freedom, fit.information, WIDTH)
            highest[part] = np.maximum(highest[part], log_e - float(handicap(np.array(float(look)))))
    return highest


def make_limits(seed: int, series_per_cell: int) -> Limits:
    """Simulate all cells. About a second for a thousand series in a cell; deterministic for a seed."""
    shape = (len(LEVELS), *(len(v) for v in AXES.values()))
    table = np.zeros(shape)
    for i, before in enumerate(AXES["flights_before"]):
        for j, rho in enumerate(AXES["rho"]):
            for k, share in enumerate(AXES["outlier_share"]):
                # the same series for every prior weight: their limits then differ smoothly
                rng = np.random.default_rng((seed, i, j, k))
                value, condition = reference_series(rng, series_per_cell, int(before) + HORIZON, rho, share)
                for m, flights in enumerate(AXES["sigma_flights"]):
                    highest = highest_evidence(value, condition, int(before), rho, flights)
                    table[:, i, j, k, m] = np.quantile(highest, 1.0 - AIM * np.array(LEVELS))
    return Limits(seed, series_per_cell, table)


def highest_scan(value: FloatArray, rho: float, sigma_flights: float) -> FloatArray:
    """Largest log evidence less handicap over 60 flights, shape (count, 2).

    First column: from the 21st flight of a stretch on. Second: the 60 flights after the window has
    reached its full length.
    """
    count = value.shape[0]
    highest = np.full((count, 2), -np.inf)
    for n in range(SCAN_QUICKEST + 1, WINDOW + HORIZON + 1):
        for start in range(0, count, 500):
            part = slice(start, min(start + 500, count))
            seen = value[part, max(n - WINDOW, 0) : n]
            size = seen.shape[0]
            found = scan(
                seen,
                np.ones_like(seen),
                sigma=np.full(size, 1.0),
                sigma_flights=np.full(size, sigma_flights),
                rho=np.full(size, rho),
            )
            less = found.log_evidence - float(scan_handicap(np.array(float(seen.shape[1]))))
            phase = 0 if n <= SCAN_QUICKEST + HORIZON else 1
            highest[part, phase] = np.maximum(highest[part, phase], less)
    return highest


def make_scan_limits(seed: int, series_per_cell: int) -> ScanLimits:
    """Limits for steps and drift at unknown times: while a stretch grows, and after."""
    table = np.zeros((len(SCAN_LEVELS), *(len(v) for v in SCAN_AXES.values())))
    for j, rho in enumerate(SCAN_AXES["rho"]):
        for k, share in enumerate(SCAN_AXES["outlier_share"]):
            rng = np.random.default_rng((seed, j, k))
            value, condition = reference_series(rng, series_per_cell, WINDOW + HORIZON, rho, share)
            for m, flights in enumerate(SCAN_AXES["sigma_flights"]):
                highest = highest_scan(value - 0.5 * condition, rho, flights)
                table[:, :, j, k, m] = np.quantile(highest, 1.0 - SCAN_AIM * np.array(SCAN_LEVELS), axis=0)
    return ScanLimits(seed, series_per_cell, table)
