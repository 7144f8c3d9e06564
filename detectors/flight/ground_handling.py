"""Armed on the ground: the aeroplane that takes a finger.

Seconds armed after landing, throttle raised while armed on the ground, and armed spells in which
nothing flew. A hazard is a finding of one flight; it needs no history.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trimkeep.detectors.flights import airborne, gather
from trimkeep.detectors.model import (
    Channel,
    DetectorSpec,
    Flight,
    Metric,
    NotMeasured,
    Observation,
    Reason,
    Window,
)

CONTEXT = "ground"
ROLL_OUT_S = 5.0
"""The propeller may still be under power at touch-down and while rolling out."""
LINE_UP_S = 20.0
"""Before a further take-off the throttle is raised on purpose."""
RAISED = 0.1
"""Of full throttle: above the jitter of a stick at rest."""

SPEC = DetectorSpec(
    id="ground_handling",
    version=1,
    title="Armed and throttle on the ground",
    family="ground_handling",
    metrics=(
        Metric(
            "armed_after_landing_s",
            "Time armed after landing",
            "s",
            "lower",
            10.0,
            "about as long as a habit of disarming at once differs from one of disarming on arrival",
            "linear",
            attention=20.0,  # within 20 s somebody can have walked 25 m to the propeller
        ),
        Metric(
            "throttle_on_ground_s",
            "Throttle raised while armed on the ground after landing",
            "s",
            "lower",
            0.5,
            "a single push of the stick lasts about this long, and one is enough to injure a hand",
            "linear",
            attention=1.0,
        ),
        Metric(
            "armed_without_flight_s",
            "Time armed before or after this flight without flying",
            "s",
            "lower",
            30.0,
            "longer than a control check takes",
            "linear",
            attention=120.0,
        ),
    ),
    needs=frozenset({"armed"}),
    uses=frozenset({"throttle_cmd", "stick_throttle", "landed_state", "groundspeed_mps"}),
    evidence=("armed", "throttle_cmd", "groundspeed_mps"),
    measures="From touch-down: seconds until disarmed (or until the log ends or the next take-off), seconds "
    f"with the throttle above {RAISED:.0%} later than {ROLL_OUT_S:g} s after touch-down, and armed spells "
    "without flight between the previous flight and this one (after the last flight too).",
    formula="Sums of the times between samples; flags hold until the next sample.",
    source="Facts of the trade (common practice, no source): landing, not disarming, then touching the "
    "throttle "
    "while reaching for the aeroplane injures hands.",
    cannot_tell="A log that ends in the air, or stops at disarming in another file, says nothing of what "
    "came "
    "later. Whether anyone was near. A touch-down is found to a few seconds only where no landed state is "
    "logged.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Ground handling around one flight; see `SPEC`."""
    armed = _known(flight.recording.channels["armed"])
    stretches = airborne(gather(flight.recording), flight.card)
    said = list(_without_flight(flight, armed, stretches))
    if not flight.ends_airborne:
        said += _after_landing(flight, armed, stretches)
    return said or NotMeasured(Reason.UNDEFINED, "the armed flag is never known")


def _known(channel: Channel) -> Channel:
    known = np.isfinite(channel.value)
    return Channel(channel.time_s[known], channel.value[known])


def _after_landing(flight: Flight, armed: Channel, stretches: list[Window]) -> Iterator[Observation]:
    landed_s = flight.end_s
    again_s = min((start for start, _ in stretches if start > landed_s), default=np.inf)
    stop_s = min(float(armed.time_s[-1]), again_s) if armed.time_s.size else landed_s
    if stop_s <= landed_s:
        return
    at_landing = np.searchsorted(armed.time_s, landed_s, side="right") - 1
    later = armed.value[max(int(at_landing), 0) :]
    off = np.flatnonzero(later == 0)
    if off.size:
        stop_s = float(np.clip(armed.time_s[max(int(at_landing), 0) + off[0]], landed_s, stop_s))
    step_s = 1.0 / armed.rate_hz if armed.rate_hz > 0 else 1.0
    window = (landed_s, stop_s)
    seconds = stop_s - landed_s
    # The flag is known only as often as it is sent: the moment is even within one step.
    yield Observation("armed_after_landing_s", CONTEXT, seconds, step_s / np.sqrt(12.0), seconds, (window,))
    end_s = min(stop_s, again_s - LINE_UP_S)
    raised = _raised(flight, landed_s + ROLL_OUT_S, end_s)
    if raised is not None:
        yield Observation("throttle_on_ground_s", CONTEXT, raised[0], None, seconds, raised[1])


def _raised(flight: Flight, start_s: float, end_s: float) -> tuple[float, tuple[Window, ...]] | None:
    """Seconds above the threshold and where; None when no throttle is logged."""
    for name in ("throttle_cmd", "stick_throttle"):
        if name in flight.recording.channels:
            throttle = _known(flight.recording.channels[name])
            if throttle.time_s.size >= 2:
                spells = [(max(a, start_s), min(b, end_s)) for a, b in _spells(throttle, RAISED)]
                inside = tuple((a, b) for a, b in spells if b > a)
                return sum(b - a for a, b in inside), inside
    return None


def _without_flight(flight: Flight, armed: Channel, stretches: list[Window]) -> Iterator[Observation]:
    if armed.time_s.size < 2:
        return
    before_s = max((end for _, end in stretches if end <= flight.start_s), default=-np.inf)
    is_last = not any(start >= flight.end_s for start, _ in stretches)
    idle = [
        (start, end)
        for start, end in _spells(armed, 0.5)
        if not any(start < landed and end > lifted for lifted, landed in stretches)
        and not (start < flight.end_s and end > flight.start_s)
        and (before_s <= start < flight.start_s or (is_last and start >= flight.end_s))
    ]
    seconds = sum(end - start for start, end in idle)
    span = float(armed.time_s[-1] - armed.time_s[0])
    yield Observation("armed_without_flight_s", CONTEXT, seconds, None, span, tuple(idle))


def _spells(channel: Channel, level: float) -> list[Window]:
    """Stretches in which the value is above the level; each sample holds until the next one."""
    above = np.concatenate(([0], (channel.value > level).astype(np.int8), [0]))
    edges = np.flatnonzero(np.diff(above))
    times = np.append(channel.time_s, channel.time_s[-1])
    return [(float(times[a]), float(times[b])) for a, b in zip(edges[::2], edges[1::2], strict=True)]
