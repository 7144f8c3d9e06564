"""The autopilot's settings: what a pilot can set, what it reports as parameters, in our own names."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

from trimkeep.sample_fleet.airframes import AirframeModel

MODES: dict[str, int] = {
    "manual": 0,
    "rate": 1,
    "attitude": 2,
    "altitude_hold": 3,
    "cruise": 4,
    "mission": 5,
    "safe_recovery": 6,
}
HOLDS_ALTITUDE = frozenset({"altitude_hold", "cruise", "mission", "safe_recovery"})


@dataclass(frozen=True, slots=True)
class AutopilotSettings:
    """Gains and limits. Field `pitch_rate_p` is parameter `PITCH_RATE_P`.

    Parameters
    ----------
    pitch_rate_p, pitch_rate_i, pitch_rate_ff : float
        Full elevator command per rad/s of rate error, per rad of its integral, per rad/s demanded, at
        cruise speed. Likewise for roll.
    pitch_angle_p, roll_angle_p : float
        Rate demanded per angle error, 1/s.
    pitch_rate_max, roll_rate_max : float
        Largest rate demanded, deg/s; also what full stick asks for in rate mode.
    int_max : float
        Limit of the rate integrators, fraction of full command.
    rate_filter_hz : float
        Low-pass of the gyros.
    yaw_rate_p, rudder_mix : float
        Full rudder per rad/s of yaw rate error (attitude and held modes); rudder per aileron, all modes.
    yaw_slip_i : float
        Full rudder per m/s of side acceleration summed up.
    alt_p : float
        Climb demanded per altitude error, 1/s.
    climb_p, alt_i : float
        Pitch demanded per climb error, deg per m/s; per integral of it, deg per m.
    climb_max : float
        Largest climb demanded, m/s.
    speed_p, speed_i : float
        Throttle per airspeed error, 1/(m/s), and per integral of it, 1/m.
    cruise_speed, cruise_throttle : float
        Calibrated airspeed held, m/s; throttle it starts from.
    pitch_max, bank_max : float
        Largest angles demanded, deg.
    heading_p, course_p, line_distance : float
        Turn rate per heading error and per course error, 1/s; how far ahead a line is met, m.
    home_radius : float
        Radius of the circle over home, m.
    elev_trim : float
        Elevator command added in all modes.
    acc_weight : float
        Pull of the accelerometers on the attitude estimate, 1/s.
    turn_acc_ignore : float
        Turn rate above which they are left out, deg/s.
    """

    pitch_rate_p: float
    pitch_rate_i: float
    pitch_rate_ff: float
    roll_rate_p: float
    roll_rate_i: float
    roll_rate_ff: float
    pitch_rate_max: float
    roll_rate_max: float
    cruise_speed: float
    cruise_throttle: float
    line_distance: float
    home_radius: float
    pitch_angle_p: float = 1.5
    roll_angle_p: float = 2.5
    int_max: float = 0.25
    rate_filter_hz: float = 15.0
    yaw_rate_p: float = 0.3
    rudder_mix: float = 0.45
    yaw_slip_i: float = 0.06
    alt_p: float = 0.35
    climb_p: float = 1.5
    alt_i: float = 0.4
    climb_max: float = 3.0
    speed_p: float = 0.06
    speed_i: float = 0.015
    pitch_max: float = 20.0
    bank_max: float = 35.0
    heading_p: float = 0.6
    course_p: float = 0.7
    elev_trim: float = 0.0
    acc_weight: float = 0.05
    turn_acc_ignore: float = 7.0

    def parameters(self) -> dict[str, float]:
        """Every setting under its reported name.

        Examples
        --------
        >>> from trimkeep.sample_fleet.airframes import AIRFRAMES
        >>> defaults_for(AIRFRAMES["medium_twin"]).parameters()["BANK_MAX"]
        35.0
        """
        return {item.name.upper(): float(getattr(self, item.name)) for item in fields(self)}

    def scaled(self, factor: float, *names: str) -> AutopilotSettings:
        """A copy with the named settings multiplied."""
        return replace(self, **{name: getattr(self, name) * factor for name in names})


def defaults_for(model: AirframeModel) -> AutopilotSettings:
    """Settings with which the aeroplane flies well.

    Maximum rates stand at three quarters of what the airframe reaches, so that there is authority left.
    """
    roll_reach = model.roll_rate_reach_dps * 0.0174533
    pitch_reach = model.pitch_rate_reach_dps * 0.0174533
    return AutopilotSettings(
        pitch_rate_p=0.45 / pitch_reach,
        pitch_rate_i=1.0 / pitch_reach,
        pitch_rate_ff=1.0 / pitch_reach,
        roll_rate_p=0.25 / roll_reach,
        roll_rate_i=0.6 / roll_reach,
        roll_rate_ff=1.0 / roll_reach,
        pitch_rate_max=round(0.75 * model.pitch_rate_reach_dps / 5.0) * 5.0,
        roll_rate_max=round(0.75 * model.roll_rate_reach_dps / 5.0) * 5.0,
        cruise_speed=model.cruise_mps,
        cruise_throttle=0.5,
        line_distance=2.2 * model.cruise_mps,
        home_radius=3.6 * model.cruise_mps,
    )
