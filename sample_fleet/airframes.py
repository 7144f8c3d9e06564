"""Three aeroplanes of our own: 1.5 m single, 2.2 m twin, 3 m single, all electric.

Non-dimensional coefficients: the small unmanned aeroplane of R. W. Beard and T. W. McLain, *Small Unmanned
Aircraft: Theory and Practice*, Princeton University Press 2012, App. E, in the later table of the same
authors' teaching material; motor and propeller likewise (ch. 4). Quoted from memory, so nothing here is an
outside value: what the aeroplanes do is checked against outside values in `tests/outside`.

That aeroplane has a wing of aspect ratio 15 and a small chord. Ours have aspect ratio 7.5 to 10, hence:

- the lift slope goes with AR / (AR + 2) (lifting line);
- what depends on the tail's arm in chords is referred to our chord: elevator moment with the arm, pitch
  damping with its square (arm taken as the same share of the span);
- the centre of gravity stands where the static margin is 12 % of the chord, so Cm_alpha = -0.12 CL_alpha;
- Cm_0 makes level flight at cruise speed need no elevator (the pilot has trimmed his aeroplane).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GRAVITY_MPS2 = 9.80665
SEA_LEVEL_DENSITY = 1.225  # kg/m3
_BOOK_ASPECT_RATIO = 2.8956**2 / 0.55
_BOOK_CHORD_IN_SPANS = 0.18994 / 2.8956
_STALL_ALPHA_RAD = 0.26
_STALL_SHARPNESS = 50.0


@dataclass(frozen=True, slots=True)
class Aerodynamics:
    """Non-dimensional derivatives, per radian; rates made dimensionless with span/2V or chord/2V.

    Surfaces are positive in the sense of the commands: nose up, roll right, yaw right.
    """

    CL_0: float = 0.23
    CL_alpha: float = 5.61
    CL_q: float = 7.95
    CL_elevator: float = -0.13
    CD_0: float = 0.0424
    span_efficiency: float = 0.9
    CY_beta: float = -0.83
    CY_rudder: float = -0.19
    Cl_beta: float = -0.13
    Cl_p: float = -0.51
    Cl_r: float = 0.25
    Cl_aileron: float = 0.17
    Cl_rudder: float = -0.0024
    Cm_q: float = -38.21
    Cm_elevator: float = 0.99
    Cn_beta: float = 0.073
    Cn_p: float = -0.069
    Cn_r: float = -0.095
    Cn_aileron: float = -0.011
    Cn_rudder: float = 0.069


@dataclass(frozen=True, slots=True)
class Propeller:
    """Coefficients as quadratics of the advance ratio: thrust = C rho n2 D4, torque = C rho n2 D5."""

    thrust: tuple[float, float, float] = (0.09357, -0.06044, -0.1079)
    torque: tuple[float, float, float] = (0.005230, 0.004970, -0.01664)


@dataclass(frozen=True, slots=True)
class AirframeModel:
    """One size of aeroplane.

    Parameters
    ----------
    id, description : str
    span_m, chord_m, wing_area_m2, mass_kg : float
    motors, cells : int
    cruise_mps : float
        True airspeed it is trimmed for.
    pitch_rate_reach_dps, roll_rate_reach_dps : float
        Peak rate within a second of full command from level cruise, as flown by the model itself.
    throw_deg : float
        Surface travel to each side at full command.
    propeller_m : float
        Propeller diameter.
    motor_kv : float
        1/min per volt, no load.
    motor_ohm, idle_a : float
        Winding resistance, no-load current.
    capacity_ah, battery_ohm : float
        Battery as new: charge and internal resistance of the pack.
    """

    id: str
    description: str
    span_m: float
    chord_m: float
    wing_area_m2: float
    mass_kg: float
    motors: int
    cells: int
    cruise_mps: float
    pitch_rate_reach_dps: float
    roll_rate_reach_dps: float
    propeller_m: float
    motor_kv: float
    motor_ohm: float
    idle_a: float
    capacity_ah: float
    battery_ohm: float
    throw_deg: float = 20.0
    static_margin: float = 0.12
    book: Aerodynamics = Aerodynamics()
    propeller: Propeller = Propeller()

    @property
    def aspect_ratio(self) -> float:
        """Span squared over wing area."""
        return self.span_m**2 / self.wing_area_m2

    @property
    def inertia_kgm2(self) -> tuple[float, float, float]:
        """Moments of inertia about the body axes, from usual radii of gyration in spans (common practice)."""
        return tuple(self.mass_kg * (share * self.span_m) ** 2 for share in (0.12, 0.13, 0.17))  # type: ignore[return-value]

    @property
    def lift_slope(self) -> float:
        """Lift slope of our wing, 1/rad."""
        ours = self.aspect_ratio / (self.aspect_ratio + 2.0)
        return self.book.CL_alpha * ours * (_BOOK_ASPECT_RATIO + 2.0) / _BOOK_ASPECT_RATIO

    @property
    def pitch_stiffness(self) -> float:
        """Pitch stiffness, 1/rad."""
        return -self.static_margin * self.lift_slope

    @property
    def tail_arm_factor(self) -> float:
        """Tail arm in our chords over tail arm in the book's."""
        return _BOOK_CHORD_IN_SPANS / (self.chord_m / self.span_m)

    def trim_alpha_rad(self, speed_mps: float) -> float:
        """Angle of attack that carries the weight at a sea-level speed, elevator neutral."""
        pressure = 0.5 * SEA_LEVEL_DENSITY * speed_mps**2
        return (
            self.mass_kg * GRAVITY_MPS2 / (pressure * self.wing_area_m2) - self.book.CL_0
        ) / self.lift_slope

    def lift_coefficient(self, alpha_rad: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lift coefficient, stall near 15 degrees: a wing that blends into a flat plate (book, ch. 4)."""
        up = np.exp(-_STALL_SHARPNESS * (alpha_rad - _STALL_ALPHA_RAD))
        down = np.exp(_STALL_SHARPNESS * (alpha_rad + _STALL_ALPHA_RAD))
        stalled = (1.0 + up + down) / ((1.0 + up) * (1.0 + down))
        plate = 2.0 * np.sign(alpha_rad) * np.sin(alpha_rad) ** 2 * np.cos(alpha_rad)
        return (1.0 - stalled) * (self.book.CL_0 + self.lift_slope * alpha_rad) + stalled * plate

    def drag_coefficient(self, alpha_rad: NDArray[np.float64]) -> NDArray[np.float64]:
        """Parasitic and induced drag; beyond the stall that of a flat plate."""
        induced = self.lift_coefficient(alpha_rad) ** 2 / (
            np.pi * self.book.span_efficiency * self.aspect_ratio
        )
        return self.book.CD_0 + np.maximum(induced, 2.0 * np.sin(alpha_rad) ** 2 * (np.abs(alpha_rad) > 0.3))

    @property
    def stall_mps(self) -> float:
        """Speed at which the largest lift coefficient carries the weight, sea level."""
        largest = float(self.lift_coefficient(np.linspace(0.0, 0.5, 501)).max())
        return float(
            np.sqrt(2.0 * self.mass_kg * GRAVITY_MPS2 / (SEA_LEVEL_DENSITY * self.wing_area_m2 * largest))
        )


_ALL = (
    AirframeModel(
        id="small_single",
        description="1.5 m electric single",
        span_m=1.5,
        chord_m=0.20,
        wing_area_m2=0.30,
        mass_kg=1.4,
        motors=1,
        cells=3,
        cruise_mps=14.0,
        pitch_rate_reach_dps=73.0,
        roll_rate_reach_dps=127.0,
        propeller_m=0.25,
        motor_kv=1000.0,
        motor_ohm=0.08,
        idle_a=0.6,
        capacity_ah=2.2,
        battery_ohm=0.045,
    ),
    AirframeModel(
        id="medium_twin",
        description="2.2 m electric twin",
        span_m=2.2,
        chord_m=0.25,
        wing_area_m2=0.55,
        mass_kg=3.4,
        motors=2,
        cells=4,
        cruise_mps=16.0,
        pitch_rate_reach_dps=65.0,
        roll_rate_reach_dps=95.0,
        propeller_m=0.25,
        motor_kv=900.0,
        motor_ohm=0.07,
        idle_a=0.7,
        capacity_ah=8.0,
        battery_ohm=0.022,
    ),
    AirframeModel(
        id="large_single",
        description="3 m electric single",
        span_m=3.0,
        chord_m=0.30,
        wing_area_m2=0.90,
        mass_kg=9.0,
        motors=1,
        cells=6,
        cruise_mps=20.0,
        pitch_rate_reach_dps=60.0,
        roll_rate_reach_dps=83.0,
        propeller_m=0.42,
        motor_kv=380.0,
        motor_ohm=0.04,
        idle_a=1.5,
        capacity_ah=16.0,
        battery_ohm=0.020,
    ),
)

AIRFRAMES: dict[str, AirframeModel] = {model.id: model for model in _ALL}
