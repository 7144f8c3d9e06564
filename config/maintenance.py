"""Settings of the maintenance record: what an entry must hold, what is due when, how long it is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from trimkeep.config.fields import setting

# What an entry can be asked to hold, each a question of 14 CFR 43.9(a).
RECORD_FIELDS = ("description", "done_at", "done_by", "approved_by", "certificate", "flight_hours")


@dataclass(frozen=True, slots=True)
class MaintenanceSettings:
    """What an entry of the journal must hold, and what is due when.

    Intervals and lives are named by a kind of work (`inspection`, `battery`) or by a part as the journal
    names it (`elevator servo`). An interval runs from the last entry of that name on the airframe; a life
    is that of one component, told by its text in `after`, on whatever airframe it is fitted.
    """

    required: tuple[str, ...] = setting(
        ("description", "done_at", "done_by", "approved_by"),
        "What an entry must hold to be complete; each a question of 14 CFR 43.9(a) or 43.11.",
        choices=RECORD_FIELDS,
    )
    warn_share: float = setting(
        0.9, "Share of an interval or a life from which it is listed as due soon.", low=0.0, high=1.0
    )
    interval_flights: Mapping[str, float] = setting(
        {}, "Work or part to the flights after which it is due again.", unit="flights"
    )
    interval_hours: Mapping[str, float] = setting(
        {}, "Work or part to the hours flown after which it is due again.", unit="h"
    )
    interval_days: Mapping[str, float] = setting(
        {}, "Work or part to the days after which it is due again.", unit="d"
    )
    life_flights: Mapping[str, float] = setting(
        {},
        "Kind or part to the flights a component may fly; for a battery each flight is a cycle.",
        unit="flights",
    )
    life_hours: Mapping[str, float] = setting({}, "Kind or part to the hours a component may fly.", unit="h")
    life_days: Mapping[str, float] = setting(
        {},
        "Kind or part to the days a component may be used, from when it was first fitted.",
        unit="d",
    )
