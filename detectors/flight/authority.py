"""How much of the surfaces is used up, and how strongly they turn the aeroplane.

Time at the stops while the autopilot flies, and the body rate that full command would hold at a
reference airspeed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from trimkeep.config.channels import HELD_ALTITUDE_MODES
from trimkeep.detectors.flight.conditions import air_density
from trimkeep.detectors.grid import FlightGrid, live_airspeed
from trimkeep.detectors.model import (
    DetectorSpec,
    Flight,
    Metric,
    NotMeasured,
    Observation,
    Reason,
)
from trimkeep.detectors.numerics.air import true_airspeed
from trimkeep.detectors.numerics.resample import running_mean
from trimkeep.detectors.numerics.stats import share_of
from trimkeep.detectors.numerics.stretches import stretches
from trimkeep.detectors.numerics.surface_effect import surface_effect

STOP = 0.98
"""Of full command: rounding to pulses of a microsecond leaves the last percent open."""
RATE_HZ = 10.0
EFFECT_RATE_HZ = 10.0
LOWEST_EFFECT_RATE_HZ = 9.0
SPAN_S = 0.3
"""Averaged over this time: longer than the damping takes, shorter than a manoeuvre."""
REFERENCE_MPS = 15.0
MIN_SECONDS = 20.0
SLOWEST_MPS = 5.0
LAGS_S = (0.0, 0.1, 0.2, 0.3, 0.4)
LEAST_SIGNIFICANCE = 4.0


@dataclass(frozen=True, slots=True)
class Axis:
    """Channels of one axis."""

    name: str
    command: str
    rate: str
    demands: tuple[str, ...]


AXES = (
    Axis(
        "elevator",
        "elevator_cmd",
        "pitch_rate_dps",
        ("pitch_target_deg", "pitch_rate_target_dps", "stick_pitch"),
    ),
    Axis(
        "aileron", "aileron_cmd", "roll_rate_dps", ("bank_target_deg", "roll_rate_target_dps", "stick_roll")
    ),
)

SPEC = DetectorSpec(
    id="authority",
    version=1,
    title="Control authority",
    family="authority",
    metrics=tuple(
        metric
        for axis in AXES
        for metric in (
            Metric(
                f"{axis.name}_at_stop_share",
                f"Share of time with the {axis.name} at its stops",
                "",
                "lower",
                0.02,
                "2 % of a flight is a second in each minute without any control in hand",
                "linear",
                attention=0.05,
            ),
            Metric(
                f"{axis.name}_effect_dps",
                f"Rate that full {axis.name} holds at {REFERENCE_MPS:g} m/s",
                "deg/s",
                "higher",
                15.0,
                "about a tenth of a usual effect; a horn moved by one hole changes the throw by 15 to 30 %",
            ),
        )
    ),
    needs_any=(frozenset({"elevator_cmd", "aileron_cmd"}),),
    uses=frozenset(
        {"pitch_rate_dps", "roll_rate_dps", "airspeed_mps", "pitch_target_deg", "bank_target_deg"}
    ),
    min_seconds=MIN_SECONDS,
    evidence=("elevator_cmd", "aileron_cmd", "pitch_rate_dps", "roll_rate_dps"),
    measures="Share of time with a surface command at its stops, in contexts held (the autopilot holds "
    "altitude) "
    "and assisted (attitude mode); and the effect of the surface in context flight.",
    formula=f"At the stop: |command| >= {STOP:g}. Effect k: rate V0/V = k command(t - lag) + c, V the true "
    f"airspeed, V0 = {REFERENCE_MPS:g} m/s, both averaged over {SPAN_S:g} s, the lag of the best fit; "
    f"slope along "
    "instruments (the demanded attitude, rate or stick), so that the loop's answer to gusts does not count.",
    source="Balance of moment and damping (Etkin and Reid, Dynamics of Flight, 3rd ed., Wiley 1996, ch. "
    "5; from "
    "memory): moment goes with dynamic pressure, damping with density times airspeed. Instrumental "
    "variables: "
    "L. Ljung, System Identification, 2nd ed., section 7.6.",
    cannot_tell="A pilot's own full stick is not counted as lack of authority. The effect mixes throw, "
    "surface "
    "and inertia: less of it may be a shorter throw, a loose horn or more load in the wings. Needs 9 Hz, "
    "a live "
    "airspeed, and commands that move.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Authority in one flight; see `SPEC`."""
    said = [one for axis in AXES for one in _stops(flight, axis)]
    for axis in AXES:
        effect = _effect(flight, axis)
        if effect is not None:
            said.append(effect)
    return said or NotMeasured(Reason.TOO_SHORT, f"no {MIN_SECONDS:g} s under the autopilot")


def _stops(flight: Flight, axis: Axis) -> Iterator[Observation]:
    if not flight.has(axis.command):
        return
    grid = FlightGrid.of(flight, RATE_HZ)
    command = grid.get(axis.command, average=False)
    stopped = np.where(np.isfinite(command), (np.abs(command) >= STOP).astype(np.float64), np.nan)
    for context, modes in (("held", HELD_ALTITUDE_MODES), ("assisted", frozenset({"attitude"}))):
        windows = stretches(flight, modes, ("level", "turn", "climb", "descent"))
        pieces = grid.pieces(stopped, windows, 1.0)
        seconds = sum(piece.size for piece in pieces) * grid.step_s
        if seconds >= MIN_SECONDS:
            found = share_of(pieces)
            yield Observation(
                f"{axis.name}_at_stop_share", context, found.value, found.error, seconds, tuple(windows)
            )


def _effect(flight: Flight, axis: Axis) -> Observation | None:
    names = (axis.command, axis.rate)
    demands = [name for name in axis.demands if flight.has(name)]
    if not demands or not live_airspeed(flight) or not all(flight.has(name) for name in names):
        return None
    rate_hz = min(EFFECT_RATE_HZ, *(flight.channel(name).rate_hz for name in names))
    if rate_hz < LOWEST_EFFECT_RATE_HZ:
        return None
    grid = FlightGrid.of(flight, rate_hz)
    calibrated = running_mean(grid.get("airspeed_mps"), round(1.0 / grid.step_s))
    flying = np.where(calibrated > SLOWEST_MPS, calibrated, np.nan)
    rate = grid.get(axis.rate) * REFERENCE_MPS / true_airspeed(flying, air_density(grid))
    asked = [grid.get(name) for name in demands]
    found = surface_effect(grid.get(axis.command), rate, asked, grid.step_s, SPAN_S, LAGS_S)
    if found is None or found.value <= LEAST_SIGNIFICANCE * found.error:
        return None
    seconds = float(np.isfinite(rate).sum() * grid.step_s)
    return Observation(f"{axis.name}_effect_dps", "flight", found.value, found.error, seconds)
