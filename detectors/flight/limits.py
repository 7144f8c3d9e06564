"""Body rates reached at full demand, against the configured limit.

A limit above what the airframe reaches makes the autopilot ask for the impossible: the integrator and
the feed-forward climb, most of all in an automatic tune.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.model import (
    Channel,
    DetectorSpec,
    Flight,
    FloatArray,
    Metric,
    NotMeasured,
    Observation,
    Reason,
    Window,
)
from trimkeep.detectors.numerics.resample import held, held_runs, known_samples
from trimkeep.detectors.numerics.runs import inside

CONTEXT = "full_demand"
AXES = ("roll", "pitch")
SURFACES = {"roll": "aileron_cmd", "pitch": "elevator_cmd"}
FULL = 0.9
"""Of the limit: rate targets are filtered and scarcely ever stand at the limit itself."""
FULL_STICK = 0.95
SHORTEST_S = 0.2
FEWEST_SAMPLES = 3
LEAST_COMMAND = 0.3
"""From less of a surface nothing is said of the whole of it."""
LAST_PART = 0.4
"""The rate is taken over the end of the demand, when the airframe has had time to build it up."""
STILL_RISING = 0.15

SPEC = DetectorSpec(
    id="limits",
    version=1,
    title="Rates reached at full demand",
    family="rate_limits",
    metrics=tuple(
        metric
        for axis in AXES
        for metric in (
            Metric(
                f"{axis}_rate_reached_dps",
                f"{axis.capitalize()} rate reached at full demand",
                "deg/s",
                "higher",
                10.0,
                "a tenth of a usual reach: less is inside the spread between one hard roll and the next",
            ),
            Metric(
                f"{axis}_limit_over_reach",
                f"Configured {axis} rate limit over the rate reached",
                "",
                "lower",
                0.1,
                "gains tuned against a limit 10 % too high come out about 10 % too high",
                attention=1.25,  # beyond the spread of single rolls; the usual case is 1.5 and more
            ),
        )
    ),
    needs_any=(
        frozenset({"roll_rate_dps", "pitch_rate_dps"}),
        frozenset({"roll_rate_target_dps", "pitch_rate_target_dps", "stick_roll", "stick_pitch"}),
    ),
    uses=frozenset({"control_mode", "aileron_cmd", "elevator_cmd"}),
    min_seconds=10.0,
    evidence=("roll_rate_dps", "roll_rate_target_dps", "pitch_rate_dps", "pitch_rate_target_dps"),
    measures="Roll and pitch rate at the end of each stretch of full demand, the median over the "
    "stretches; and "
    "the configured limit over the reach, which is the rate that the whole surface would have given. The "
    "limit "
    "is the logged parameter that the card names, else the card's.",
    formula=f"Full demand: |rate target| >= {FULL:g} limit, or in rate mode |stick| >= {FULL_STICK:g}, "
    f"one way for "
    f"at least {SHORTEST_S:g} s and {FEWEST_SAMPLES} samples. Rate: the mean over the last "
    f"{LAST_PART:.0%} of the "
    f"stretch; stretches in which it still rises by more than {STILL_RISING:.0%} are left out. Reach = "
    f"rate / mean "
    f"|surface command|, where that is at least {LEAST_COMMAND:g}. Standard error from the spread over "
    f"stretches.",
    source="Facts of the trade (common practice, no source): a roll in 2.5 to 3 s is 120 to 144 deg/s; a "
    "limit of "
    "180 deg/s is then out of reach.",
    cannot_tell="Without a hard roll or pull nothing is known of the reach. A loop whose gains are too low "
    "stays below its demand with surface to spare: that is no limit above reach, so where the "
    "surface command is not logged only the rate is given. The reach grows with airspeed. Hard "
    "rolls of under a second end before the rate is all there: against the reach of a full "
    "second the ratio came out 9 % high (90 simulated flights, spread 3.5 %).",
)


@dataclass(frozen=True, slots=True)
class Reach:
    """One stretch of full demand and the rate it ended with, signed with the demand.

    `whole_dps` is what the whole surface would have given; None where its command is not known.
    """

    window: Window
    rate_dps: float
    spread_dps: float
    whole_dps: float | None


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Rates reached in one flight; see `SPEC`."""
    said: list[Observation] = []
    lacking: set[str] = set()
    for axis in AXES:
        rate_name = f"{axis}_rate_dps"
        if not flight.has(rate_name):
            continue
        limit = configured_limit(flight, axis)
        demand = _demand(flight, axis, limit)
        if demand is None:
            lacking.add(axis)
            continue
        reaches = list(_reaches(flight.channel(rate_name), demand, _surface(flight, axis)))
        said.extend(_said(axis, reaches, limit))
    if said:
        return said
    if lacking:
        return NotMeasured(
            Reason.UNDEFINED, "no rate limit is known and no stick is logged: " + ", ".join(sorted(lacking))
        )
    return NotMeasured(Reason.NO_EXCITATION, f"no full demand that lasted {SHORTEST_S:g} s")


