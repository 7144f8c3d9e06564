"""Free play between servo and surface, from what the surfaces were told and what the aeroplane did.

A surface that stays where it was left until the servo has crossed a gap answers late and less to small
commands and fully to large ones: that is told apart from turbulence, from the loop and from a slow
servo by the likelihood of a play operator ahead of the aeroplane's own response. All of the flight
counts, whoever flies.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trimkeep.detectors.grid import live_airspeed
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
from trimkeep.detectors.numerics.pieces import Piece, without_gaps
from trimkeep.detectors.numerics.play_fit import PlayFit, fit_play
from trimkeep.detectors.numerics.play_likelihood import Record
from trimkeep.detectors.numerics.resample import known_samples

WORK_RATE_HZ = 25.0
MIN_RATE_HZ = 20.0
EDGE_S = 5.0
"""Lift-off and touch-down: wheels, ground and the first jump of the airspeed move the aeroplane too."""
MIN_PIECE_S = 10.0
MIN_SECONDS = 60.0
BLOCK_S = 60.0
MOST_BLOCKS = 4
"""Four busy minutes tell the gap within 5 %, where the model's own error begins; more only costs time."""
LEAST_GAIN_PER_S = 0.8
"""Log-likelihood that the command must explain. A surface that nothing moves gets up to 0.6, since the loop
feeds the command with rates from between the samples; one that moves 1.07 and more (tuning seeds)."""
GAIN_FOR_PLAY = 5.0
"""Log-likelihood over no play: chance gives it to seven sound linkages in a thousand (two more unknowns)."""
EVEN_PHASE = 0.8
"""Mean of the unit vectors of the times between: 1 where two channels tick together, 0 where they drift."""
SYNCHRONOUS = 0.1
"""Share of a step. A command sampled after the rate carries, through the loop, what gusts did to the rate
in between, and a straight path to the rate would then be believed before any gap."""
LEAST_TOLD = 0.0125
"""Of travel. Below it sampling and a second lag look like play; a gap of 2 % hardly ever reads less."""
WIDEST_ERROR = 0.03
"""A figure that may be wrong by 6 % of travel either way helps nobody on the bench."""

AXES = {"elevator": ("elevator_cmd", "pitch_rate_dps"), "aileron": ("aileron_cmd", "roll_rate_dps")}


def _metrics(surface: str) -> tuple[Metric, ...]:
    name = surface.capitalize()
    return (
        Metric(
            f"{surface}_play_fraction",
            f"{name} linkage, free play as a share of full travel",
            "",
            "lower",
            0.02,
            "2 % of 40 degrees of travel is 0.8 deg: more than a sound hinge and horn, and felt by hand",
            scale="linear",
            attention=0.05,  # 2 deg of 40: the surface rests anywhere in it, and loops begin to cycle
        ),
        Metric(
            f"{surface}_servo_lag_s",
            f"{name} servo, lag ahead of the play",
            "s",
            "none",
            0.03,
            "context: told only where there is play behind it, and then roughly; not judged",
        ),
    )


