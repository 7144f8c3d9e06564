"""How many more flights will probably settle a comparison that is still open."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import special

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import WIDTH, handicap
from trimkeep.detectors.history.evidence import critical_t
from trimkeep.detectors.history.model import Series
from trimkeep.detectors.history.step_fit import StepFit
from trimkeep.detectors.model import FloatArray

FORECAST_CHANCE = 0.45
"""Chance of being settled at the forecast flight; by then or earlier it is about three in four."""
ENDLESS = 1e100


def flights_needed(
    fit: StepFit,
    rows: Sequence[int],
    n_before: FloatArray,
    n_after: FloatArray,
    base_limit: FloatArray,
    margins: tuple[FloatArray, FloatArray],
    settings: JudgeSettings,
) -> list[int | None]:
    """Further flights after which the interval will probably settle the matter; None: not in a season.

    The estimate after m more flights is predicted from what is believed of the true step now and from
    the noise still to come; its error shrinks as flights after the change are added while those before
    stay as they are.

    Parameters
    ----------
    fit : StepFit
    rows : sequence of int
        Which of its series are asked for; the other parameters have one entry for each of these.
    n_before, n_after : ndarray
        Flights on either side now.
    base_limit : ndarray
        Logarithm of the limit before the handicap of the look.
    margins : tuple of ndarray
        From `material_steps`.
    settings : JudgeSettings
    """
    if not rows:
        return []
    chosen = np.array(rows)
    more = np.arange(1.0, settings.season_flights + 1.0)
    before, after = n_before[:, None], n_after[:, None]
    later = after + more
    now, sigma, step = (x[chosen, None] for x in (fit.standard_error, fit.sigma, fit.step))
    error = now * np.sqrt((1.0 / before + 1.0 / later) / (1.0 / before + 1.0 / after))
    freedom = fit.freedom[chosen, None] + more
    log_limit = base_limit[:, None] + handicap(later)
    # a limit that so few flights cannot reach at all: an interval as good as without end
    half = np.minimum(critical_t(log_limit, freedom, (sigma / error) ** 2, WIDTH) * error, ENDLESS)
    # what is believed of the true step, under the same prior as the evidence
    information = fit.information[chosen, None]
    trust = information / (1.0 + information)
    share = 1.0 - (error / now) ** 2  # of the future estimate that rests on flights still to come
    expected = step + share * (trust - 1.0) * step
    deviation = np.sqrt(np.maximum(share * (share * trust * now**2 + error**2), 1e-300))
    low_margin, high_margin = (margin[:, None] for margin in margins)

    def chance(low: FloatArray, high: FloatArray) -> FloatArray:
        above, below = (high - expected) / deviation, (low - expected) / deviation
        return np.asarray(np.maximum(special.ndtr(above) - special.ndtr(below), 0.0))

    unsettled = chance(-half, half) - chance(low_margin + half, high_margin - half)
    settled = (1.0 - unsettled >= FORECAST_CHANCE) & (later <= settings.horizon_flights)
    return [int(more[np.argmax(row)]) if row.any() else None for row in settled]


def material_steps(series: Sequence[Series], before: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Material margins as steps on the transformed scale, below and above zero.

    Parameters
    ----------
    series : sequence of Series
    before : ndarray
        Their levels before the change, on the transformed scale.
    """
    low, high = np.zeros(len(series)), np.zeros(len(series))
    for row, one in enumerate(series):
        if one.scale == "linear":
            low[row], high[row] = -one.matters, one.matters
        else:
            level = float(np.exp(min(float(before[row]), 700.0)))
            high[row] = np.log1p(one.matters / level)
            low[row] = np.log1p(-one.matters / level) if one.matters < level else -np.inf
    return low, high
