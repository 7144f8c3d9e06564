"""Made-up histories full of steps, drifts, changes, gross errors and gaps, to compare ways of judging."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.detectors.history.builders import change, history
from trimkeep.detectors.history.model import Change, Series
from trimkeep.detectors.model import Better

KINDS = ("firmware", "parameters", "servo", "inspection")
SIDES: tuple[Better, ...] = ("lower", "higher", "nearer_zero")


@dataclass(frozen=True, slots=True)
class HardHistory:
    """All metrics and changes of one airframe."""

    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    flights: int

    def up_to(self, flights: int) -> tuple[Series, ...]:
        """What was known after the first so many flights of the airframe."""
        return tuple(replace(s, points=tuple(p for p in s.points if p.order < flights)) for s in self.series)


def hard_history(seed: int, airframe: str = "heron-01") -> HardHistory:
    """One airframe of 60 to 160 flights, two to five metrics and two to six changes."""
    rng = np.random.default_rng((99, seed))
    flights, metrics = int(rng.integers(60, 160)), int(rng.integers(2, 6))
    orders = np.sort(rng.choice(np.arange(6, flights - 2), size=int(rng.integers(2, 7)), replace=False))
    changes = tuple(
        change(
            int(order),
            *rng.choice(KINDS, size=int(rng.integers(1, 3)), replace=False).tolist(),
            airframe=airframe,
        )
        for order in orders
    )
    wind = rng.normal(5.0, 2.0, flights) + (rng.random() < 0.5) * np.linspace(0.0, 2.0, flights)
    gusts = np.abs(rng.normal(0.2, 0.1, flights))
    series = tuple(_series(rng, airframe, k, orders, wind, gusts) for k in range(metrics))
    return HardHistory(series, changes, flights)


def _series(
    rng: np.random.Generator,
    airframe: str,
    number: int,
    orders: Sequence[int],
    wind: np.ndarray,
    gusts: np.ndarray,
) -> Series:
    flights = wind.size
    value = rng.normal(0.0, 0.3, flights)
    value += 0.15 * int(rng.integers(0, 2)) * (wind - 5.0)
    for order in orders:
        value[order:] += rng.choice([0.0, 0.0, 0.0, 0.6, -0.6, 1.0])
    for _ in range(int(rng.integers(0, 3))):
        value[int(rng.integers(5, flights - 5)) :] += rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 1.5)
    if rng.random() < 0.5:
        start = int(rng.integers(0, flights - 15))
        value[start:] += np.arange(flights - start) * rng.uniform(-0.03, 0.03)
    value += (rng.random(flights) < 0.06) * rng.uniform(1.0, 3.0, flights)
    log = bool(rng.random() < 0.5)
    errors = rng.uniform(0.01, 0.2, flights) * (1.0 + 5.0 * (rng.random(flights) < 0.1))
    whole = history(
        (np.exp(value) if log else value + 3.0).tolist(),
        airframe=airframe,
        metric=f"metric_{number}_m",
        family=f"family_{number % 3}",
        scale="log" if log else "linear",
        better=SIDES[int(rng.integers(0, 3))],
        matters=float(rng.choice([0.2, 0.5, 1.0])),
        attention=3.5,
        errors=errors.tolist() if rng.random() < 0.6 else None,
    )
    flown = rng.random(flights) > rng.choice([0.0, 0.0, 0.2])
    unmeasured = rng.random(flights) < rng.choice([0.0, 0.15, 0.6])
    points = tuple(
        replace(
            point,
            conditions={
                **({} if unmeasured[k] else {"wind_mps": float(wind[k])}),
                **({"gust_edr": float(gusts[k])} if number % 2 else {}),
            },
        )
        for k, point in enumerate(whole.points)
        if flown[k]
    )
    return replace(whole, points=points)