SPEC = DetectorSpec(
    id="linkage",
    version=1,
    title="Free play in the linkages",
    family="linkage",
    metrics=(*_metrics("elevator"), *_metrics("aileron")),
    needs_any=(frozenset({"elevator_cmd", "aileron_cmd"}), frozenset({"pitch_rate_dps", "roll_rate_dps"})),
    uses=frozenset({"airspeed_mps"}),
    min_rate_hz=MIN_RATE_HZ,
    min_seconds=MIN_SECONDS,
    evidence=("elevator_cmd", "pitch_rate_dps", "aileron_cmd", "roll_rate_dps"),
    measures=(
        "Total gap between command and surface as a share of the travel from stop to stop, for elevator and "
        "aileron, with its error; the lag of the servo ahead of it where play shows it"
    ),
    formula=(
        "Command through a first-order lag and a play operator, times dynamic pressure, into a difference "
        "equation of 0.32 s for the body rate at 25 Hz; one-step errors weighted by the calm around them; "
        "gap and lag by maximum likelihood. Zero where the likelihood gains less than "
        f"{GAIN_FOR_PLAY:g} over no play, where a gap that the surface alone does not bear out fits better, "
        f"and below {100.0 * LEAST_TOLD:g} % of travel. The four busiest minutes of the flight are used"
    ),
    source=(
        "Ljung, System Identification, 2nd ed., 1999, sections 7.2 and 13.4 (prediction errors in closed "
        "loop); play operator held against the describing function of Gelb and Vander Velde, 1968"
    ),
    cannot_tell=(
        "Where the gap is: servo gears, horn, rod or hinge. A stiff hinge that lets go all at once reads as "
        "a gap of about its size, and so does a servo that rests at two places. Less than about 1 % of "
        "travel: reads as none. A gap that is never crossed: not measured. A gap that air load holds at one "
        "end, without friction, reads as none in flight though it is felt on the ground; so does a linkage "
        "that only bends. Nothing from logs slower than 20 Hz"
    ),
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Play, and lag where it shows, for each surface that was logged fast enough."""
    said: list[Observation] = []
    why: list[NotMeasured] = []
    for surface in AXES:
        found = measure(flight, surface)
        if isinstance(found, NotMeasured):
            why.append(found)
        else:
            said += _told(surface, *found)
    # A log with one surface only is not told that it lacks the other.
    return said or min(why, key=lambda one: one.reason is Reason.MISSING_CHANNEL)


def measure(flight: Flight, surface: str) -> tuple[PlayFit, tuple[Window, ...]] | NotMeasured:
    """The fit for one surface and the stretches it rests on, or why there is none."""
    command_name, rate_name = AXES[surface]
    lacking = [name for name in (command_name, rate_name) if not flight.has(name)]
    if lacking:
        return NotMeasured(Reason.MISSING_CHANNEL, ", ".join(lacking))
    command, rate = (known_samples(flight.channel(name)) for name in (command_name, rate_name))
    hertz = command.rate_hz, rate.rate_hz
    if min(hertz) < 0.95 * MIN_RATE_HZ:
        return NotMeasured(Reason.RATE_TOO_LOW, f"{command_name}, {rate_name}: {min(hertz):.1f} Hz together")
    busy = _busiest(command, (flight.start_s + EDGE_S, flight.end_s - EDGE_S))
    pieces = _paired(command, rate, hertz, busy)
    seconds = sum(piece.seconds for piece in pieces)
    if seconds < MIN_SECONDS:
        return NotMeasured(Reason.TOO_SHORT, f"{seconds:.0f} s without a gap in the log")
    fit = fit_play(_records(flight, pieces), float(np.median([piece.rate_hz for piece in pieces])))
    if fit is None or fit.gain_over_silence < LEAST_GAIN_PER_S * seconds or fit.gap_error > WIDEST_ERROR:
        return NotMeasured(Reason.NO_EXCITATION, f"{command_name} moves too little to show in {rate_name}")
    return fit, tuple(piece.window for piece in pieces)


def _told(surface: str, fit: PlayFit, windows: tuple[Window, ...]) -> list[Observation]:
    seconds = sum(end - start for start, end in windows)
    likely = fit.gain_over_none >= GAIN_FOR_PLAY and not fit.contested
    shown = likely and fit.gap >= max(LEAST_TOLD, 2.0 * fit.gap_error)
    said = [
        Observation(
            f"{surface}_play_fraction",
            "flight",
            fit.gap if shown else 0.0,
            # What did not show may still be there, up to where it would have.
            fit.gap_error if shown else max(fit.gap_error, 0.6 * fit.gap),
            seconds,
            windows,
        )
    ]
    # Without play a lag ahead of it and one behind it are the same thing.
    if shown and fit.lag_error_s < 0.4 * fit.lag_s:
        said.append(
            Observation(f"{surface}_servo_lag_s", "flight", fit.lag_s, fit.lag_error_s, seconds, windows)
        )
    return said


def _busiest(command: Channel, stretch: Window) -> list[Window]:
    """The minutes in which the command travels most, in order of time; those that touch made one."""
    start_s, end_s = stretch
    count = max(int((end_s - start_s) / BLOCK_S + 0.5), 1)
    edges = np.linspace(start_s, max(end_s, start_s), count + 1)
    travel = np.concatenate(([0.0], np.cumsum(np.abs(np.diff(command.value)))))
    places = np.clip(np.searchsorted(command.time_s, edges), 0, travel.size - 1)
    most = np.sort(np.argsort(-np.diff(travel[places]), kind="stable")[:MOST_BLOCKS])
    windows: list[Window] = []
    for block in most:
        first_s, last_s = float(edges[block]), float(edges[block + 1])
        if windows and windows[-1][1] == first_s:
            first_s = windows.pop()[0]
        windows.append((first_s, last_s))
    return windows


def _paired(
    command: Channel, rate: Channel, hertz: tuple[float, float], windows: Sequence[Window]
) -> list[Piece]:
    """Command and rate at the slower one's own times, about WORK_RATE_HZ of them a second, gap by gap.

    Neither averaged nor drawn through between samples: both blunt the corners that play makes.
    """
    slower, slow_hz = (command, hertz[0]) if hertz[0] < hertz[1] else (rate, hertz[1])
    every = max(round(slow_hz / WORK_RATE_HZ), 1)
    if every > 1 and slow_hz / every < 0.95 * MIN_RATE_HZ:
        every -= 1
    pieces = []
    for start_s, end_s in without_gaps(command, without_gaps(rate, windows)):
        first_s, step_s, count = _even(slower.between(start_s, end_s).time_s, slow_hz)
        if count < MIN_PIECE_S * slow_hz:
            continue
        grid_s = first_s + every * step_s * np.arange(count // every, dtype=np.float64)
        later = (1.0 - SYNCHRONOUS, SYNCHRONOUS)
        channels = zip((command, rate), hertz, later, strict=True)
        values = np.stack([_sampled(channel, grid_s, hz, share) for channel, hz, share in channels])
        pieces.append(Piece(first_s, 1.0 / (every * step_s), values))
    return pieces


def _even(time_s: FloatArray, rate_hz: float) -> tuple[float, float, int]:
    """Start and step of the even clock behind times that jitter or are whole milliseconds, and the number
    of its ticks; lost samples counted."""
    if time_s.size < 2:
        return 0.0, 1.0, 0
    number = np.concatenate(([0.0], np.cumsum(np.round(np.diff(time_s) * rate_hz))))
    off = number - number.mean()
    step_s = float(off @ time_s) / max(float(off @ off), 1e-9)
    return float(time_s.mean() - step_s * number.mean()), step_s, int(number[-1]) + 1


def _sampled(channel: Channel, grid_s: FloatArray, rate_hz: float, later_from: float) -> FloatArray:
    """The channel's own samples where they fall evenly between the grid's times: the ones before, or the
    ones after where those before are older than `later_from` of a step.

    All a constant part of a step early or late is one more delay to the equation; drawn halfway between
    two samples is a filter, and a gap ahead of it reads wrong.
    """
    known = channel.between(grid_s[0] - 1.0, grid_s[-1] + 1.0)
    time_s = known.time_s
    before = np.clip(np.searchsorted(time_s, grid_s, side="right") - 1, 0, time_s.size - 1)
    mean = complex(np.mean(np.exp(2j * np.pi * rate_hz * (grid_s - time_s[before]))))
    if abs(mean) < EVEN_PHASE:
        return np.interp(grid_s, time_s, known.value)
    age = float(np.angle(mean)) / (2.0 * np.pi) % 1.0
    shift = ((1.0 if age > later_from else 0.0) - age) / rate_hz
    return np.interp(grid_s + shift, time_s, known.value)


def _records(flight: Flight, pieces: Sequence[Piece]) -> list[Record]:
    pressures = _pressures(flight, pieces)
    return [Record(p.values[0], p.values[1], q) for p, q in zip(pieces, pressures, strict=True)]


def _pressures(flight: Flight, pieces: Sequence[Piece]) -> list[FloatArray]:
    """Dynamic pressure over its median; ones where the airspeed is not known."""
    if not live_airspeed(flight):
        return [np.ones(piece.values.shape[1]) for piece in pieces]
    speed = known_samples(flight.channel("airspeed_mps"))
    usual = flight.kept.get("usual_airspeed", lambda: max(float(np.median(speed.value)), 1.0))
    found = []
    for piece in pieces:
        grid_s = piece.start_s + np.arange(piece.values.shape[1]) / piece.rate_hz
        found.append((np.interp(grid_s, speed.time_s, speed.value) / usual) ** 2)
    return found
