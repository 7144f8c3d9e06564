"""Words of judging: series, changes, findings. Codes and values only; words are made in reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal

from trimkeep.detectors.model import Better, Scale


@dataclass(frozen=True, slots=True)
class SeriesPoint:
    """One flight in a series.

    `flight_id` is `<first 12 hex digits of the log's SHA-256>-<flight number>`, `order` the flight's
    place in the airframe's history (0-based, by time). `conditions` are that flight's measured
    covariates (`gust_edr`, `wind_mps`, `airspeed_mps`, `air_density_kgpm3`); absent means not measured.
    """

    flight_id: str
    order: int
    at: datetime
    value: float
    standard_error: float | None
    seconds: float
    conditions: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Series:
    """One airframe, one metric, one context, oldest flight first, one detector version."""

    airframe: str
    detector: str
    family: str
    metric: str
    context: str
    unit: str
    better: Better
    scale: Scale
    matters: float
    points: tuple[SeriesPoint, ...]
    attention: float | None = None


@dataclass(frozen=True, slots=True)
class ChangeItem:
    """One thing that became different. `kind` is a journal kind (`firmware`, `parameters`, `servo`, ...)."""

    kind: str
    part: str
    before: str
    after: str
    documented: bool
    done_by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """A boundary in an airframe's history: everything that became different between two flights.

    `first_order` is the order of the first flight after it; `id` is stable
    (`<airframe>:<flight_id of the first flight after, or "pending">`).
    """

    id: str
    airframe: str
    at: datetime
    first_order: int
    items: tuple[ChangeItem, ...]

    @property
    def kinds(self) -> tuple[str, ...]:
        """Distinct kinds of its items, in order."""
        return tuple(dict.fromkeys(item.kind for item in self.items))

    @property
    def documented(self) -> bool:
        """True when the journal speaks of every item."""
        return all(item.documented for item in self.items)


class Verdict(StrEnum):
    """What is said of a change or of one flight."""

    WORSE = "worse"
    BETTER = "better"
    NO_MATERIAL_CHANGE = "no_material_change"
    TOO_EARLY = "too_early"
    ATTENTION = "attention"


class Tier(StrEnum):
    """`called`: alerts and digests speak. `watch`: listed with its evidence so far."""

    CALLED = "called"
    WATCH = "watch"


FindingKind = Literal["known_change", "unexplained_step", "drift", "condition_of_flight"]
Status = Literal["open", "acknowledged", "muted", "resolved"]


@dataclass(frozen=True, slots=True)
class Effect:
    """Size of a change: after against before, on the metric's own unit.

    `ratio` is after / before (log metrics) or None; `difference` after - before; `low`, `high` bound
    `difference` at every look together with the stated confidence; `before`, `after` are the robust,
    condition-adjusted levels.
    """

    ratio: float | None
    difference: float
    low: float
    high: float
    unit: str
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class LikelyCause:
    """A cause with its probability; `evidence_for`, `evidence_against`, `next_check` are codes."""

    cause: str
    probability: float
    evidence_for: tuple[str, ...] = ()
    evidence_against: tuple[str, ...] = ()
    next_check: str = ""


@dataclass(frozen=True, slots=True)
class Separating:
    """What would tell apart things done together: on `airframe` take back `undo`, nothing else, and fly
    `flights` more; None: one airframe alone cannot tell within a season."""

    airframe: str
    undo: tuple[ChangeItem, ...]
    flights: int | None


@dataclass(frozen=True, slots=True)
class Finding:
    """A verdict with its effect, evidence, likely causes and life.

    `differing` (fleet scope): airframes on which the same change did something else than on the others.
    `separating`: what to fly where nothing flown so far tells apart what was done together.
    """

    id: str
    scope: Literal["airframe", "fleet"]
    airframes: tuple[str, ...]
    metric: str
    family: str
    context: str
    kind: FindingKind
    verdict: Verdict
    tier: Tier
    change: Change | None
    effect: Effect | None
    flights_before: int
    flights_after: int
    flights_needed: int | None
    e_value: float | None
    opened_at: datetime
    updated_at: datetime
    likely_causes: tuple[LikelyCause, ...] = ()
    down_weighted: tuple[str, ...] = ()
    evidence_flights: tuple[str, ...] = ()
    status: Status = "open"
    differing: tuple[str, ...] = ()
    separating: Separating | None = None
