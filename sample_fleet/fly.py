"""Flies one flight: JSBSim for the air and the fast loops, the slow loops around it, the log afterwards."""

from __future__ import annotations

import numpy as np

from trimkeep.sample_fleet.airborne import fly_airborne
from trimkeep.sample_fleet.airframes import AirframeModel
from trimkeep.sample_fleet.autopilot import AutopilotSettings
from trimkeep.sample_fleet.autopilot_legs import TICK_S
from trimkeep.sample_fleet.faults import Fault, plant
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.flown_signals import Span, signals_of, span_of
from trimkeep.sample_fleet.plans import Plan
from trimkeep.sample_fleet.truth_measures import truth_of_flight
from trimkeep.sample_fleet.world import Weather

_INFO = 6


def fly(
    model: AirframeModel,
    settings: AutopilotSettings,
    plan: Plan,
    weather: Weather,
    faults: tuple[Fault, ...],
    rng: np.random.Generator,
    rate_hz: float = 50.0,
) -> Flown:
    """Fly one plan from switch-on to switch-off.

    Parameters
    ----------
    model : AirframeModel
    settings : AutopilotSettings
        As the pilot set them; faults may change them.
    plan : Plan
    weather : Weather
    faults : tuple of Fault
    rng : Generator
    rate_hz : float
        Rate of the signals; a multiple of 25.

    Returns
    -------
    Flown
        Every signal of `SIGNALS`; NaN in a `..._want` signal where nothing of the kind is asked for.

    Raises
    ------
    ValueError
        `rate_hz` is no multiple of 25.

    Notes
    -----
    The launch is by bungee at 35 % above stalling speed, the landing a glide to the ground that then
    slides to a stop; both ground parts are written, not simulated.
    """
    frames_per_tick = rate_hz * TICK_S
    if rate_hz <= 0.0 or abs(frames_per_tick - round(frames_per_tick)) > 1e-9:
        raise ValueError(f"rate_hz must be a multiple of {1.0 / TICK_S:.0f}, not {rate_hz}")
    planted = plant(settings, faults)
    record = fly_airborne(model, planted, plan, weather, rng, rate_hz)
    span = span_of(plan, planted, record)
    return Flown(
        rate_hz=rate_hz,
        t_s=np.arange(span.n) / rate_hz,
        signals=signals_of(model, planted, weather, record, span, rng),
        parameters=planted.reported.parameters(),
        truth=truth_of_flight(model, planted, plan, weather, record),
        texts=_texts(span, rate_hz),
    )


def _texts(span: Span, rate_hz: float) -> tuple[tuple[float, int, str], ...]:
    said = [
        (1.0, _INFO, "sensors ready"),
        (span.armed_from / rate_hz, _INFO, "armed"),
        (span.before / rate_hz, _INFO, "airborne"),
        (span.lands_at / rate_hz, _INFO, "on the ground"),
        (span.armed_until / rate_hz, _INFO, "disarmed"),
    ]
    return tuple(said)
