"""What is planted for scoring, each at twice what matters, and how large it truly was in each flight.

Sizes were set so that the planted truth, never the detector's figure, comes to twice the material
threshold: by definition (trim, battery, airspeed, armed), by the same flight flown with and without the
fault (throw, imbalance, power, bank delay, oscillation), or read off the simulation's own signals.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tests.benchmarks.truth_flights import USUAL_MINUTES, between, flight_of
from trimkeep.detectors.flight.oscillation import observe
from trimkeep.detectors.model import NotMeasured
from trimkeep.detectors.numerics.runs import BoolArray, runs
from trimkeep.sample_fleet.airframes import AirframeModel
from trimkeep.sample_fleet.autopilot import MODES
from trimkeep.sample_fleet.faults import Fault
from trimkeep.sample_fleet.flown import Flown

MODELS = tuple(between(share) for share in (0.2, 0.5, 0.85))
SURELY_TURNING_DEG = 15.0
LONG_TURN_S, END_OF_TURN_S = 15.0, 5.0
PINNED = 0.9999
HARD_ROLL = 0.9
"""Of the limit."""


@dataclass(frozen=True, slots=True)
class Plant:
    """One fault and the figure that should show it.

    Parameters
    ----------
    name, detector, metric, context : str
    kind : str
        Of `Fault`.
    sizes : tuple of float
        One for each of `MODELS`.
    what : str
        What that comes to.
    cause : str
        Which cause should be put first; empty where the table of causes has none for it.
    loop : str
        Of `Fault`.
    reference : float or None
        Fixed level; None: the airframe's own sound flights.
    least : float
        Flights whose planted truth (`planted_truth`, in the figure's unit) is below it are not scored.
    weight : float
        Flights with it over flights with the others.
    minutes : float
        Length of those flights.
    """

    name: str
    detector: str
    metric: str
    context: str
    kind: str
    sizes: tuple[float, float, float]
    what: str
    cause: str = ""
    loop: str = "pitch"
    reference: float | None = None
    least: float = 0.0
    weight: float = 1.0
    minutes: float = USUAL_MINUTES

    def fault(self, number: int) -> Fault:
        """The fault for one of `MODELS`."""
        return Fault(self.kind, self.sizes[number], loop=self.loop)


PLANTS = (
    Plant("limit above reach", "limits", "roll_limit_over_reach", "full_demand", "rate_limit_too_high",
          tuple(1.32 * model.roll_rate_reach_dps for model in MODELS),  # type: ignore[arg-type]
          "limit of 1.2 times the reach at that speed or more", "rate_limit_too_high", reference=1.0,
          least=1.2),
    Plant("out of trim", "trim", "elevator_trim", "held_level", "elevator_trim", (0.10,) * 3,
          "0.10 of the elevator", "out_of_trim"),
    Plant("integrator pinned", "trim", "pitch_integrator_pinned_share", "held_level", "elevator_trim",
          (0.247,) * 3, "pinned for 0.2 of the time or more", "out_of_trim", least=0.2),
    Plant("throw lost", "authority", "elevator_effect_dps", "flight", "low_throw", (0.538, 0.480, 0.443),
          "30 deg/s of 54 to 65 lost", "low_authority"),
    Plant("leaning after turns", "attitude_estimate", "turn_bank_error_deg", "turn", "estimator_turn_error",
          (0.165, 0.155, 0.17), "estimate off by 4 deg or more at the end of turns",
          "estimator_turn_error", least=4.0),
    Plant("imbalance", "vibration", "vibration_z_rms_mps2", "held_level", "propeller_imbalance", (3.08,) * 3,
          "2 m/s2 more", "propeller_imbalance"),
    Plant("power lost", "energy", "cruise_power_corrected_w", "cruise", "propulsion_loss",
          (0.232, 0.161, 0.106), "16 W more for the same flying", "propulsion_loss"),
    Plant("battery resistance", "energy", "battery_resistance_mohm", "flight", "battery_ageing",
          (0.010,) * 3, "10 mohm added", "wear"),
    Plant("airspeed scale", "sensors", "airspeed_scale_error", "flight", "airspeed_scale", (1.111,) * 3,
          "a tenth too much shown", reference=0.0),
    Plant("left armed", "ground_handling", "armed_after_landing_s", "ground", "left_armed", (24.0,) * 3,
          "20 s longer than usual", "armed_on_ground"),
    Plant("cycle of a servo with two centres", "oscillation", "pitch_oscillation_amplitude_deg",
          "held_level", "elevator_two_centres", (0.062, 0.062, 0.065), "0.6 deg or more", "linkage_play",
          least=0.6),
    Plant("free play", "linkage", "elevator_play_fraction", "flight", "elevator_play", (0.04,) * 3,
          "0.04 of travel", "linkage_play", weight=0.5),
    Plant("soft roll loop", "loop_response", "bank_delay_s", "assisted", "loop_gain", (0.677, 0.658, 0.631),
          "bank 0.2 s later", "loop_gain", loop="roll", weight=0.5),
    Plant("power lost in longer flights", "energy", "cruise_power_corrected_w", "cruise", "propulsion_loss",
          (0.232, 0.161, 0.106), "16 W more, flights of 9 to 10 minutes", "propulsion_loss", minutes=9.5),
)  # fmt: skip


def planted_truth(plant: Plant, flown: Flown, sound: Flown | None, model: AirframeModel) -> float:
    """How large the fault was in this flight, in the figure's unit, by the simulation's own signals.

    Parameters
    ----------
    plant : Plant
    flown : Flown
    sound : Flown or None
        The same flight without the fault, where the truth is a difference (`needs_sound`).
    model : AirframeModel

    Returns
    -------
    float
        NaN where the flight's own signals do not say; its size then holds by definition.
    """
    signals = flown.signals
    held = signals["mode"] >= MODES["altitude_hold"]
    if plant.metric == "pitch_integrator_pinned_share":
        level = held & np.isfinite(signals["alt_want"]) & (np.abs(signals["bank_want"]) < 10.0)
        limit = PINNED * _number(flown.truth, "integrator_limit")
        return float(np.mean(np.abs(signals["pitch_int"][level]) >= limit))
    if plant.metric == "turn_bank_error_deg":
        return _true_leaning(flown, held)
    if plant.metric == "roll_limit_over_reach":
        return _true_limit_over_reach(flown, model)
    if needs_sound(plant) and sound is not None:
        return _true_swing(flown, model) - _true_swing(sound, model)
    return float("nan")


def needs_sound(plant: Plant) -> bool:
    """Whether the truth needs the same flight without the fault."""
    return plant.detector == "oscillation"


def _true_limit_over_reach(flown: Flown, model: AirframeModel) -> float:
    """The limit over what the aeroplane reaches at the speed of its hard rolls (they grow with it)."""
    limit_dps = _number(flown.truth, "roll_rate_max_dps")
    hard = np.abs(flown.signals["p_want"]) >= HARD_ROLL * limit_dps
    if not hard.any():
        return float("nan")
    speed = float(np.median(flown.signals["true_tas"][hard])) / model.cruise_mps
    return limit_dps / (model.roll_rate_reach_dps * speed)


def _true_leaning(flown: Flown, held: BoolArray) -> float:
    """True less estimated bank at the end of prolonged turns, towards the turn positive, deg."""
    true = flown.signals["true_bank"]
    end = round(END_OF_TURN_S * flown.rate_hz)
    off = [
        np.sign(true[last - 1]) * float(np.mean((true - flown.signals["bank"])[last - end : last]))
        for first, last in zip(*runs(held & (np.abs(true) > SURELY_TURNING_DEG)), strict=True)
        if last - first >= LONG_TURN_S * flown.rate_hz
    ]
    return float(np.mean(off)) if off else float("nan")


def _true_swing(flown: Flown, model: AirframeModel) -> float:
    """Amplitude of the true pitch, logged at once and without any error, deg."""
    exact = replace(flown, signals={**flown.signals, "pitch": flown.signals["true_pitch"]})
    said = observe(flight_of(exact, model, flown.rate_hz, np.random.default_rng(0)))
    if isinstance(said, NotMeasured):
        return float("nan")
    return next(
        (
            one.value
            for one in said
            if (one.metric, one.context) == ("pitch_oscillation_amplitude_deg", "held_level")
        ),
        float("nan"),
    )


def _number(truth: Mapping[str, float | str], name: str) -> float:
    return float(truth[name])
