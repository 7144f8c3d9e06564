"""Gust strength from how fast airspeed or vertical acceleration changes.

References
----------
.. [1] A. N. Kolmogorov, Dokl. Akad. Nauk SSSR 30, 1941: D(r) = C2 (epsilon r)^(2/3).
.. [2] S. B. Pope, Turbulent Flows, Cambridge 2000, section 6.2: C2 = 2.0.
.. [3] G. I. Taylor, The spectrum of turbulence, Proc. R. Soc. A 164, 1938 (distance = airspeed x time).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.resample import running_mean
from trimkeep.detectors.numerics.stats import Estimate, mean_of

KOLMOGOROV_C2 = 2.0
SHORTEST_LAG_S = 0.19
"""Pitot tubing and sensor filters blur what is shorter."""
LONGEST_LAG_S = 2.0
"""At 20 m/s this is 40 m: still short of the largest eddies 50 m above the ground."""
BLOCK_S = 20.0
FEWEST_BLOCKS = 3


def edr_of(pieces: Sequence[FloatArray], step_s: float, airspeed_mps: float) -> Estimate | None:
    """Eddy dissipation rate to the power 1/3 from even samples of airspeed.

    Parameters
    ----------
    pieces : sequence of ndarray
        True airspeed less the aeroplane's own motion, m/s, no NaN.
    step_s : float
        Seconds between samples, at most 0.4.
    airspeed_mps : float
        Mean true airspeed, which turns lags into distances [3]_.

    Returns
    -------
    Estimate or None
        m^(2/3)/s; zero where the sensor's noise hides the gusts. None: too little data.
    """
    # A step measured from jittering times is never quite even: 1e-6 keeps a lag from coming and going.
    first = max(int(np.ceil(SHORTEST_LAG_S / step_s - 1e-6)), 1)
    lags = np.arange(first, int(LONGEST_LAG_S / step_s + 1e-6) + 1)
    block = round(BLOCK_S / step_s)
    blocks = [
        part
        for piece in pieces
        for part in np.array_split(piece, max(piece.size // block, 1))
        if part.size > lags[-1] + 2
    ]
    if len(blocks) < FEWEST_BLOCKS or lags.size < 4 or not airspeed_mps > 0.0:
        return None
    counts = np.array([[part.size - lag for lag in lags] for part in blocks], dtype=np.float64)
    sums = np.array([[_grown(part, lag) for lag in lags.tolist()] for part in blocks])
    growth = (lags * step_s) ** (2.0 / 3.0)
    mean = sums.sum(axis=0) / counts.sum(axis=0)
    if not mean.all():
        return Estimate(0.0, None)
    # Relative errors of the lags are about alike, so each counts by the inverse square of its size.
    weight = 1.0 / mean**2
    centred = growth - np.average(growth, weights=weight)
    pull = weight * centred / float(np.sum(weight * centred**2))
    slope = float(pull @ mean)
    floor = float(np.average(mean - slope * growth, weights=weight))
    if floor < 0.0:
        # Noise cannot be less than nothing: the line then goes through the origin.
        pull = weight * growth / float(np.sum(weight * growth**2))
        slope = float(pull @ mean)
    each = (sums / counts) @ pull
    share = counts.sum(axis=1) / counts.sum()
    error = float(np.sqrt(np.sum(share**2 * (each - share @ each) ** 2) * len(blocks) / (len(blocks) - 1)))
    unit = KOLMOGOROV_C2 * airspeed_mps ** (2.0 / 3.0)
    edr = float(np.sqrt(max(slope, 0.0) / unit))
    if edr == 0.0:
        return Estimate(0.0, float(np.sqrt(error / unit)))
    return Estimate(edr, min(error / (2.0 * slope) * edr, edr))


def _grown(part: FloatArray, lag: int) -> float:
    grown = part[lag:] - part[:-lag]
    return float(grown @ grown)


def roughness_of(
    accel_mps2: Sequence[FloatArray], pitch_rate_dps: Sequence[FloatArray], width: int
) -> Estimate | None:
    """Vertical shaking of the air, m/s2: what goes with the aeroplane's own pitching taken off.

    The root of the covariance of successive samples, so that independent noise (a sensor's, or
    vibration folded into a slow rate) does not count.

    Parameters
    ----------
    accel_mps2, pitch_rate_dps : sequence of ndarray
        The same even pieces of both; a pitch rate of zeros where it is not known.
    width : int
        Samples in the running mean that is taken off (about 4 s).
    """
    felt = [piece - running_mean(piece, width) for piece in accel_mps2]
    pitched = [piece - running_mean(piece, width) for piece in pitch_rate_dps]
    if not felt:
        return None
    power = sum(float(piece @ piece) for piece in pitched)
    share = sum(float(a @ q) for a, q in zip(felt, pitched, strict=True)) / power if power > 0.0 else 0.0
    rest = [a - share * q for a, q in zip(felt, pitched, strict=True)]
    product = mean_of([piece[1:] * piece[:-1] for piece in rest])
    level = float(np.sqrt(max(product.value, 0.0)))
    if product.error is None:
        return Estimate(level, None)
    return Estimate(level, product.error / (2.0 * level) if level > 0.0 else float(np.sqrt(product.error)))
