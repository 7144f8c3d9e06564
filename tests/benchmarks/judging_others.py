"""Other methods beside the judge, on the raw metric as one that knows nothing else would be fed.

Repeated Welch and Mann-Whitney tests by scipy; where installed, from their own packages: a penalised
least-squares segmentation (`ruptures`), an E-divisive change detector (`apache-otava`) and a step routine for
software benchmarks (`asv`). Those that search by themselves are right within two flights of the change.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from types import ModuleType

import numpy as np
from scipy import stats

from tests.benchmarks.judging_paths import LOOKS
from trimkeep.detectors.model import FloatArray

NEAR = 2


def welch_p(value: FloatArray, before: int) -> FloatArray:
    """p of Welch's test at every look, shape (B, looks)."""
    columns = [
        stats.ttest_ind(value[:, :before], value[:, before : before + n], axis=1, equal_var=False).pvalue
        for n in LOOKS
    ]
    return np.stack(columns, axis=1)


def mann_whitney_p(value: FloatArray, before: int) -> FloatArray:
    """p of the Mann-Whitney test at every look."""
    columns = [
        stats.mannwhitneyu(value[:, :before], value[:, before : before + n], axis=1).pvalue for n in LOOKS
    ]
    return np.stack(columns, axis=1)


def optional(name: str) -> ModuleType | None:
    """A package that is not needed to run."""
    try:
        return importlib.import_module(name)
    except ImportError:
        return None


def searched(
    value: FloatArray, before: int, found: Callable[[FloatArray], np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """At every look, whether a method that searches by itself has a change near the known one, and any.

    Parameters
    ----------
    value : ndarray, shape (B, n)
    before : int
    found : callable
        Places of the changes in one series.
    """
    near = np.zeros((value.shape[0], LOOKS.size), dtype=bool)
    anywhere = near.copy()
    for k, series in enumerate(value):
        for j, look in enumerate(LOOKS):
            places = found(series[: before + int(look)])
            near[k, j] = bool(np.any(np.abs(places - before) <= NEAR))
            anywhere[k, j] = places.size > 0
            if near[k, j]:
                break  # what counts is when it was first found
    return near, anywhere


def segmentation(ruptures: ModuleType, before: int) -> Callable[[FloatArray], np.ndarray]:
    """Least-squares segmentation with a penalty of 2 log n."""

    def found(series: FloatArray) -> np.ndarray:
        scale = np.median(np.abs(np.diff(series[:before]))) / 0.954
        # Compiled, and exact where its `Pelt` with a least segment of two misses the optimum now and then.
        algorithm = ruptures.KernelCPD(kernel="linear", min_size=2).fit(series / max(scale, 1e-9))
        return np.array(algorithm.predict(pen=2.0 * np.log(series.size))[:-1])

    return found


def divisive(otava: ModuleType) -> Callable[[FloatArray], np.ndarray]:
    """E-divisive detector at its own default p < 0.001."""

    def found(series: FloatArray) -> np.ndarray:
        try:
            points, _ = otava.compute_change_points(list(map(float, series)), max_pvalue=0.001)
        except ValueError:  # its test refuses segments of one value: nothing said
            points = []
        return np.array([point.index for point in points])

    return found


def benchmark_steps(asv: ModuleType) -> Callable[[FloatArray], np.ndarray]:
    """Step routine for software benchmarks: every start of a step but the first."""

    def found(series: FloatArray) -> np.ndarray:
        return np.array([step[0] for step in asv.detect_steps(list(map(float, series)))[1:]])

    return found


def installed(before: int) -> dict[str, Callable[[FloatArray], np.ndarray]]:
    """The methods whose packages are there, by the name in the table."""
    methods: dict[str, Callable[[FloatArray], np.ndarray]] = {}
    ruptures, otava, asv = (optional(n) for n in ("ruptures", "otava.analysis", "asv.step_detect"))
    if ruptures is not None:
        methods["segmentation, 2 log n"] = segmentation(ruptures, before)
    if otava is not None:
        methods["E-divisive, p < 0.001"] = divisive(otava)
    if asv is not None:
        methods["step routine for benchmarks"] = benchmark_steps(asv)
    return methods
