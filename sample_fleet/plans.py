"""What a flight consists of: legs, each in one control mode with one thing to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Doing = Literal["launch", "climb", "straight", "turn", "rate_steps", "lines", "home", "land", "hands_off"]


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch of a flight.

    Parameters
    ----------
    mode : str
        `manual`, `rate`, `attitude`, `altitude_hold`, `cruise`, `mission` or `safe_recovery`.
    doing : str
        `launch` by bungee; `climb` to `height_m`; `straight`; `turn` at `bank_deg`; `rate_steps` (full
        stick and half stick, both axes); `lines` of `length_m`, `spacing_m` apart; `home` and circle;
        `land`; `hands_off` (manual, controls fixed).
    seconds : float
        Length; `climb`, `lines` and `land` may end earlier, when they are done.
    heading_change_deg : float
        For `straight`: how far to turn at the start.
    """

    mode: str
    doing: Doing
    seconds: float
    bank_deg: float = 0.0
    height_m: float = 0.0
    heading_change_deg: float = 0.0
    length_m: float = 250.0
    spacing_m: float = 60.0


@dataclass(frozen=True, slots=True)
class Plan:
    """A flight from switch-on to switch-off.

    Parameters
    ----------
    legs : tuple of Leg
        Begins with `launch`.
    height_m : float
        Height above the field at which it is flown.
    disarmed_s, armed_before_s, after_s : float
        On the ground: before arming, armed before launch, after disarming.
    """

    legs: tuple[Leg, ...]
    height_m: float = 80.0
    disarmed_s: float = 5.0
    armed_before_s: float = 4.0
    after_s: float = 5.0

    @property
    def seconds(self) -> float:
        """Planned length at most, on the ground and in the air."""
        return self.disarmed_s + self.armed_before_s + self.after_s + sum(leg.seconds for leg in self.legs)


def _begin(height_m: float) -> tuple[Leg, ...]:
    return Leg("attitude", "launch", 4.0), Leg("attitude", "climb", 45.0, height_m=height_m)


_LAND = (Leg("attitude", "land", 45.0),)


def survey_plan(rng: np.random.Generator, seconds: float = 240.0) -> Plan:
    """A survey flight: a short look by hand, then held altitude, lines, a prolonged turn, home.

    Parameters
    ----------
    rng : Generator
        Order and lengths differ from flight to flight.
    seconds : float
        Wanted length in all; the held legs are stretched to it (150 to 600).
    """
    height = float(rng.uniform(70.0, 100.0))
    side = float(rng.choice([-1.0, 1.0]))
    stretch = max(0.4, (seconds - 100.0) / 200.0) * float(rng.uniform(0.95, 1.05))
    middle = (
        Leg("manual", "straight", 12.0),
        Leg("rate", "rate_steps", 12.0),
        Leg("altitude_hold", "straight", 40.0 * stretch, heading_change_deg=side * 60.0),
        Leg("altitude_hold", "turn", 26.0 * stretch, bank_deg=side * 30.0),
        Leg("cruise", "straight", 36.0 * stretch),
        Leg(
            "mission",
            "lines",
            76.0 * stretch,
            length_m=float(rng.uniform(360.0, 460.0)),
            spacing_m=float(rng.uniform(70.0, 100.0)),
        ),
        Leg("safe_recovery", "home", 22.0 * stretch),
    )
    return Plan(_begin(height) + middle + _LAND, height_m=height, **_ground(rng))


def club_plan(rng: np.random.Generator, seconds: float = 240.0) -> Plan:
    """A club flight: mostly by hand, all the modes tried, no survey lines.

    Parameters
    ----------
    rng : Generator
    seconds : float
        Wanted length in all (150 to 600).
    """
    height = float(rng.uniform(60.0, 90.0))
    side = float(rng.choice([-1.0, 1.0]))
    stretch = max(0.4, (seconds - 90.0) / 180.0) * float(rng.uniform(0.95, 1.05))
    middle = (
        Leg("manual", "straight", 24.0 * stretch, heading_change_deg=side * 90.0),
        Leg("rate", "rate_steps", 12.0),
        Leg("rate", "straight", 14.0 * stretch, heading_change_deg=side * 120.0),
        Leg("attitude", "straight", 20.0 * stretch, heading_change_deg=-side * 60.0),
        Leg("altitude_hold", "straight", 40.0 * stretch, heading_change_deg=side * 90.0),
        Leg("altitude_hold", "turn", 26.0 * stretch, bank_deg=-side * 30.0),
        Leg("cruise", "straight", 34.0 * stretch, heading_change_deg=side * 90.0),
        Leg("safe_recovery", "home", 24.0 * stretch),
    )
    return Plan(_begin(height) + middle + _LAND, height_m=height, **_ground(rng))


def _ground(rng: np.random.Generator) -> dict[str, float]:
    return {
        "disarmed_s": float(rng.uniform(4.0, 8.0)),
        "armed_before_s": float(rng.uniform(3.0, 6.0)),
        "after_s": float(rng.uniform(4.0, 8.0)),
    }
