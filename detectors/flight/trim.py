"""What straight and level flight costs: surface commands, integrators, and integrators with nothing left.

An aeroplane that needs much elevator to fly level is out of trim. The autopilot hides it: its
integrator carries the elevator, until it stands at its limit and the height sags or swings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from trimkeep.config.channels import HELD_ALTITUDE_MODES, PILOT_FLOWN_MODES
from trimkeep.detectors.grid import FlightGrid
from trimkeep.detectors.model import (
    DetectorSpec,
    Flight,
    FloatArray,
    Metric,
    NotMeasured,
    Observation,
    Reason,
    Window,
)
from trimkeep.detectors.numerics.runs import BoolArray, runs
from trimkeep.detectors.numerics.stats import Estimate, mean_of, share_of
from trimkeep.detectors.numerics.stretches import UNKNOWN_MODE, stretches

RATE_HZ = 5.0
SETTLE_S = 4.0
MIN_PIECE_S = 3.0
MIN_KEPT_S = 15.0
PLATEAU = 1e-3
"""Of the extreme value: a clamp repeats one number, only rounding in the log differs."""
PLATEAU_S = 1.5
"""At the extreme for this long without moving: no integrator that is still free does that in moving air."""
VISITS = 5
"""A moving series touches its own largest value once; who comes back to the very same one meets a stop."""
CLOSE_BELOW = 0.1
FINE_VALUES = 8
SMALLEST_LIMIT = 0.05
"""A clamp below a twentieth of the surface would be no use as one; what stays under it is at rest."""

CONTEXTS: tuple[tuple[str, frozenset[str]], ...] = (
    ("held_level", HELD_ALTITUDE_MODES),
    ("pilot_level", PILOT_FLOWN_MODES),
    ("mode_unknown", UNKNOWN_MODE),
)
COMMANDS = (("elevator_trim", "elevator_cmd"), ("aileron_trim", "aileron_cmd"))
INTEGRATORS = ("pitch", "roll")


def _integrator_metrics(axis: str) -> tuple[Metric, ...]:
    name = axis.capitalize()
    return (
        Metric(
            f"{axis}_integrator_level",
            f"{name} integrator in level flight, mean",
            "",
            "nearer_zero",
            0.05,
            "a twentieth of the surface: the scatter between flights with another battery place or payload",
            scale="linear",
        ),
        Metric(
            f"{axis}_integrator_pinned_share",
            f"{name} integrator at its limit, share of level flight",
            "",
            "lower",
            0.1,
            "six seconds of every minute without correction to one side show in the height",
            scale="linear",
            attention=0.2,  # a fifth of level flight with nothing left: no gust does that
        ),
    )


SPEC = DetectorSpec(
    id="trim",
    version=2,
    title="Trim and integrators in level flight",
    family="trim",
    metrics=(
        Metric(
            "elevator_trim",
            "Elevator command in level flight, mean",
            "",
            "nearer_zero",
            0.05,
            "a twentieth of the surface: the scatter between flights with another battery place or payload",
            scale="linear",
            attention=0.25,  # a quarter of the throw spent on flying level (common practice, no source)
        ),
        Metric(
            "aileron_trim",
            "Aileron command in level flight, mean",
            "",
            "nearer_zero",
            0.05,
            "as for the elevator",
            scale="linear",
            attention=0.2,  # a wing that heavy or twisted is seen on the bench (common practice, no source)
        ),
        *(metric for axis in INTEGRATORS for metric in _integrator_metrics(axis)),
    ),
    needs_any=(frozenset({"elevator_cmd", "aileron_cmd", "pitch_integrator", "roll_integrator"}),),
    uses=frozenset({"elevator_cmd", "aileron_cmd", "pitch_integrator", "roll_integrator", "control_mode"}),
    min_seconds=MIN_KEPT_S,
    evidence=("elevator_cmd", "pitch_integrator", "altitude_m", "altitude_target_m"),
    measures="Mean surface command and mean integrator in straight and level flight, and the share of it "
    "that the integrator stands at its limit. Contexts: held_level, pilot_level, mode_unknown.",
    formula=f"Means on a {RATE_HZ:g} Hz grid from {SETTLE_S:g} s after the stretch began. At its limit: "
    f"within {PLATEAU:.1%} of the largest |integrator| of the flight for {PLATEAU_S:g} s or longer, or for "
    f"any time where it comes back there {VISITS} times and the log is fine enough to tell; that value being "
    f"at least {SMALLEST_LIMIT:g}. Standard errors by the effective number of samples (Bendat and Piersol, "
    "Random Data, 4th ed., section 8.2).",
    source="That an integrator at its limit in level flight means out of trim: common practice, no source.",
    cannot_tell="A trim set on the transmitter or in the outputs' neutral is not in the command and is not "
    "seen. The elevator that level flight needs changes with airspeed and balance. An integrator whose log "
    "is rounded coarsely may look pinned while it only moves little.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Trim of one flight, by context; see `SPEC`."""
    grid = FlightGrid.of(flight, RATE_HZ)
    said: list[Observation] = []
    for context, modes in CONTEXTS:
        windows = stretches(flight, modes, settle_s=SETTLE_S)
        if windows:
            said.extend(_context(grid, context, windows))
    if said:
        return said
    return NotMeasured(Reason.TOO_SHORT, f"no {MIN_KEPT_S:g} s of straight and level flight after settling")


