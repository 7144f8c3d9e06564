"""Slow loops, 25 times a second: altitude and airspeed hold, heading, survey lines, circle over home.

They work on what the sensors say and answer with what the fast loops shall do.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, nan, pi, radians, sin

from trimkeep.sample_fleet.airframes import GRAVITY_MPS2
from trimkeep.sample_fleet.autopilot import AutopilotSettings


@dataclass(slots=True)
class Sensed:
    """What the slow loops know, updated before each call: angles in rad, lengths in m from home."""

    north_m: float = 0.0
    east_m: float = 0.0
    height_m: float = 0.0
    climb_mps: float = 0.0
    cas_mps: float = 15.0
    bank_rad: float = 0.0
    pitch_rad: float = 0.0
    heading_rad: float = 0.0
    vn_mps: float = 0.0
    ve_mps: float = 0.0

    @property
    def course_rad(self) -> float:
        """Direction of the track."""
        return atan2(self.ve_mps, self.vn_mps)

    @property
    def ground_mps(self) -> float:
        """Ground speed."""
        return hypot(self.vn_mps, self.ve_mps)


@dataclass(slots=True)
class Wanted:
    """What is asked for, for the fast loops and for the log; NaN where nothing of the kind is asked."""

    stage: int = 2
    bank_rad: float = 0.0
    pitch_rad: float = 0.0
    throttle: float = 0.0
    stick_pitch: float = 0.0
    stick_roll: float = 0.0
    stick_throttle: float = 0.0
    heading_rad: float = 0.0
    height_m: float = nan
    cas_mps: float = nan
    xtrack_m: float = nan
    leg_left_m: float = nan
    mode: int = 2


def wrap(angle_rad: float) -> float:
    """Into -pi..pi.

    Examples
    --------
    >>> round(wrap(3.5), 4)
    -2.7832
    """
    return (angle_rad + pi) % (2.0 * pi) - pi


def clip(value: float, limit: float) -> float:
    """Into -limit..limit."""
    return -limit if value < -limit else limit if value > limit else value


@dataclass(slots=True)
class HeightAndSpeed:
    """Altitude by pitch, airspeed by throttle; integrators start where the aeroplane is.

    Parameters
    ----------
    settings : AutopilotSettings
    level_pitch_rad : float
        Pitch the aeroplane is known to fly level with at cruise speed.
    climb_throttle : float
        Throttle added per m/s of climb asked for.
    """

    settings: AutopilotSettings
    level_pitch_rad: float
    climb_throttle: float
    pitch_sum_deg: float = 0.0
    throttle_sum: float = 0.0

    def reset(self, throttle: float | None = None) -> None:
        """Begin anew when the mode is entered; `throttle` is the lever's place."""
        self.pitch_sum_deg = 0.0
        if throttle is not None:
            self.throttle_sum = throttle - self.settings.cruise_throttle

    def step(self, sensed: Sensed, want: Wanted, dt_s: float) -> None:
        """Fill pitch and throttle of `want` from its height and airspeed."""
        gains = self.settings
        climb = clip(gains.alt_p * (want.height_m - sensed.height_m), gains.climb_max)
        climb_error = climb - sensed.climb_mps
        self.pitch_sum_deg = clip(self.pitch_sum_deg + gains.alt_i * climb_error * dt_s, 12.0)
        # in a turn the wing must carry more, so the nose goes up with the load factor at once
        load = 1.0 / max(0.5, cos(sensed.bank_rad)) - 1.0
        pitch_deg = (
            degrees(self.level_pitch_rad + climb / max(8.0, sensed.cas_mps))
            + gains.climb_p * climb_error
            + self.pitch_sum_deg
            + 4.5 * load
        )
        want.pitch_rad = radians(clip(pitch_deg, gains.pitch_max))
        speed_error = want.cas_mps - sensed.cas_mps
        throttle = (
            gains.cruise_throttle
            + self.throttle_sum
            + gains.speed_p * speed_error
            + self.climb_throttle * climb
            + 0.25 * load
        )
        if 0.0 < throttle < 1.0 or throttle * speed_error < 0.0:
            self.throttle_sum = clip(self.throttle_sum + gains.speed_i * speed_error * dt_s, 0.5)
        want.throttle = min(1.0, max(0.0, throttle))


def bank_for_turn_rate(rate_radps: float, speed_mps: float) -> float:
    """Bank that turns at a rate, rad: tan(bank) = V rate / g."""
    return atan2(speed_mps * rate_radps, GRAVITY_MPS2)


def hold_heading(settings: AutopilotSettings, sensed: Sensed, heading_rad: float) -> float:
    """Bank for a heading."""
    rate = settings.heading_p * wrap(heading_rad - sensed.heading_rad)
    return clip(bank_for_turn_rate(rate, sensed.cas_mps), radians(settings.bank_max))


def hold_course(
    settings: AutopilotSettings, sensed: Sensed, course_rad: float, turn_radps: float = 0.0
) -> float:
    """Bank for a course over ground, with the turn rate of the path known beforehand."""
    rate = turn_radps + settings.course_p * wrap(course_rad - sensed.course_rad)
    return clip(bank_for_turn_rate(rate, max(6.0, sensed.ground_mps)), radians(settings.bank_max))


def circle_home(settings: AutopilotSettings, sensed: Sensed) -> float:
    """Bank that flies to the circle over home and round it, to the right (a vector field of courses)."""
    distance = hypot(sensed.north_m, sensed.east_m)
    bearing = atan2(sensed.east_m, sensed.north_m)
    radius = settings.home_radius
    lead = atan2(4.0 * (distance - radius), radius)
    turn = sensed.ground_mps / radius if abs(distance - radius) < 0.5 * radius else 0.0
    return hold_course(settings, sensed, bearing + pi / 2.0 + lead, turn)


@dataclass(slots=True)
class SurveyLines:
    """Parallel lines flown to and fro.

    Parameters
    ----------
    settings : AutopilotSettings
    north_m, east_m : float
        Start of the first line.
    course_rad : float
        Direction of the first line.
    length_m, spacing_m : float
        The next line lies to the right of the first.
    """

    settings: AutopilotSettings
    north_m: float
    east_m: float
    course_rad: float
    length_m: float
    spacing_m: float
    number: int = 0

    def bank(self, sensed: Sensed, want: Wanted) -> float:
        """Bank for the present line; also fills cross-track, distance left and bearing of `want`."""
        course, right, left = self._place(sensed)
        if left < 0.0:
            self.number += 1
            course, right, left = self._place(sensed)
        want.xtrack_m, want.leg_left_m, want.heading_rad = right, max(0.0, left), course
        aim = course - atan2(right, self.settings.line_distance)
        return hold_course(self.settings, sensed, aim)

    def _place(self, sensed: Sensed) -> tuple[float, float, float]:
        ahead_n, ahead_e = cos(self.course_rad), sin(self.course_rad)
        north, east = sensed.north_m - self.north_m, sensed.east_m - self.east_m
        along = north * ahead_n + east * ahead_e
        across = -north * ahead_e + east * ahead_n - self.number * self.spacing_m
        if self.number % 2 == 0:
            return self.course_rad, across, self.length_m - along
        return self.course_rad + pi, -across, along
