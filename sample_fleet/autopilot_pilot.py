"""The pilot on the sticks: slow, a little late, never quite still, and used to the aeroplane's trim.

He watches where the aeroplane is going, not only where it points, and looks again at odd moments. So play in
a linkage makes him imprecise, but he closes no steady loop that would oscillate: in manual mode he moves the
stick until the nose answers, through most of the play; in rate mode he seldom needs to do anything.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import cos, degrees, radians

import numpy as np

from trimkeep.sample_fleet.airframes import AirframeModel
from trimkeep.sample_fleet.autopilot import AutopilotSettings
from trimkeep.sample_fleet.autopilot_outer import Sensed, Wanted, clip, wrap

_LATE_TICKS = 5  # 0.2 s at 25 Hz, a usual reaction to what the eye sees (common practice)
_UNSEEN_PITCH_RAD = {0: radians(0.7), 1: radians(2.5), 2: 0.0}  # by stage: manual, rate, attitude
_PLAY_TAKEN_UP = 0.8
_TURNS_BACK = 0.01  # stick movement that counts as a change of direction
_UNSEEN_HEIGHT_M = 4.0
_LEAD_S = 1.0  # he reacts to where the nose will be
_CLIMB_DEG_PER_MPS = {0: 3.0, 1: 0.0, 2: 1.0}  # what he lowers the nose by when it climbs
_LOOKS_EVERY_S = (0.25, 0.85)
_TICK_S = 0.04


@dataclass(slots=True)
class Pilot:
    """Stick inputs for the modes a pilot flies.

    Parameters
    ----------
    model : AirframeModel
    settings : AutopilotSettings
    rng : Generator
    stick_trim : float
        Elevator stick he holds or has trimmed for level flight.
    stick_per_effect : float
        How much further he moves the elevator stick than usual.
    play : float
        Half the gap of the elevator linkage in commands, which he has got used to.
    level_pitch_rad, level_throttle : float
        What level flight looks like.
    """

    model: AirframeModel
    settings: AutopilotSettings
    rng: np.random.Generator
    stick_trim: float
    stick_per_effect: float
    play: float
    level_pitch_rad: float
    level_throttle: float
    seen: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=_LATE_TICKS))
    wander_pitch: float = 0.0
    wander_roll: float = 0.0
    nose_error: float = 0.0
    until_look_s: float = 0.0
    furthest: float = 0.0
    direction: float = 1.0

    def look(self, sensed: Sensed) -> None:
        """Once a tick: remember attitude, let the hand wander."""
        self.seen.append((sensed.pitch_rad, sensed.bank_rad))
        noise = self.rng.standard_normal(2)
        # first-order wander: 0.8 s, one to two percent of stick
        self.wander_pitch += 0.05 * (-self.wander_pitch) + 0.006 * noise[0]
        self.wander_roll += 0.05 * (-self.wander_roll) + 0.006 * noise[1]

    def goal_pitch(self, sensed: Sensed, height_m: float, stage: int) -> float:
        """Nose a little up when low, a little down when high."""
        load = 1.0 / max(0.5, cos(sensed.bank_rad)) - 1.0
        low_m = self._seen_error(height_m - sensed.height_m, _UNSEEN_HEIGHT_M)
        wish_deg = clip(0.3 * low_m - _CLIMB_DEG_PER_MPS[stage] * sensed.climb_mps, 6.0)
        return self.level_pitch_rad + radians(wish_deg + 4.5 * load)

    def _look_at_nose(self, pitch_rad: float, stage: int) -> None:
        self.until_look_s -= _TICK_S
        if self.until_look_s > 0.0:
            return
        self.until_look_s = float(self.rng.uniform(*_LOOKS_EVERY_S))
        rate = (self.seen[-1][0] - self.seen[0][0]) / (_LATE_TICKS * _TICK_S)
        ahead = self.seen[0][0] + _LEAD_S * rate
        self.nose_error = self._seen_error(pitch_rad - ahead, _UNSEEN_PITCH_RAD[stage])

    def _through_the_play(self, stick: float) -> float:
        if self.direction * (stick - self.furthest) > 0.0:
            self.furthest = stick
        elif self.direction * (self.furthest - stick) > _TURNS_BACK:
            self.direction, self.furthest = -self.direction, stick
        return stick + self.direction * _PLAY_TAKEN_UP * self.play

    @staticmethod
    def _seen_error(error: float, unseen: float) -> float:
        return error - clip(error, unseen)

    def goal_bank(self, sensed: Sensed, heading_rad: float) -> float:
        """Bank towards a heading."""
        return radians(clip(0.9 * degrees(wrap(heading_rad - sensed.heading_rad)), 28.0))

    def fly(self, sensed: Sensed, want: Wanted, pitch_rad: float, bank_rad: float, throttle: float) -> None:
        """Sticks towards an attitude, in the manner each mode needs."""
        _, bank_seen = self.seen[0]
        self._look_at_nose(pitch_rad, want.stage)
        if want.stage == 0:
            # the nose needs a standing pull in a turn, which he knows
            pull = 0.35 * (1.0 / max(0.5, cos(bank_seen)) - 1.0)
            effect = pull + 0.9 * self.nose_error
            want.stick_pitch = self.stick_trim + self._through_the_play(self.stick_per_effect * effect)
            want.stick_roll = 0.45 * (bank_rad - bank_seen)
        elif want.stage == 1:
            turning = 9.81 / max(8.0, sensed.cas_mps) * np.sin(bank_seen) ** 2
            rate = turning + 0.4 * self.nose_error
            want.stick_pitch = float(rate) / radians(self.settings.pitch_rate_max)
            want.stick_roll = 0.9 * (bank_rad - bank_seen) / radians(self.settings.roll_rate_max)
        else:
            want.stick_pitch = pitch_rad / radians(self.settings.pitch_max)
            want.stick_roll = bank_rad / radians(self.settings.bank_max)
        want.stick_pitch = clip(want.stick_pitch + self.wander_pitch, 1.0)
        want.stick_roll = clip(want.stick_roll + self.wander_roll, 1.0)
        if want.stage == 2:
            want.pitch_rad = want.stick_pitch * radians(self.settings.pitch_max)
            want.bank_rad = want.stick_roll * radians(self.settings.bank_max)
        want.throttle = want.stick_throttle = min(1.0, max(0.0, throttle))
