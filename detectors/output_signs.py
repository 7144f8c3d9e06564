"""Which way round each servo output works: its pulses against what the loop wanted and what the rates did.

Two ailerons of which one is entered the wrong way round cancel each other in the command, so every output
is asked by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trimkeep.config.airframe import AirframeCard, Output
from trimkeep.detectors.channel_commands import quick
from trimkeep.detectors.channel_frame import GAP_S, Frame, delayed, rate_of
from trimkeep.detectors.model import Channel, FloatArray, Recording
from trimkeep.detectors.numerics.agreement import NO_ANSWER, Agreement, Answer, moves_alike
from trimkeep.detectors.numerics.resample import on_grid

OWN_AXIS = {"elevator": "pitch", "aileron": "roll", "rudder": "yaw"}
RATES = {"pitch": "pitch_rate_dps", "roll": "roll_rate_dps", "yaw": "yaw_rate_dps"}
WANTED = {"pitch": ("pitch_target_deg", "pitch_deg"), "roll": ("bank_target_deg", "bank_deg")}
TIED = {"pitch": 0.6, "roll": 0.6, "yaw": 0.4}
"""As for the commands; an elevon has two masters and goes less clearly with each."""
TIED_MIXED = 0.5
SIGN_ONLY = (0.0, np.inf)


@dataclass(frozen=True, slots=True)
class OutputDoubt:
    """One output that works the other way round than the card says.

    Parameters
    ----------
    function : str
        The card's name of what it moves.
    index : int
        Place in the card's list for that function.
    output : Output
        As the card has it.
    witnesses : tuple of str
        The relations that fail with it and hold when it is turned round.
    """

    function: str
    index: int
    output: Output
    witnesses: tuple[str, ...]


def check_outputs(recording: Recording, card: AirframeCard) -> tuple[OutputDoubt, ...]:
    """Outputs that the flight shows to be reversed against their card; those that stand still say nothing.

    Every relation that has an answer must speak against an output before it is named.
    """
    if not card.outputs or recording.duration_s <= 0.0:
        return ()
    frame = Frame.of(recording)
    doubts = []
    for function, outputs in card.outputs.items():
        for index, output in enumerate(outputs):
            raw = recording.channels.get(f"output_{output.port}_{output.channel}_us")
            if raw is None:
                continue
            answers = _answers(frame, _pulses(frame, raw, output), _shares(function, output))
            against = tuple(name for name, answer in answers.items() if answer.said is Agreement.DIFFERS)
            if against and not any(answer.said is Agreement.AGREES for answer in answers.values()):
                doubts.append(OutputDoubt(function, index, output, against))
    return tuple(doubts)


def _shares(function: str, output: Output) -> dict[str, float]:
    shares = {"pitch": output.pitch, "roll": output.roll, "yaw": output.yaw}
    if not any(shares.values()) and function in OWN_AXIS:
        shares[OWN_AXIS[function]] = 1.0
    return {axis: share for axis, share in shares.items() if share}


def _pulses(frame: Frame, raw: Channel, output: Output) -> FloatArray:
    """Pulse lengths on the grid, the way round the card has them; no signal is unknown."""
    pulse = np.where(raw.value > 0.0, raw.value, np.nan) * (-1.0 if output.reversed else 1.0)
    return np.where(frame.moving, on_grid(Channel(raw.time_s, pulse), frame.time_s, GAP_S), np.nan)


def _answers(frame: Frame, pulse: FloatArray, shares: dict[str, float]) -> dict[str, Answer]:
    """What each relation of each axis says; an axis whose channels are not there says nothing."""
    found: dict[str, Answer] = {}
    for axis, share in shares.items():
        given = np.sign(share) * quick(pulse)
        tied = TIED[axis] if len(shares) == 1 else min(TIED[axis], TIED_MIXED)
        rate = frame.get(RATES[axis])
        answered = rate_of(rate, 0.5) if axis == "yaw" else quick(rate)
        found[f"{RATES[axis]} after it"] = _asked(answered, delayed(given, 1), tied)
        if axis in WANTED:
            target, state = (frame.get(name) for name in WANTED[axis])
            found[f"{' less '.join(WANTED[axis])} against it"] = _asked(quick(target - state), given, tied)
    return found


def _asked(expected: FloatArray, found: FloatArray, tied: float) -> Answer:
    if not np.isfinite(expected).any() or not np.isfinite(found).any():
        return NO_ANSWER
    return moves_alike(expected, found, (), tied, SIGN_ONLY)
