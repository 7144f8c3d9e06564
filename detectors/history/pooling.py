"""The same change on several airframes is one question: how large on average, how different between them.

Input is each airframe's step and its variance, never its verdict. With few airframes the spread between
them cannot be estimated from themselves alone: a half-normal prior, in units of the flight-to-flight
deviation, keeps the answer from being either too bold (spread taken as zero) or empty (spread taken as
anything). Where the airframes differ by more than that prior and chance account for, it is overruled: spread
and error grow until they do. The classical estimators are here as well, for the checks against published
examples.

References
----------
.. [1] DerSimonian and Laird, Controlled Clinical Trials 7 (1986) 177-188.
.. [2] Paule and Mandel, J. Res. Nat. Bur. Stand. 87 (1982) 377-385.
.. [3] Hartung and Knapp, Statistics in Medicine 20 (2001) 3875-3889.
.. [4] Röver, "Bayesian random-effects meta-analysis using the bayesmeta R package", J. Stat. Software
   93 (2020), sections 2.2 to 2.4: the mixture over the spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize, special

from trimkeep.detectors.model import FloatArray

SPREADS = 60
"""Grid points of the spread; the posterior mean changes by less than 1e-3 with twice as many."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """A pooled effect: estimate, standard error, variance between airframes, Cochran's Q, I squared."""

    estimate: float
    standard_error: float
    spread_square: float
    q: float
    i_square: float


def _weighted(effect: FloatArray, variance: FloatArray, spread_square: float) -> tuple[float, float]:
    weight = 1.0 / (variance + spread_square)
    return float((weight * effect).sum() / weight.sum()), float(1.0 / np.sqrt(weight.sum()))


def _q(effect: FloatArray, variance: FloatArray, spread_square: float) -> float:
    mean, _ = _weighted(effect, variance, spread_square)
    return float(((effect - mean) ** 2 / (variance + spread_square)).sum())


def pool(
    effect: FloatArray,
    variance: FloatArray,
    method: Literal["common", "dl", "pm", "reml"] = "dl",
) -> Pooled:
    """Classical pooling with a normal law between airframes.

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
        Each airframe's effect and its variance, positive.
    method : {"common", "dl", "pm", "reml"}
        How the variance between airframes is estimated: none; DerSimonian-Laird; Paule-Mandel;
        restricted maximum likelihood. One airframe alone gives none.

    Returns
    -------
    Pooled

    Raises
    ------
    ValueError
        No effect, or a variance that is not positive.
    """
    if effect.size == 0 or not np.all(variance > 0.0):
        raise ValueError(f"pooling needs effects with positive variances, got {effect.size} and {variance}")
    k = effect.size
    q = _q(effect, variance, 0.0)
    weight = 1.0 / variance
    i_square = max(0.0, (q - (k - 1)) / q) if q > 0.0 else 0.0
    spread_square = 0.0
    if k > 1 and method == "dl":
        spread_square = max(0.0, (q - (k - 1)) / (weight.sum() - (weight**2).sum() / weight.sum()))
    elif k > 1 and method == "pm":
        spread_square = _zero_above(lambda t: _q(effect, variance, t) - (k - 1), effect)
    elif k > 1 and method == "reml":
        spread_square = _restricted_maximum(effect, variance)
    estimate, error = _weighted(effect, variance, spread_square)
    return Pooled(estimate, error, float(spread_square), q, i_square)


def _zero_above(function: object, effect: FloatArray) -> float:
    """Root of a falling function on [0, huge); 0 when it starts at or below zero."""
    assert callable(function)
    if function(0.0) <= 0.0:
        return 0.0
    high = float(np.var(effect)) * 10.0 + 1.0
    while function(high) > 0.0:
        high *= 10.0
    return float(optimize.brentq(function, 0.0, high, xtol=1e-14, rtol=1e-12))


def _restricted_maximum(effect: FloatArray, variance: FloatArray) -> float:
    def slope(spread_square: float) -> float:
        w = 1.0 / (variance + spread_square)
        mean = (w * effect).sum() / w.sum()
        return float((w**2 * (effect - mean) ** 2).sum() - w.sum() + (w**2).sum() / w.sum())

    return _zero_above(slope, effect)


