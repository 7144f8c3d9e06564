"""The promise over the fleet: which changes are called, when hundreds of series are judged at once.

Changes are counted, not series: the evidence of one change on one airframe is first averaged over its
metrics (an average of e-values is an e-value, however they depend on each other; families weigh the
same, however many metrics they have). A change is then called by its posterior odds, so that the
expected share of false alarms among the called stays below what the settings promise.

References
----------
.. [1] Vovk and Wang, "E-values: calibration, combination and applications", Annals of Statistics 49
   (2021) 1736-1754, section 3: the average.
.. [2] Wang and Ramdas, "False discovery rate control with e-values", JRSS-B 84 (2022) 822-852.
.. [3] Sun and Cai, JASA 102 (2007) 901-912: calling by the running mean of posterior probabilities.
.. [4] Benjamini and Hochberg, JRSS-B 57 (1995) 289-300.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.fleet_findings import PooledChange
from trimkeep.detectors.history.known_changes import LARGEST_LOG_E, Comparison
from trimkeep.detectors.history.spans import Span
from trimkeep.detectors.history.unexplained import Unexplained
from trimkeep.detectors.model import FloatArray

SEVERAL_METRICS = 0.7
"""What the averaged evidence of several metrics is multiplied by. Looked at week after week an average
of four or eight comes closer to the bound that an e-value has than a single one does, so that without
this the share of false alarms is 8 % where 5 % was promised (`tests.benchmarks.judging`, digest)."""
LEAST_CERTAIN = 1.0 / 8.0
"""Nothing is called at posterior odds below 7:1, however certain the other calls are."""


def benjamini_hochberg(p: FloatArray, level: float) -> np.ndarray:
    """Which hypotheses are rejected at false discovery rate `level`.

    Examples
    --------
    >>> benjamini_hochberg(np.array([0.04, 0.049]), 0.05).tolist()
    [True, True]
    """
    order = np.argsort(p, kind="stable")
    bound = level * np.arange(1, p.size + 1) / p.size
    passed = np.flatnonzero(p[order] <= bound)
    rejected = np.zeros(p.size, dtype=bool)
    if passed.size:
        rejected[order[: passed[-1] + 1]] = True
    return rejected


def e_benjamini_hochberg(e: FloatArray, level: float) -> np.ndarray:
    """The same for e-values; holds however they depend on each other."""
    with np.errstate(divide="ignore"):
        return benjamini_hochberg(np.minimum(1.0 / e, 1.0), level)


def change_evidence(comparisons: Sequence[Comparison], settings: JudgeSettings) -> dict[str, float]:
    """Evidence that a change did anything, by change id: the mean over families of their mean e-value.

    That of several metrics together is held down by SEVERAL_METRICS.

    A change of which nothing could be compared yet, or that was flown too few times to be called, has
    evidence 1.
    """
    by_family: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    result: dict[str, float] = {}
    for one in comparisons:
        change = one.window.block.change.id
        result.setdefault(change, 1.0)
        if one.judged and len(one.window.after) >= settings.min_flights_called:
            by_family[change][one.window.series.family].append(min(one.log_call, LARGEST_LOG_E))
    for change, families in by_family.items():
        mean = float(np.mean([np.mean(np.exp(logs)) for logs in families.values()]))
        several = sum(len(logs) for logs in families.values()) > 1
        result[change] = SEVERAL_METRICS * mean if several else mean
    return result


def span_name(span: Span) -> str:
    """What the evidence of one window of flights goes by."""
    return f"{span.series.airframe}|window {span.part}"


def unexplained_evidence(unexplained: Unexplained) -> dict[str, float]:
    """Evidence that something happened which no known change explains, by airframe and window.

    As for known changes: metrics, then families are averaged.
    """
    families: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for span, log_e in zip(unexplained.spans, unexplained.log_evidence, strict=True):
        families[span_name(span)][span.series.family].append(min(log_e, LARGEST_LOG_E))
    return {
        name: float(np.mean([np.mean(np.exp(logs)) for logs in own.values()]))
        for name, own in families.items()
    }


def pooled_evidence(pooled: Sequence[PooledChange]) -> dict[str, float]:
    """Evidence that a change did anything anywhere in the fleet, by the fleet-wide change's id."""
    families: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for one in pooled:
        families[one.change.id][one.series.family].append(min(one.log_e, LARGEST_LOG_E))
    return {
        name: float(np.mean([np.mean(np.exp(logs)) for logs in own.values()]))
        for name, own in families.items()
    }


def false_chance(evidence: FloatArray, prior: float) -> FloatArray:
    """Posterior probability that nothing changed."""
    return np.asarray(1.0 / (1.0 + evidence * prior / (1.0 - prior)))


def real_share(evidence: FloatArray, settings: JudgeSettings) -> float:
    """Share of changes that are real, learnt from the evidence of all; the setting where there are few.

    Maximum a posteriori under a beta prior worth 40 changes at the settings' share.
    """
    share = settings.prior_change_share
    held = np.minimum(evidence, 1e12)
    for _ in range(200):
        real = float((1.0 - false_chance(held, share)).sum())
        after = (real + 40.0 * settings.prior_change_share) / (held.size + 40.0)
        if abs(after - share) < 1e-8:
            break
        share = after
    return share


def tiers(evidence: Mapping[str, float], prior: float | None, settings: JudgeSettings) -> dict[str, bool]:
    """Which changes are called.

    Parameters
    ----------
    evidence : mapping of change id to e-value
        All changes that are on the table together.
    prior : float or None
        Share of real changes as the fleet's history shows it; None: learnt from `evidence`.
    settings : JudgeSettings

    Returns
    -------
    dict of change id to bool
        Called so that the mean chance of being false, over the called, is at most
        `called_false_share`.
    """
    names = sorted(evidence)
    if not names:
        return {}
    values = np.array([evidence[name] for name in names])
    chance = false_chance(values, real_share(values, settings) if prior is None else prior)
    called = call_by_chance(chance, settings.called_false_share)
    return {name: bool(flag) for name, flag in zip(names, called, strict=True)}


def call_by_chance(chance: FloatArray, share: float) -> np.ndarray:
    """The largest set, most certain first, whose mean chance of being false is at most `share`."""
    order = np.argsort(chance, kind="stable")
    running = np.cumsum(chance[order]) / np.arange(1, chance.size + 1)
    good = np.flatnonzero((running <= share) & (chance[order] < LEAST_CERTAIN))
    called = np.zeros(chance.size, dtype=bool)
    if good.size:
        called[order[: good[-1] + 1]] = True
    return called
