"""Other fleets from other seeds: to calibrate what is said, and to test it on what was not tuned on."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.faults import FAULT_KINDS, LOOPS, FaultKind
from trimkeep.sample_fleet.identity import Identity, ServoOutput
from trimkeep.sample_fleet.scenario import (
    AirframeStory,
    Entry,
    PlantedFault,
    Scenario,
    Weeks,
    Work,
    measures_of,
)

FIRST_DAY = date(2026, 3, 2)
WEATHER = Weeks(1, wind_mps=(0.5, 6.5), gust_mps=(0.05, 0.6), temperature_c=(2.0, 26.0))
OUTPUTS = tuple(
    ServoOutput(moves, channel)
    for channel, moves in enumerate(("aileron", "elevator", "throttle", "rudder"), start=1)
)
MODE_NUMBERS = tuple(range(7))


def random_scenario(
    rng: np.random.Generator,
    *,
    airframes: int = 6,
    flights: int = 10,
    change_at: int | None = None,
    kinds: Sequence[str | None] = (None, *FAULT_KINDS),
    size: float | None = None,
    models: Sequence[str] = tuple(AIRFRAMES),
    styles: Sequence[str] = ("on_board",),
    plan: str = "survey",
    flight_seconds: tuple[float, float] = (180.0, 240.0),
    rate_hz: float = 50.0,
    documented: bool = True,
    weather: Weeks = WEATHER,
) -> Scenario:
    """A fleet of airframes that each have one thing done to them, drawn at random.

    Parameters
    ----------
    rng : Generator
        Draws models, styles, kinds and sizes; the flights themselves come from `build_fleet`'s seed.
    airframes, flights : int
    change_at : int or None
        1-based first flight that has the change; None: after half of the flights. 1: from the start.
    kinds : sequence of str or None
        Kinds of `FAULT_KINDS` to draw from; None is an airframe with nothing wrong whose journal still
        speaks of a change.
    size : float or None
        Times the moderate size (for factors: the moderate factor to that power); None: drawn between half
        of the moderate size and the glaring one, evenly in the logarithm.
    models, styles : sequence of str
    plan : str
    flight_seconds : tuple of float
    rate_hz : float
    documented : bool
        Whether the journal has the change.
    weather : Weeks
        Range of the weather; its `count` is not used.

    Raises
    ------
    ValueError
        `change_at` is not a flight.
    """
    first = change_at if change_at is not None else flights // 2 + 1
    if not 1 <= first <= flights:
        raise ValueError(f"change_at must be 1..{flights}, not {first}")
    stories = []
    for number in range(1, airframes + 1):
        kind = kinds[int(rng.integers(len(kinds)))]
        identity = random_identity(f"plane-{number:03d}", str(rng.choice(list(models))), rng)
        fault = () if kind is None else (random_fault(kind, rng, size),)
        note = (Entry("other", "aeroplane", note="changed"),) if documented else ()
        stories.append(
            AirframeStory(
                identity=identity,
                flights=flights,
                style=str(rng.choice(list(styles))),
                firmware="1.0.0",
                plan=plan,
                works=(Work(first, journal=note, begins=fault),),
            )
        )
    # a flying day every other day, whatever the number of flights
    weeks = max(1, round(2 * flights / 7 + 0.5))
    seasons = (Weeks(weeks, weather.wind_mps, weather.gust_mps, weather.temperature_c),)
    return Scenario("random fleet", "UTC", FIRST_DAY, flight_seconds, rate_hz, seasons, tuple(stories))


def random_identity(name: str, model: str, rng: np.random.Generator) -> Identity:
    """An airframe of that model with plain wiring."""
    return Identity(
        id=name,
        model=model,
        description=AIRFRAMES[model].description,
        board="flight board R",
        outputs=OUTPUTS,
        mode_numbers=MODE_NUMBERS,
        board_number=1,
        serial=int(rng.integers(1, 2**31)),
        **measures_of(model),  # type: ignore[arg-type]
    )


def random_fault(kind: str, rng: np.random.Generator, size: float | None = None) -> PlantedFault:
    """A fault of that kind; `size` as in `random_scenario`."""
    known = FAULT_KINDS[kind]
    loop = str(rng.choice(list(LOOPS)))
    if size is not None:
        return PlantedFault(kind, moderate_times(known, size), loop=loop)
    if known.moderate == known.glaring:
        return PlantedFault(kind, known.moderate, loop=loop)
    low = moderate_times(known, 0.5)
    share = float(rng.uniform())
    drawn = abs(low) ** (1.0 - share) * abs(known.glaring) ** share
    return PlantedFault(kind, drawn, loop=loop, bump=bool(rng.integers(2)))


def moderate_times(kind: FaultKind, times: float) -> float:
    """Size that is so many times the moderate one, as the kind counts: a factor is raised to that power.

    Examples
    --------
    >>> moderate_times(FAULT_KINDS["elevator_play"], 2.0)
    0.06
    >>> round(moderate_times(FAULT_KINDS["low_throw"], 2.0), 2)
    0.36
    """
    if kind.nothing == 0.0:
        return kind.moderate * times
    return kind.nothing * (kind.moderate / kind.nothing) ** times