def _context(grid: FlightGrid, context: str, windows: list[Window]) -> Iterator[Observation]:
    for metric, channel in COMMANDS:
        yield from _mean(grid, metric, channel, context, windows)
    if context == "pilot_level":
        return  # the integrators rest while the pilot flies
    for axis in INTEGRATORS:
        channel = f"{axis}_integrator"
        yield from _mean(grid, f"{axis}_integrator_level", channel, context, windows)
        pinned = pinned_at_limit(grid.get(channel, average=False), PLATEAU_S * RATE_HZ)
        pieces = grid.pieces(pinned, windows, MIN_PIECE_S)
        yield from _said(f"{axis}_integrator_pinned_share", context, share_of, pieces, windows)


def _mean(
    grid: FlightGrid, metric: str, channel: str, context: str, windows: list[Window]
) -> Iterator[Observation]:
    yield from _said(metric, context, mean_of, grid.pieces(grid.get(channel), windows, MIN_PIECE_S), windows)


def _said(
    metric: str,
    context: str,
    estimate: Callable[[Sequence[FloatArray]], Estimate],
    pieces: Sequence[FloatArray],
    windows: list[Window],
) -> Iterator[Observation]:
    seconds = sum(piece.size for piece in pieces) / RATE_HZ
    if seconds >= MIN_KEPT_S:
        found = estimate(pieces)
        yield Observation(metric, context, found.value, found.error, seconds, tuple(windows))


def _moves_finely(value: FloatArray, limit: float) -> bool:
    """Whether the log shows values close below the limit: a coarse one returns to its top step by chance."""
    close = value[(value > limit * (1.0 - CLOSE_BELOW)) & (value < limit * (1.0 - PLATEAU))]
    return np.unique(close).size >= FINE_VALUES


def pinned_at_limit(value: FloatArray, shortest: float) -> FloatArray:
    """1 where a series stands still at its extreme, 0 where it is free, NaN where it is not known.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Integrator, fraction of full command, on even steps. NaN means no sample.
    shortest : float
        Samples that it must stand there to count.

    Examples
    --------
    >>> pinned_at_limit(np.array([0.0, 0.1, 0.2, 0.2, 0.2, 0.1]), 3).tolist()
    [0.0, 0.0, 1.0, 1.0, 1.0, 0.0]
    """
    known = np.isfinite(value)
    free = np.where(known, 0.0, np.nan)
    if not known.any():
        return free
    limit = float(np.nanmax(np.abs(value)))
    if limit < SMALLEST_LIMIT:
        return free
    for sign in (1.0, -1.0):
        at_limit: BoolArray = known & (sign * value >= limit * (1.0 - PLATEAU))
        firsts, lasts = runs(at_limit)
        often = firsts.size >= VISITS and _moves_finely(sign * value[known], limit)
        for first, last in zip(firsts, lasts, strict=True):
            if often or last - first >= shortest:
                free[first:last] = 1.0
    return free
