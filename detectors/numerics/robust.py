"""Fits that a few wild samples do not spoil.

References
----------
.. [1] P. J. Huber, E. M. Ronchetti, Robust Statistics, 2nd ed., Wiley 2009, chapter 7.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from trimkeep.detectors.model import FloatArray

NORMAL_MAD = 0.6744897501960817
"""Median absolute deviation of a standard normal variable, its 3/4 quantile."""
HUBER_K = 1.345
"""95 % efficiency on normal errors [1]_."""
MAX_ROUNDS = 50


def mad_sigma(value: FloatArray) -> float:
    """Standard deviation of normal values from their median absolute deviation; NaN is left out.

    >>> round(mad_sigma(np.array([1.0, 2.0, 3.0, 4.0, 500.0])), 4)
    1.4826
    """
    known = value[np.isfinite(value)]
    if known.size == 0:
        raise ValueError("value: no finite sample")
    return float(np.median(np.abs(known - np.median(known))) / NORMAL_MAD)


def huber_weights(residual: FloatArray) -> FloatArray:
    """Weights of Huber's estimator, 1 near zero, falling as 1/|r| beyond 1.345 scales."""
    scale = float(np.median(np.abs(residual)) / NORMAL_MAD)
    if scale <= 0.0:
        return np.ones(residual.shape)
    return HUBER_K / np.maximum(np.abs(residual) / scale, HUBER_K)


def gauss_newton(
    residual_and_jacobian: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    start: FloatArray,
    tolerance: float = 1e-6,
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Robust nonlinear least squares by iteratively weighted Gauss-Newton steps.

    Parameters
    ----------
    residual_and_jacobian : callable
        Parameters, shape (k,), to residual, shape (n,), and its derivatives, shape (n, k).
    start : ndarray, shape (k,)
    tolerance : float
        Converged when the largest step is below this.

    Returns
    -------
    tuple of ndarray or None
        Parameters, residual, and the inverse of the weighted normal matrix, shape (k, k), to be
        multiplied by the residual variance. None when it does not converge or is degenerate.
    """
    point = start.astype(np.float64)
    for _ in range(MAX_ROUNDS):
        residual, jacobian = residual_and_jacobian(point)
        if not (np.isfinite(residual).all() and np.isfinite(jacobian).all()):
            return None
        weight = huber_weights(residual)
        normal = jacobian.T @ (weight[:, None] * jacobian)
        if np.linalg.cond(normal) > 1e12:
            return None
        step = -np.linalg.solve(normal, jacobian.T @ (weight * residual))
        point = point + step
        if float(np.abs(step).max()) < tolerance:
            inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
            return point, residual_and_jacobian(point)[0], inverse
    return None
