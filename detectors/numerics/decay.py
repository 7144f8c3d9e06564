"""One time constant through several decays."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import minimize_scalar

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.stats import Estimate, effective_samples

_BEND_STEP = 0.05
_EDGE = 0.1


def time_constant(decays: Sequence[FloatArray], step_s: float, longest_s: float) -> Estimate | None:
    """Time constant of exponentials to zero, the same for all, each with its own start.

    Parameters
    ----------
    decays : sequence of ndarray
        Even samples, any unit, no NaN.
    step_s : float
        Seconds between samples.
    longest_s : float
        Longest constant looked for.

    Returns
    -------
    Estimate or None
        Seconds, error by the curvature of the squares and the residuals' memory. None: nothing decays,
        or not within `longest_s`.

    Examples
    --------
    >>> time_s = np.arange(0.0, 20.0, 0.25)
    >>> found = time_constant([3.0 * np.exp(-time_s / 8.0), -np.exp(-time_s / 8.0)], 0.25, 100.0)
    >>> round(found.value, 2)
    8.0
    """
    if not decays:
        return None

    def left(logarithm: float) -> list[FloatArray]:
        residuals = []
        for part in decays:
            shape = np.exp(-np.arange(part.size) * step_s / np.exp(logarithm))
            residuals.append(part - shape * float(shape @ part) / float(shape @ shape))
        return residuals

    def cost(logarithm: float) -> float:
        return sum(float(part @ part) for part in left(logarithm))

    low, high = float(np.log(2.0 * step_s)), float(np.log(longest_s))
    best = minimize_scalar(cost, bounds=(low, high), method="bounded")
    at = float(best.x)
    bend = (cost(at + _BEND_STEP) - 2.0 * cost(at) + cost(at - _BEND_STEP)) / _BEND_STEP**2
    # At the edge of what was looked at the true constant may be anything beyond.
    if not best.success or bend <= 0.0 or not low + _EDGE < at < high - _EDGE:
        return None
    residuals = left(at)
    count = sum(part.size for part in residuals)
    memory = count / effective_samples(residuals, 0.0)
    relative = float(np.sqrt(2.0 * cost(at) / count * memory / bend))
    return Estimate(float(np.exp(at)), relative * float(np.exp(at)))