def hartung_knapp(effect: FloatArray, variance: FloatArray, spread_square: float) -> float:
    """Standard error after Hartung and Knapp, for a t law with k - 1 degrees of freedom."""
    _, error = _weighted(effect, variance, spread_square)
    return float(error * np.sqrt(_q(effect, variance, spread_square) / (effect.size - 1)))


CONFLICT = 0.01
"""Chance of a heterogeneity below which the prior on the spread is overruled."""


@dataclass(frozen=True, slots=True)
class Crossed:
    """Effects of several items over several airframes, averaged over what the spread may be.

    `estimate` and `error` of each column, `spread` the deviation between airframes: the posterior mean,
    or more where they show more.
    """

    estimate: FloatArray
    error: FloatArray
    spread: float


def crossed_effects(
    effect: FloatArray, variance: FloatArray, design: FloatArray, spread_scale: float
) -> Crossed:
    """Effect of each item from airframes that had different items.

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
        Each airframe's step around its change and the variance of it.
    design : ndarray, shape (k, m)
        1 where the airframe's change held the item. Full column rank; one column of ones pools the
        same change over all airframes.
    spread_scale : float
        Scale of the half-normal prior on the deviation between airframes, unit of `effect`.

    Returns
    -------
    Crossed

    Raises
    ------
    ValueError
        The design does not separate its columns.
    """
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ValueError("the airframes' changes do not separate these items")
    # equal steps of the half-normal's own probability: dense where the prior is
    share = (np.arange(SPREADS) + 0.5) / SPREADS
    spreads = spread_scale * np.sqrt(2.0) * special.erfinv(share)
    w = 1.0 / (variance + spreads[:, None] ** 2)  # (spreads, k)
    normal = np.einsum("ki,sk,kj->sij", design, w, design)
    covariance = np.linalg.inv(normal)
    betas = np.einsum("sij,kj,sk->si", covariance, design, w * effect)
    residual = effect - betas @ design.T
    logs = 0.5 * (np.log(w).sum(axis=1) - np.linalg.slogdet(normal)[1] - (w * residual**2).sum(axis=1))
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    mean = weight @ betas
    # law of total variance over the spread
    square = weight @ (np.diagonal(covariance, axis1=1, axis2=2) + (betas - mean) ** 2)
    spread = float(weight @ spreads)
    factor = _beyond_prior(effect, variance + spread**2, design)
    return Crossed(mean, factor * np.sqrt(square), factor * spread)


def _beyond_prior(effect: FloatArray, variance: FloatArray, design: FloatArray) -> float:
    """Factor on spread and error at which what is left over is no longer beyond chance; at least 1."""
    freedom = effect.size - design.shape[1]
    if freedom == 0:
        return 1.0
    w = 1.0 / variance
    normal = (design.T * w) @ design
    beta = np.linalg.solve(normal, design.T @ (w * effect))
    q = float((w * (effect - design @ beta) ** 2).sum())
    return float(np.sqrt(max(q / special.chdtri(freedom, CONFLICT), 1.0)))


def prediction_interval(
    mean: float, error: float, spread: float, flights_error: float, coverage: float = 0.95
) -> tuple[float, float]:
    """Where the next airframe's measured effect will probably lie, its own error included."""
    half = float(special.ndtri(0.5 + 0.5 * coverage)) * float(
        np.sqrt(error**2 + spread**2 + flights_error**2)
    )
    return mean - half, mean + half


def leave_one_out(
    effect: FloatArray, variance: FloatArray, spread_scale: float
) -> tuple[FloatArray, FloatArray]:
    """How far each airframe lies off what the others predict, in standard errors; and their pooled effect.

    Returns
    -------
    distance, others : ndarray, shape (k,)
        `distance` beyond about 2.8 with a handful of airframes marks one that differs. NaN for a
        fleet of one.
    """
    k = effect.size
    distance, others = np.full(k, np.nan), np.full(k, np.nan)
    for i in range(k) if k > 1 else ():
        rest = np.arange(k) != i
        fit = crossed_effects(effect[rest], variance[rest], np.ones((k - 1, 1)), spread_scale)
        others[i] = fit.estimate[0]
        width = np.sqrt(variance[i] + fit.error[0] ** 2 + fit.spread**2)
        distance[i] = (effect[i] - others[i]) / width
    return distance, others
