"""What physics says of targets, surface commands and sticks: asked against done, cause against effect.

Thresholds of correlation: from the sample fleet's flights of one seed and the open real logs (ALFA), well
below what those show; a wrong sign must go together as clearly as a right one before it counts.
"""

from __future__ import annotations

import numpy as np

from trimkeep.config.channels import CONTROL_MODES, HELD_ALTITUDE_MODES, PILOT_FLOWN_MODES
from trimkeep.detectors.channel_frame import Frame, Relation, delayed, mean_of, rate_of
from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.agreement import (
    FEWEST,
    NO_ANSWER,
    Agreement,
    Answer,
    moves_alike,
    same_size,
    same_spread,
)

SIGN_ONLY = (0.0, np.inf)
BESIDE_ITSELF = (0.1, 10.0)
"""A target's spread over what is flown: even a limit or a slack loop stays inside, radians do not."""
STEADY = 0.15
HELD, FAR_FROM_HELD = (0.85, 1.18), (0.6, 1.6)
"""Target over state: what a unit that is right leaves, and what only a wrong one does."""
FOLLOWED, FOLLOWED_BETTER = 0.6, 0.25
"""Mean resultant of heading asked less heading flown: 0.7 to 0.9 in the sample fleet, a third in radians."""
OTHER_ANGLES = (180.0 / np.pi, np.pi / 180.0, 0.01)


def _target(target: str, state: str, rival: str, at_least: float = 0.75) -> Relation:
    def ask(frame: Frame) -> Answer:
        # What was asked half a second ago is what is flown now.
        asked, done = delayed(mean_of(frame.get(target), 1.0), 2), mean_of(frame.get(state), 1.0)
        return moves_alike(asked, done, [mean_of(frame.get(rival), 1.0)], at_least)

    return Relation(f"{target} against {state}", (target, state, rival), ask)