def configured_limit(flight: Flight, axis: str) -> float | None:
    """The limit in force at the end of the flight, deg/s: as logged, else as the card says."""
    setting = f"{axis}_rate_max_dps"
    name = flight.card.parameter_names.get(setting)
    readings = [
        one.value
        for one in flight.recording.parameters
        if one.name == name and one.time_s <= flight.end_s and one.value > 0.0
    ]
    if readings:
        return readings[-1]
    return flight.card.limits.get(setting)


def _demand(flight: Flight, axis: str, limit: float | None) -> Channel | None:
    """-1, 0, 1: full demand to either side, on the demand's own time base; None when it cannot be told."""
    target, stick = f"{axis}_rate_target_dps", f"stick_{axis}"
    if limit is not None and flight.has(target):
        asked = flight.channel(target)
        return Channel(asked.time_s, np.sign(asked.value) * (np.abs(asked.value) >= FULL * limit))
    if flight.has(stick):
        asked = flight.channel(stick)
        in_rate = inside(
            asked.time_s, [(one.start_s, one.end_s) for one in flight.segments if one.mode == "rate"]
        )
        return Channel(asked.time_s, np.sign(asked.value) * (in_rate & (np.abs(asked.value) >= FULL_STICK)))
    return None


def _surface(flight: Flight, axis: str) -> Channel | None:
    """The surface command, or None where it is not known."""
    name = SURFACES[axis]
    if not flight.has(name):
        return None
    command = known_samples(flight.channel(name))
    return command if command.time_s.size else None


def _from_median(command: Channel) -> Channel:
    """Less its median: the trim is no part of what turns."""
    return Channel(command.time_s, command.value - np.median(command.value), command.of_times)


def _reaches(rate: Channel, demand: Channel, command: Channel | None) -> Iterator[Reach]:
    rate = known_samples(rate)
    time_s, value = rate.time_s, rate.value
    if time_s.size < FEWEST_SAMPLES:
        return
    full = [(sign, *ends) for sign in (1.0, -1.0) for ends in held_runs(demand, sign, time_s)]
    if not full:
        return
    longest_s = 4.0 * float(np.median(np.diff(time_s)))
    surface = None if command is None else _from_median(command)
    for sign, first, last in full:
        times = time_s[first:last]
        whole = last - first >= FEWEST_SAMPLES and np.diff(times).max() <= longest_s
        if whole and times[-1] - times[0] >= SHORTEST_S:
            used = np.full(times.shape, np.nan) if surface is None else held(surface, times)
            reach = _reach(times, sign * value[first:last], sign * used)
            if reach is not None:
                yield reach


def _reach(time_s: FloatArray, rate_dps: FloatArray, command: FloatArray) -> Reach | None:
    """The rate at the end of one stretch; None while it still rises."""
    start_s, end_s = float(time_s[0]), float(time_s[-1])
    length_s = end_s - start_s
    late = time_s >= end_s - LAST_PART * length_s
    early = (time_s >= end_s - 2.0 * LAST_PART * length_s) & ~late
    reached = float(rate_dps[late].mean())
    if reached <= 0.0 or not early.any() or reached - rate_dps[early].mean() > STILL_RISING * reached:
        return None
    # The surface came first: what the rate at the end answers is the command a little earlier.
    used = float(np.mean(command[early | late]))
    whole = reached / min(used, 1.0) if used >= LEAST_COMMAND else None
    return Reach((start_s, end_s), reached, float(rate_dps[late].std()) / np.sqrt(late.sum()), whole)


def _said(axis: str, reaches: list[Reach], limit: float | None) -> Iterator[Observation]:
    if not reaches:
        return
    reached, error = _median([one.rate_dps for one in reaches], reaches[0].spread_dps)
    windows = tuple(one.window for one in reaches)
    seconds = sum(end - start for start, end in windows)
    yield Observation(f"{axis}_rate_reached_dps", CONTEXT, reached, error, seconds, windows)
    whole = [one.whole_dps for one in reaches if one.whole_dps is not None]
    if limit is not None and whole:
        reach, spread = _median(whole, reaches[0].spread_dps)
        ratio = limit / reach
        yield Observation(
            f"{axis}_limit_over_reach", CONTEXT, ratio, ratio * spread / reach, seconds, windows
        )


def _median(values: list[float], single_error: float) -> tuple[float, float]:
    """Median and its error: 1.25 times that of the mean, as for normal values."""
    if len(values) == 1:
        return values[0], single_error
    return float(np.median(values)), 1.25 * float(np.std(values, ddof=1)) / float(np.sqrt(len(values)))
