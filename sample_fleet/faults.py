"""What can be wrong with an aeroplane, each kind with a size, and what the planting changes.

A fault changes the aeroplane itself (`Condition`) or its autopilot's settings, or both; `plant` returns
the changed copies. Nothing here knows what any detector looks for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from trimkeep.sample_fleet.autopilot import AutopilotSettings


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One kind of fault.

    Parameters
    ----------
    description, unit : str
        What the size means.
    nothing : float
        The size at which it is not there.
    moderate : float
        A size an experienced pilot would notice on a careful look, not at once.
    glaring : float
        A size nobody would overlook.
    """

    description: str
    unit: str
    nothing: float
    moderate: float
    glaring: float


FAULT_KINDS: dict[str, FaultKind] = {
    "elevator_play": FaultKind(
        "gap in the elevator linkage, held by friction (the surface stays where it was left)",
        "fraction of full travel, stop to stop",
        0.0,
        0.03,
        0.08,
    ),
    "aileron_play": FaultKind(
        "gap in the aileron linkage, held by friction",
        "fraction of full travel, stop to stop",
        0.0,
        0.05,
        0.12,
    ),
    "elevator_stiction": FaultKind(
        "stiff elevator hinge: nothing moves until the servo is this far away, then all the way",
        "fraction of full travel, stop to stop",
        0.0,
        0.02,
        0.05,
    ),
    "elevator_two_centres": FaultKind(
        "elevator servo that rests at two places around its centre, and only there",
        "fraction of full travel, stop to stop",
        0.0,
        0.04,
        0.10,
    ),
    "loop_gain": FaultKind(
        "gains of one loop multiplied (`loop`: pitch, roll or altitude); `hidden` leaves the parameters as "
        "they were, as a firmware update would. Altitude loop: 0.5 holds worse, 1.7 better. "
        "Pitch loop: 0.5 is sluggish, 2.5 and more nervous",
        "factor",
        1.0,
        0.5,
        0.3,
    ),
    "no_effect_update": FaultKind(
        "an update that changes nothing in the air (the heading gain by one part in a thousand)",
        "any",
        0.0,
        1.0,
        1.0,
    ),
    "rate_limit_too_high": FaultKind(
        "maximum pitch and roll rate set to this, whatever the airframe reaches", "deg/s", 0.0, 140.0, 220.0
    ),
    "elevator_trim": FaultKind(
        "elevator command needed in level flight (balance, incidence); the integrator's limit pins it "
        "above INT_MAX",
        "fraction of full command, nose up positive",
        0.0,
        0.18,
        0.30,
    ),
    "low_throw": FaultKind("elevator throw against normal", "fraction of normal throw", 1.0, 0.60, 0.35),
    "estimator_turn_error": FaultKind(
        "weight the attitude estimate gives to its uncorrected accelerometers while turning",
        "0..1",
        0.0,
        0.12,
        0.4,
    ),
    "propeller_imbalance": FaultKind(
        "vibration by the propeller at cruise shaft speed, growing with its square",
        "m/s2, rms",
        0.0,
        2.0,
        6.0,
    ),
    "propulsion_loss": FaultKind("thrust lost at the same shaft torque", "fraction", 0.0, 0.12, 0.3),
    "battery_ageing": FaultKind("resistance added to the pack", "ohm", 0.0, 0.015, 0.05),
    "airspeed_scale": FaultKind("airspeed shown over airspeed", "factor", 1.0, 1.08, 1.2),
    "left_armed": FaultKind(
        "seconds armed after coming to rest; `bump` raises the throttle once", "s", 0.0, 40.0, 90.0
    ),
    "tune_runaway": FaultKind(
        "feed-forward and integral gains of pitch and roll multiplied, as an automatic tune does that chases "
        "a rate out of reach",
        "factor",
        1.0,
        2.0,
        4.0,
    ),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault.

    Parameters
    ----------
    kind : str
        Key of `FAULT_KINDS`.
    size : float
        In the kind's unit.
    loop : str
        `pitch`, `roll` or `altitude`; for `loop_gain`.
    hidden : bool
        The reported parameters do not show it; for `loop_gain` and `estimator_turn_error`.
    bump : bool
        The throttle is raised on the ground; for `left_armed`.
    """

    kind: str
    size: float
    loop: str = "pitch"
    hidden: bool = False
    bump: bool = False

    def __post_init__(self) -> None:
        if self.kind not in FAULT_KINDS:
            raise ValueError(f"unknown fault {self.kind!r}; known: {', '.join(FAULT_KINDS)}")
        if self.loop not in LOOPS:
            raise ValueError(f"unknown loop {self.loop!r}; known: {', '.join(LOOPS)}")


@dataclass(frozen=True, slots=True)
class Condition:
    """The state of an aeroplane's hardware; the defaults are a well-kept one.

    Parameters
    ----------
    elevator_play, aileron_play, elevator_stiction, elevator_two_centres : float
        Fractions of full travel. Even a good linkage has a little play.
    elevator_trim : float
        Elevator command level flight needs.
    throw : float
        Elevator throw over normal.
    servo_lag_s : float
        First-order lag of the servos.
    servo_travel_s : float
        Seconds from stop to stop at full rate.
    thrust : float
        Thrust over that of a clean propeller.
    added_ohm : float
    airspeed_scale : float
    turn_trust : float
    imbalance_mps2 : float
    armed_after_s : float
        Seconds armed after coming to rest.
    throttle_bump : bool
    """

    elevator_play: float = 0.003
    aileron_play: float = 0.003
    elevator_stiction: float = 0.0
    elevator_two_centres: float = 0.0
    elevator_trim: float = 0.0
    throw: float = 1.0
    servo_lag_s: float = 0.05
    servo_travel_s: float = 0.30
    thrust: float = 1.0
    added_ohm: float = 0.0
    airspeed_scale: float = 1.0
    turn_trust: float = 0.0
    imbalance_mps2: float = 0.0
    armed_after_s: float = 4.0
    throttle_bump: bool = False


LOOPS: dict[str, tuple[str, ...]] = {
    "pitch": ("pitch_rate_p", "pitch_rate_i", "pitch_angle_p"),
    "roll": ("roll_rate_p", "roll_rate_i", "roll_angle_p"),
    "altitude": ("alt_p", "climb_p", "alt_i"),
}
_TUNED = ("pitch_rate_ff", "pitch_rate_i", "roll_rate_ff", "roll_rate_i")
_HARDWARE: dict[str, Callable[[Condition, Fault], Condition]] = {
    "elevator_play": lambda c, f: replace(c, elevator_play=c.elevator_play + f.size),
    "aileron_play": lambda c, f: replace(c, aileron_play=c.aileron_play + f.size),
    "elevator_stiction": lambda c, f: replace(c, elevator_stiction=f.size),
    "elevator_two_centres": lambda c, f: replace(c, elevator_two_centres=f.size),
    "elevator_trim": lambda c, f: replace(c, elevator_trim=f.size),
    "low_throw": lambda c, f: replace(c, throw=f.size),
    "estimator_turn_error": lambda c, f: replace(c, turn_trust=f.size),
    "propeller_imbalance": lambda c, f: replace(c, imbalance_mps2=f.size),
    "propulsion_loss": lambda c, f: replace(c, thrust=1.0 - f.size),
    "battery_ageing": lambda c, f: replace(c, added_ohm=f.size),
    "airspeed_scale": lambda c, f: replace(c, airspeed_scale=f.size),
    "left_armed": lambda c, f: replace(c, armed_after_s=f.size, throttle_bump=f.bump),
}


@dataclass(frozen=True, slots=True)
class Planted:
    """An aeroplane with its faults in.

    Parameters
    ----------
    condition : Condition
    flown : AutopilotSettings
        What the autopilot does.
    reported : AutopilotSettings
        What it says in its parameters; differs only for hidden faults.
    """

    condition: Condition
    flown: AutopilotSettings
    reported: AutopilotSettings
    faults: tuple[Fault, ...] = field(default=())


def _setting(fault: Fault, settings: AutopilotSettings) -> AutopilotSettings:
    if fault.kind == "loop_gain":
        return settings.scaled(fault.size, *LOOPS[fault.loop])
    if fault.kind == "no_effect_update":
        return settings.scaled(1.001, "heading_p")
    if fault.kind == "rate_limit_too_high":
        return replace(settings, pitch_rate_max=fault.size, roll_rate_max=fault.size)
    if fault.kind == "tune_runaway":
        return settings.scaled(fault.size, *_TUNED)
    if fault.kind == "estimator_turn_error" and fault.size > 0.0:
        return replace(settings, turn_acc_ignore=90.0)
    return settings


def plant(
    settings: AutopilotSettings, faults: Iterable[Fault], condition: Condition | None = None
) -> Planted:
    """Put the faults into a well-kept aeroplane, or into `condition`.

    Examples
    --------
    >>> from trimkeep.sample_fleet.airframes import AIRFRAMES
    >>> from trimkeep.sample_fleet.autopilot import defaults_for
    >>> plant(defaults_for(AIRFRAMES["small_single"]), (Fault("low_throw", 0.5),)).condition.throw
    0.5
    """
    faults = tuple(faults)
    condition = condition or Condition()
    flown = reported = settings
    for fault in faults:
        if fault.kind in _HARDWARE:
            condition = _HARDWARE[fault.kind](condition, fault)
        flown = _setting(fault, flown)
        if not fault.hidden:
            reported = _setting(fault, reported)
    return Planted(condition, flown, reported, faults)


def truth_of(planted: Planted) -> dict[str, float | str]:
    """The planted sizes as plain numbers, units in the names."""
    condition = planted.condition
    truth: dict[str, float | str] = {
        "elevator_play_fraction": condition.elevator_play,
        "aileron_play_fraction": condition.aileron_play,
        "elevator_stiction_fraction": condition.elevator_stiction,
        "elevator_two_centres_fraction": condition.elevator_two_centres,
        "elevator_trim_needed": condition.elevator_trim,
        "elevator_throw_factor": condition.throw,
        "servo_lag_s": condition.servo_lag_s,
        "servo_rate_per_s": 2.0 / condition.servo_travel_s,
        "thrust_factor": condition.thrust,
        "airspeed_scale": condition.airspeed_scale,
        "estimator_turn_trust": condition.turn_trust,
        "propeller_imbalance_mps2": condition.imbalance_mps2,
        "armed_after_landing_s": condition.armed_after_s,
        "integrator_limit": planted.flown.int_max,
        "pitch_rate_max_dps": planted.flown.pitch_rate_max,
        "roll_rate_max_dps": planted.flown.roll_rate_max,
        "faults": ",".join(fault.kind for fault in planted.faults),
    }
    for fault in planted.faults:
        name = f"{fault.kind}_{fault.loop}" if fault.kind == "loop_gain" else fault.kind
        truth[f"planted_{name}"] = fault.size
    return truth