def _spread(target: str, state: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        return same_spread(frame.get(target), frame.get(state), BESIDE_ITSELF)

    return Relation(f"spread of {target} against {state}", (target, state), ask)


def _held(target: str, state: str, datum: str | None = None) -> Relation:
    def ask(frame: Frame) -> Answer:
        asked, done = _only(frame, frame.get(target), HELD_ALTITUDE_MODES), frame.live(state)
        if datum is not None and same_size(asked, frame.live(datum), HELD).said is Agreement.AGREES:
            return NO_ANSWER  # counted from another zero, which no unit can mend
        # A target that is left standing while somebody flies by hand says nothing of units.
        found = same_size(asked, done, FAR_FROM_HELD, STEADY)
        if found.said is Agreement.AGREES and same_size(asked, done, HELD).said is not Agreement.AGREES:
            return NO_ANSWER
        return found

    return Relation(f"{target} against {state}", (target, state), ask)


def _error(error: str, target: str, state: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        return moves_alike(frame.get(target) - frame.live(state), frame.get(error), (), 0.9)

    return Relation(f"{error} against {target} less {state}", (error, target, state), ask)


def _heading_target(frame: Frame) -> Answer:
    asked, nose = frame.get("heading_target_deg"), frame.get("heading_deg")
    known = np.isfinite(asked) & np.isfinite(nose)
    if known.sum() < FEWEST:
        return NO_ANSWER
    asked, nose = asked[known], nose[known]
    as_read = _together(asked - nose)
    if as_read > FOLLOWED:
        return Answer(Agreement.AGREES)
    otherwise = max(_together(factor * asked - nose) for factor in OTHER_ANGLES)
    clear = max(FOLLOWED, as_read + FOLLOWED_BETTER)
    return Answer(Agreement.SILENT) if otherwise > clear else NO_ANSWER


def _together(difference_deg: FloatArray) -> float:
    """How steady a difference of directions is: 1 always the same, 0 anything."""
    return float(abs(np.mean(np.exp(1j * np.radians(difference_deg)))))


def _controller(command: str, target: str, state: str, rival: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        wanted = quick(frame.get(target) - frame.get(state))
        given, other = (quick(frame.get(name)) for name in (command, rival))
        return moves_alike(wanted, given, (other,), 0.6, SIGN_ONLY)

    return Relation(f"{command} against {target} less {state}", (command, target, state, rival), ask)


def _answer(command: str, rate: str, rival: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        # Against the gusts the loop works at once, so that only what comes a little later is its doing.
        turned = quick(frame.get(rate))
        given, other = (delayed(quick(frame.get(name)), 1) for name in (command, rival))
        return moves_alike(turned, given, (other,), 0.6, SIGN_ONLY)

    return Relation(f"{rate} after {command}", (command, rate, rival), ask)


def _yaw_answer(frame: Frame) -> Answer:
    # A damper moves the rudder against the yaw rate itself, but only its effect makes the rate change.
    given = delayed(quick(frame.get("rudder_cmd")), 1)
    return moves_alike(rate_of(frame.get("yaw_rate_dps"), 0.5), given, (), 0.4, SIGN_ONLY)


def quick(value: FloatArray) -> FloatArray:
    """What is quicker than the trim."""
    return value - mean_of(value, 8.0)


def _by_hand(command: str, stick: str, rival: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        if not _modes_known(frame):
            return NO_ANSWER  # a stick that asks for an attitude goes against the elevator that holds it
        moved = _only(frame, frame.get(stick), PILOT_FLOWN_MODES)
        return moves_alike(moved, frame.get(command), (frame.get(rival),), 0.6, SIGN_ONLY)

    return Relation(f"{command} against {stick}", (command, stick, rival, "control_mode"), ask)


def _by_attitude(stick: str, state: str, rival: str) -> Relation:
    def ask(frame: Frame) -> Answer:
        if not _modes_known(frame):
            return NO_ANSWER
        asked = delayed(_only(frame, frame.get(stick), frozenset({"attitude"})), 3)
        return moves_alike(asked, frame.get(state), (frame.get(rival),), 0.7, SIGN_ONLY)

    return Relation(f"{state} against {stick}", (stick, state, rival, "control_mode"), ask)


def _only(frame: Frame, value: FloatArray, modes: frozenset[str]) -> FloatArray:
    """The value while in one of the modes; all of it where the log's modes are unknown."""
    if not _modes_known(frame):
        return value
    codes = frame.get("control_mode")
    return np.where(np.isin(codes, [CONTROL_MODES.index(mode) for mode in modes]), value, np.nan)


def _modes_known(frame: Frame) -> bool:
    codes = frame.get("control_mode")
    return bool(np.any(np.isfinite(codes) & (codes != CONTROL_MODES.index("unknown"))))


COMMANDS: tuple[Relation, ...] = (
    _target("bank_target_deg", "bank_deg", "pitch_deg"),
    _target("pitch_target_deg", "pitch_deg", "bank_deg"),
    _target("roll_rate_target_dps", "roll_rate_dps", "pitch_rate_dps", 0.6),
    _target("pitch_rate_target_dps", "pitch_rate_dps", "roll_rate_dps", 0.6),
    _spread("roll_rate_target_dps", "roll_rate_dps"),
    _spread("pitch_rate_target_dps", "pitch_rate_dps"),
    _spread("bank_target_deg", "bank_deg"),
    Relation(
        "heading_target_deg against heading_deg", ("heading_target_deg", "heading_deg"), _heading_target
    ),
    _held("altitude_target_m", "altitude_m", "height_m"),
    _held("airspeed_target_mps", "airspeed_mps"),
    _error("altitude_error_m", "altitude_target_m", "altitude_m"),
    _error("airspeed_error_mps", "airspeed_target_mps", "airspeed_mps"),
    _controller("aileron_cmd", "bank_target_deg", "bank_deg", "elevator_cmd"),
    _controller("elevator_cmd", "pitch_target_deg", "pitch_deg", "aileron_cmd"),
    _controller("aileron_cmd", "roll_rate_target_dps", "roll_rate_dps", "elevator_cmd"),
    _controller("elevator_cmd", "pitch_rate_target_dps", "pitch_rate_dps", "aileron_cmd"),
    _answer("aileron_cmd", "roll_rate_dps", "elevator_cmd"),
    _answer("elevator_cmd", "pitch_rate_dps", "aileron_cmd"),
    Relation("change of yaw_rate_dps after rudder_cmd", ("rudder_cmd", "yaw_rate_dps"), _yaw_answer),
    _by_hand("rudder_cmd", "stick_yaw", "aileron_cmd"),
    _by_hand("aileron_cmd", "stick_roll", "elevator_cmd"),
    _by_hand("elevator_cmd", "stick_pitch", "aileron_cmd"),
    _by_attitude("stick_roll", "bank_deg", "pitch_deg"),
    _by_attitude("stick_pitch", "pitch_deg", "bank_deg"),
)
