"""Evidence that a step is real, valid whenever anyone looks.

The e-value of a step is the ratio of two averages of the data's likelihood: with a step drawn from a
normal law of stated width against no step at all, both averaged over level and noise. For a linear
model that is a function of the t statistic alone. Its expectation is one when there is no step, so
that it rarely becomes large, whoever looks and however often.

References
----------
.. [1] Lindon, Ham, Tingley, Bojinov, *Anytime-valid linear models and regression adjusted causal
   inference in randomized experiments*, arXiv:2210.08589, theorem 3.1.
.. [2] Gönen, Johnson, Lu, Westfall, "The Bayesian two-sample t test", The American Statistician
   59 (2005) 252-257.
"""

from __future__ import annotations

import numpy as np

from trimkeep.detectors.model import FloatArray


def log_e_value(t: FloatArray, freedom: FloatArray, information: FloatArray, width: float) -> FloatArray:
    """Logarithm of the e-value of a step.

    Parameters
    ----------
    t : ndarray
        Step over its standard error.
    freedom : ndarray
        Degrees of freedom of that standard error, positive.
    information : ndarray
        (sigma / standard error) squared: how many flights' worth is known of the step.
    width : float
        Standard deviation of the step under the alternative, in units of sigma.

    Returns
    -------
    ndarray
        Natural logarithm; above log(20) is often called strong.

    Examples
    --------
    Student's sleep data, prior of width one: the published sequence ends at 25.4751.

    >>> import numpy as np
    >>> d = np.array([-1.2, -2.4, -1.3, -1.3, 0.0, -1.0, -1.8, -0.8, -4.6, -1.4])
    >>> t = d.mean() / (d.std(ddof=1) / np.sqrt(10))
    >>> round(float(np.exp(log_e_value(np.array(t), np.array(9.0), np.array(10.0), 1.0))), 4)
    25.4751
    """
    shrink = 1.0 / (1.0 + width**2 * information)
    square = t**2 / freedom
    return np.asarray(
        0.5 * np.log(shrink) - 0.5 * (freedom + 1.0) * (np.log1p(shrink * square) - np.log1p(square))
    )


def critical_t(
    log_limit: FloatArray, freedom: FloatArray, information: FloatArray, width: float
) -> FloatArray:
    """The |t| at which the e-value reaches a limit; infinite where it never does.

    The steps d with |step - d| < critical_t * standard_error are those that the e-process does not
    reject: together, over all looks, the confidence sequence.

    Parameters
    ----------
    log_limit, freedom, information, width
        As in `log_e_value`; `log_limit` is the natural logarithm of the limit.
    """
    shrink = 1.0 / (1.0 + width**2 * information)
    # (1 + q) / (1 + shrink q) = ratio, with q = t^2 / freedom, solved for q
    ratio = np.exp(np.minimum(2.0 * (log_limit - 0.5 * np.log(shrink)) / (freedom + 1.0), 700.0))
    gap = 1.0 - shrink * ratio
    square = np.where(gap > 0.0, (ratio - 1.0) / np.where(gap > 0.0, gap, 1.0), np.inf)
    return np.asarray(np.sqrt(np.maximum(square, 0.0) * freedom))
