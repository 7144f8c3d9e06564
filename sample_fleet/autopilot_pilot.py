"""The pilot on the sticks: slow, a little late, never quite still, and used to the aeroplane's trim.

He flies by eye with low gains, so play in a linkage makes him imprecise but does not make him oscillate.
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
    level_pitch_rad, level_throttle : float
        What level flight looks like.
    """

    model: AirframeModel
    settings: AutopilotSettings
    rng: np.random.Generator
    stick_trim: float
    stick_per_effect: float
    level_pitch_rad: float
    level_throttle: float
    seen: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=_LATE_TICKS))
    wander_pitch: float = 0.0
    wander_roll: float = 0.0

    def look(self, sensed: Sensed) -> None:
        """Once a tick: remember attitude, let the hand wander."""
        self.seen.append((sensed.pitch_rad, sensed.bank_rad))
        noise = self.rng.standard_normal(2)
        # first-order wander: 0.8 s, one to two percent of stick
        self.wander_pitch += 0.05 * (-self.wander_pitch) + 0.0045 * noise[0]
        self.wander_roll += 0.05 * (-self.wander_roll) + 0.006 * noise[1]

    def goal_pitch(self, sensed: Sensed, height_m: float) -> float:
        """Nose a little up when low, a little down when high."""
        load = 1.0 / max(0.5, cos(sensed.bank_rad)) - 1.0
        return self.level_pitch_rad + radians(clip(0.5 * (height_m - sensed.height_m), 6.0) + 4.5 * load)

    def goal_bank(self, sensed: Sensed, heading_rad: float) -> float:
        """Bank towards a heading."""
        return radians(clip(0.9 * degrees(wrap(heading_rad - sensed.heading_rad)), 28.0))

    def fly(self, sensed: Sensed, want: Wanted, pitch_rad: float, bank_rad: float, throttle: float) -> None:
        """Sticks towards an attitude, in the manner each mode needs."""
        pitch_seen, bank_seen = self.seen[0]
        if want.stage == 0:
            # the nose needs a standing pull in a turn, which he knows
            pull = 0.35 * (1.0 / max(0.5, cos(bank_seen)) - 1.0)
            effect = pull + 0.7 * (pitch_rad - pitch_seen)
            want.stick_pitch = self.stick_trim + self.stick_per_effect * effect
            want.stick_roll = 0.45 * (bank_rad - bank_seen)
        elif want.stage == 1:
            turning = 9.81 / max(8.0, sensed.cas_mps) * np.sin(bank_seen) ** 2
            rate = turning + 0.9 * (pitch_rad - pitch_seen)
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
