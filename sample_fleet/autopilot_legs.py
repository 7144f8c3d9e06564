"""Who flies when: goes through a plan's legs, pilot or autopilot, and says when the flight is over."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import atan2, cos, hypot, nan, radians

from trimkeep.sample_fleet.autopilot import HOLDS_ALTITUDE, MODES, AutopilotSettings
from trimkeep.sample_fleet.autopilot_outer import (
    HeightAndSpeed,
    Sensed,
    SurveyLines,
    Wanted,
    circle_home,
    hold_heading,
)
from trimkeep.sample_fleet.autopilot_pilot import Pilot
from trimkeep.sample_fleet.plans import Leg, Plan

TICK_S = 0.04
_FAR_M = 300.0
# full stick in rate mode, one axis at a time, there and back so that the aeroplane ends about level:
# (from, to, roll stick, pitch stick), seconds from the start of the leg
_RATE_STEPS: tuple[tuple[float, float, float, float], ...] = (
    (1.5, 2.1, 1.0, 0.0),
    (2.1, 3.2, -1.0, 0.0),
    (3.2, 3.7, 1.0, 0.0),
    (6.0, 6.5, 0.0, 1.0),
    (6.5, 7.1, 0.0, -1.0),
    (8.6, 9.2, 0.5, 0.0),
    (9.2, 9.8, -0.5, 0.0),
)


@dataclass(slots=True)
class Captain:
    """Goes through the legs of a plan.

    Parameters
    ----------
    plan : Plan
    settings : AutopilotSettings
    pilot : Pilot
    hold : HeightAndSpeed
    into_wind_rad : float
        Heading for launch and landing.
    """

    plan: Plan
    settings: AutopilotSettings
    pilot: Pilot
    hold: HeightAndSpeed
    into_wind_rad: float
    want: Wanted = field(default_factory=Wanted)
    number: int = -1
    leg_s: float = 0.0
    heading_rad: float = 0.0
    lines: SurveyLines | None = None

    @property
    def leg(self) -> Leg:
        """The leg being flown."""
        return self.plan.legs[self.number]

    def tick(self, sensed: Sensed) -> bool:
        """One step of `TICK_S`; True when the aeroplane has touched down or the last leg has ended.

        A leg that lands goes on until the ground is reached, at most twice its time.
        """
        self.pilot.look(sensed)
        if self.number < 0:
            self._enter(0, sensed)
        elif self._is_done(sensed):
            if self.number + 1 == len(self.plan.legs):
                return True
            self._enter(self.number + 1, sensed)
        self.leg_s += TICK_S
        self._fly(sensed)
        return False

    def _is_done(self, sensed: Sensed) -> bool:
        leg = self.leg
        if leg.doing == "land":
            return sensed.height_m <= 0.0 or self.leg_s > 2.0 * leg.seconds
        if leg.doing == "climb" and sensed.height_m > leg.height_m - 3.0:
            return True
        return self.leg_s >= leg.seconds

    def _enter(self, number: int, sensed: Sensed) -> None:
        held_before = self.number >= 0 and self.leg.mode in HOLDS_ALTITUDE
        self.number, self.leg_s, self.lines = number, 0.0, None
        leg, want = self.leg, self.want
        want.mode = MODES[leg.mode]
        want.stage = min(want.mode, 2)
        self.heading_rad = self._first_heading(leg, sensed)
        if leg.mode not in HOLDS_ALTITUDE:
            want.height_m = want.cas_mps = nan
            return
        if not held_before:
            self.hold.reset(want.throttle)
        # missions and the way home have a height of their own; the other modes hold what they found
        own_height = leg.mode in ("mission", "safe_recovery")
        want.height_m = self.plan.height_m if own_height else max(sensed.height_m, 0.6 * self.plan.height_m)
        want.cas_mps = self.settings.cruise_speed
        if leg.doing == "lines":
            self.lines = SurveyLines(
                self.settings, sensed.north_m, sensed.east_m, self.heading_rad, leg.length_m, leg.spacing_m
            )

    def _first_heading(self, leg: Leg, sensed: Sensed) -> float:
        if leg.doing in ("launch", "climb"):
            return self.into_wind_rad
        home_rad = atan2(-sensed.east_m, -sensed.north_m)
        far = hypot(sensed.north_m, sensed.east_m) > _FAR_M
        if leg.doing == "lines":
            # the first line lies straight ahead, unless that leads away
            return home_rad if far and cos(home_rad - sensed.heading_rad) < 0.3 else sensed.heading_rad
        if far or leg.doing == "land":
            return home_rad
        return sensed.heading_rad + radians(leg.heading_change_deg)

    def _fly(self, sensed: Sensed) -> None:
        leg, want = self.leg, self.want
        want.xtrack_m = want.leg_left_m = nan
        if leg.mode in HOLDS_ALTITUDE:
            self._fly_held(leg, sensed)
            return
        want.heading_rad = nan
        pilot = self.pilot
        pitch = pilot.goal_pitch(sensed, self.plan.height_m, want.stage)
        bank = pilot.goal_bank(sensed, self.heading_rad)
        throttle = pilot.level_throttle + 0.02 * (self.plan.height_m - sensed.height_m)
        throttle = min(0.9, max(0.15, throttle)) + 0.1 * abs(bank)
        if leg.doing == "launch":
            pitch, bank, throttle = radians(11.0), 0.0, 1.0
        elif leg.doing == "climb":
            slow = sensed.cas_mps < 0.85 * self.settings.cruise_speed
            pitch, throttle = radians(5.0 if slow else 10.0), 0.95
        elif leg.doing == "turn":
            bank = radians(leg.bank_deg)
        elif leg.doing == "land":
            pitch, bank, throttle = self._approach(sensed)
        elif leg.doing == "hands_off":
            want.stick_pitch, want.stick_roll = pilot.stick_trim, 0.0
            want.throttle = want.stick_throttle = pilot.level_throttle
            return
        pilot.fly(sensed, want, pitch, bank, throttle)
        if leg.doing == "rate_steps":
            self._rate_steps()

    def _rate_steps(self) -> None:
        for start, end, roll, pitch in _RATE_STEPS:
            if start <= self.leg_s < end:
                self.want.stick_roll, self.want.stick_pitch = roll, pitch

    def _approach(self, sensed: Sensed) -> tuple[float, float, float]:
        """Glide down towards home, into the wind when low, level off just above the ground."""
        height = sensed.height_m
        heading = self.heading_rad if height > 30.0 else self.into_wind_rad
        bank = self.pilot.goal_bank(sensed, heading)
        if height > 12.0:
            return radians(-9.0), bank, 0.0
        if height > 2.5:
            return radians(-3.0), 0.3 * bank, 0.0
        return radians(3.0), 0.0, 0.0

    def _fly_held(self, leg: Leg, sensed: Sensed) -> None:
        want = self.want
        want.heading_rad = self.heading_rad
        if leg.doing == "turn":
            want.bank_rad = radians(leg.bank_deg)
            want.heading_rad = nan
        elif leg.doing == "home":
            want.bank_rad = circle_home(self.settings, sensed)
            want.heading_rad = atan2(-sensed.east_m, -sensed.north_m)
        elif self.lines is not None:
            want.bank_rad = self.lines.bank(sensed, want)
        else:
            want.bank_rad = hold_heading(self.settings, sensed, self.heading_rad)
        by_hand = leg.mode == "altitude_hold"  # the pilot steers, the autopilot keeps the height
        want.stick_roll = want.bank_rad / radians(self.settings.bank_max) if by_hand else 0.0
        want.stick_pitch = 0.0
        want.stick_throttle = 0.5
        self.hold.step(sensed, want, TICK_S)


def phase_of(leg: Leg, height_m: float) -> int:
    """Landed state while airborne: 3 taking off, 4 landing, 2 in the air."""
    if leg.doing == "launch" or (leg.doing == "climb" and height_m < 10.0):
        return 3
    return 4 if leg.doing == "land" and height_m < 15.0 else 2
