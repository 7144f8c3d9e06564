"""Settings of the judge over history: what it promises, how much it asks for before it speaks.

Kept apart from `config.settings` so that the judge depends on nothing but these numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

from trimkeep.config.fields import setting


@dataclass(frozen=True, slots=True)
class JudgeSettings:
    """How changes, steps, drift and single flights are judged."""

    level: float = setting(
        0.05,
        "Chance that a change which did nothing is ever called worse or better within the horizon,"
        " for one series; 0.05 and 0.01 have calibrated limits.",
        low=0.001,
        high=0.2,
    )
    horizon_flights: int = setting(
        60,
        "Flights after a change that are compared; then its verdict stands.",
        unit="flights",
        low=10,
        high=60,
    )
    baseline_flights: int = setting(
        60, "At most this many flights before a change are compared with.", unit="flights", low=10, high=200
    )
    min_flights_before: int = setting(
        3,
        "With fewer flights before, only the fleet as a whole is judged; five at least for a metric whose"
        " flight-to-flight noise the fleet has not shown well.",
        unit="flights",
        low=3,
        high=30,
    )
    min_flights_after: int = setting(
        3, "No verdict before this many flights after a change.", unit="flights", low=3, high=10
    )
    min_flights_called: int = setting(
        5,
        "No change is called (only watched) before this many flights after it: two gross errors among"
        " three flights are not rare enough over a fleet.",
        unit="flights",
        low=3,
        high=20,
    )
    block_flights: int = setting(
        3, "Changes with fewer flights between them are judged as one block.", unit="flights", low=1, high=10
    )
    season_flights: int = setting(
        60,
        "A forecast of more flights than this reads as: not within a season.",
        unit="flights",
        low=5,
        high=500,
    )
    prior_change_share: float = setting(
        0.05,
        "Share of changes taken to have a real effect until the fleet's history says otherwise.",
        low=0.001,
        high=0.5,
    )
    called_false_share: float = setting(
        0.05, "Largest expected share of false alarms among the changes that are called.", low=0.001, high=0.5
    )
    watch_e_value: float = setting(
        20.0,
        "Evidence (times more likely than no change) from which a series is watched.",
        low=3.0,
        high=1000.0,
    )
    unexplained_level: float = setting(
        0.05,
        "Chance of a false unexplained step or drift within the horizon, for one series.",
        low=0.001,
        high=0.2,
    )
    attention_flights: int = setting(
        3,
        "Newest flights looked at for faults that one flight shows by itself.",
        unit="flights",
        low=1,
        high=20,
    )
    pooling_spread: float = setting(
        0.3,
        "Scale of the half-normal prior on how much airframes differ in what a change did to them,"
        " in units of flight-to-flight noise.",
        unit="sigma",
        low=0.05,
        high=2.0,
    )
    refit_growth: float = setting(
        0.25,
        "The fleet model is fitted anew when the fleet has grown by this share of flights.",
        low=0.05,
        high=5.0,
    )
    whole_up_to: int = setting(
        2000,
        "With more flights in the store, new logs are judged for their own airframes at once, and for the"
        " fleet as a whole with the next digest.",
        unit="flights",
        low=0,
    )
