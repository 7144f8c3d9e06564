"""Keeping score: changes that were never made, judged like real ones.

A random flight of a stretch in which nothing was written down is labelled as a change and looked at
after every flight that follows. The share in which the judge ever speaks is its real rate of false
alarms, on the fleet's own flights; no simulation stands in for that.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import shipped_limits
from trimkeep.detectors.history.comparisons import blocks_by_airframe
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.known_changes import FEWEST_ALONE, compare
from trimkeep.detectors.history.model import Change, Series, Verdict
from trimkeep.detectors.history.preparation import Preparer
from trimkeep.detectors.history.windows import Block, Window

FEWEST_LOOKS = 3
"""Flights after a placebo for it to be worth planting."""


@dataclass(frozen=True, slots=True)
class PlaceboScore:
    """Placebos planted, how many were ever said to be worse or better, and the level promised.

    `low` and `high` bound the real rate with 95 % confidence (Clopper-Pearson); `kept` is False when
    the promise lies below all of that interval. Placebos on the same flights share their weather, so
    that the interval is, if anything, too narrow.
    """

    planted: int
    spoke: int
    level: float
    low: float
    high: float

    @property
    def kept(self) -> bool:
        """Whether the promised level is not refuted."""
        return self.level >= self.low


def score_placebos(
    series: Sequence[Series],
    changes: Sequence[Change],
    model: FleetModel,
    settings: JudgeSettings,
    rng: np.random.Generator,
    *,
    stirred: Collection[tuple[str, str, str]] = (),
    most: int = 200,
) -> PlaceboScore:
    """Plant placebos and count how often the judge speaks.

    Parameters
    ----------
    series, changes, model, settings
        As in `judge_fleet`.
    rng : numpy.random.Generator
        Chooses series and flights.
    stirred : collection of (str, str, str)
        Airframe, metric and context of series in which something unexplained is known to have happened:
        none of their stretches is unchanged.
    most : int
        At most so many placebos, each in its own stretch.

    Returns
    -------
    PlaceboScore
        Each placebo counts once, however often it was looked at.
    """
    blocks = blocks_by_airframe(changes, settings)
    # so many that every series could be judged: one that cannot would only thin out the score
    fewest = max(settings.min_flights_before, FEWEST_ALONE)
    stretches = [
        (one, inside)
        for one in series
        if one.better != "none" and (one.airframe, one.metric, one.context) not in stirred
        for inside in _stretches(one, blocks.get(one.airframe, ()))
        if len(inside) >= fewest + settings.min_flights_after + FEWEST_LOOKS
    ]
    chosen = rng.permutation(len(stretches))[:most]
    windows: list[Window] = []
    owner: list[int] = []
    for number, pick in enumerate(chosen):
        one, inside = stretches[pick]
        latest = len(inside) - settings.min_flights_after - FEWEST_LOOKS
        split = int(rng.integers(fewest, latest + 1))
        block = _placebo(one, inside[split])
        before = tuple(inside[max(split - settings.baseline_flights, 0) : split])
        following = inside[split : split + settings.horizon_flights]
        for look in range(settings.min_flights_after, len(following) + 1):
            windows.append(Window(one, block, before, tuple(following[:look])))
            owner.append(number)
    spoke = np.zeros(len(chosen), dtype=bool)
    for number, comparison in zip(
        owner, compare(windows, model, shipped_limits(), settings, Preparer()), strict=True
    ):
        spoke[number] |= comparison.verdict in (Verdict.WORSE, Verdict.BETTER)
    planted, said = len(chosen), int(spoke.sum())
    low = float(stats.beta.ppf(0.025, said, planted - said + 1)) if said else 0.0
    high = float(stats.beta.ppf(0.975, said + 1, planted - said)) if said < planted else 1.0
    return PlaceboScore(planted, said, settings.level, low, high)


def _stretches(series: Series, blocks: Sequence[Block]) -> list[list[int]]:
    """Indices of the flights between changes."""
    bounds = sorted(b.last_order for b in blocks)
    label = np.searchsorted(bounds, [p.order for p in series.points], side="right")
    blocked = [any(b.first_order <= p.order < b.last_order for b in blocks) for p in series.points]
    return [
        [int(k) for k in np.flatnonzero(label == number) if not blocked[k]] for number in np.unique(label)
    ]


def _placebo(series: Series, index: int) -> Block:
    point = series.points[index]
    change = Change(f"{series.airframe}:placebo-{index}", series.airframe, point.at, point.order, ())
    return Block(change, point.order, point.order)
