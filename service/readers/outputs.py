"""Servo outputs to surface and throttle commands, as the airframe's card says.

Every surface output is one equation: its normalised position is the sum of its shares of the pitch,
roll and yaw command (a plain elevator: pitch alone). All of them together are solved by least squares,
which averages where several outputs move one surface and unmixes elevons and tails in V.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from trimkeep.config.airframe import AirframeCard, Output
from trimkeep.detectors.model import Channel, FloatArray, Note

_AXES = ("elevator_cmd", "aileron_cmd", "rudder_cmd")
_OWN_SHARES = {"elevator": (1.0, 0.0, 0.0), "aileron": (0.0, 1.0, 0.0), "rudder": (0.0, 0.0, 1.0)}
_DETERMINED = 1e-6
"""How far an axis may lie outside what the outputs determine (rounding only)."""


def output_name(port: int, channel: int) -> str:
    """Channel name of a raw output, `output_<port>_<channel>_us`."""
    return f"output_{port}_{channel}_us"


def commands(raw: Mapping[str, Channel], card: AirframeCard) -> dict[str, Channel]:
    """Commands from raw outputs.

    Parameters
    ----------
    raw : mapping of str to Channel
        `output_<port>_<channel>_us`, microseconds; zero or NaN means no signal.
    card : AirframeCard
        Its `outputs` say what each output moves, between which pulse lengths, which way round.

    Returns
    -------
    dict of str to Channel
        `elevator_cmd`, `aileron_cmd`, `rudder_cmd` (-1..1 at the card's ends, not cut off there) and
        `throttle_cmd` (0..1), on the time base of their first output; those that the outputs determine.
    """
    surfaces: list[tuple[Output, tuple[float, float, float]]] = []
    motors: list[Output] = []
    for function, outputs in card.outputs.items():
        for output in outputs:
            if output_name(output.port, output.channel) not in raw:
                continue
            shares = (output.pitch, output.roll, output.yaw)
            if not any(shares):
                shares = _OWN_SHARES.get(function, shares)
            if any(shares):
                surfaces.append((output, shares))
            elif function.startswith("throttle"):
                motors.append(output)
    found = _surface_commands(raw, surfaces)
    if motors:
        time = raw[output_name(motors[0].port, motors[0].channel)].time_s
        found["throttle_cmd"] = Channel(time, _mean([_throttle(raw, motor, time) for motor in motors]))
    return found


def unmapped_outputs(raw: Mapping[str, Channel], card: AirframeCard) -> tuple[Note, ...]:
    """A note of the outputs that the card does not mention; none when it mentions all."""
    known = {output_name(o.port, o.channel) for outputs in card.outputs.values() for o in outputs}
    lost = [name for name in raw if name not in known]
    return (Note("outputs_unmapped", {"channels": ", ".join(lost)}),) if lost else ()


def _surface_commands(
    raw: Mapping[str, Channel], surfaces: list[tuple[Output, tuple[float, float, float]]]
) -> dict[str, Channel]:
    if not surfaces:
        return {}
    shares = np.asarray([share for _, share in surfaces])
    solve = np.linalg.pinv(shares)
    # A single elevon tells pitch and roll apart only if something else gives one of them.
    determined = np.abs(solve @ shares - np.eye(3)).max(axis=1) < _DETERMINED
    found: dict[str, Channel] = {}
    for axis, name in enumerate(_AXES):
        involved = [k for k in range(len(surfaces)) if abs(solve[axis, k]) > _DETERMINED]
        if not determined[axis] or not involved:
            continue
        first = surfaces[involved[0]][0]
        time = raw[output_name(first.port, first.channel)].time_s
        total = np.zeros(time.size)
        for k in involved:
            total += solve[axis, k] * _deflection(raw, surfaces[k][0], time)
        found[name] = Channel(time, total)
    return found


def _pulse(raw: Mapping[str, Channel], output: Output, time_s: FloatArray) -> FloatArray:
    """Pulse lengths at the wanted times, NaN for no signal."""
    channel = raw[output_name(output.port, output.channel)]
    pulse = np.where(channel.value > 0.0, channel.value, np.nan)
    if channel.time_s is time_s or np.array_equal(channel.time_s, time_s):
        return pulse
    # Another bank of outputs has its own time base. A servo signal holds until the next one.
    last = np.searchsorted(channel.time_s, time_s, side="right") - 1
    return np.where(last < 0, np.nan, pulse[np.maximum(last, 0)])


def _deflection(raw: Mapping[str, Channel], output: Output, time_s: FloatArray) -> FloatArray:
    """Position between the ends, -1..1, zero at neutral, the two sides scaled apart."""
    off = _pulse(raw, output, time_s) - output.neutral_us
    up, down = output.high_us - output.neutral_us, output.neutral_us - output.low_us
    sign = -1.0 if output.reversed else 1.0
    return off * np.where(off >= 0.0, sign / up, sign / down)


def _throttle(raw: Mapping[str, Channel], output: Output, time_s: FloatArray) -> FloatArray:
    share = (_pulse(raw, output, time_s) - output.low_us) / (output.high_us - output.low_us)
    if output.reversed:
        share = 1.0 - share
    return np.clip(share, 0.0, 1.0)


def _mean(parts: list[FloatArray]) -> FloatArray:
    """Mean of those that have a signal, NaN where none has."""
    stacked: NDArray[np.float64] = np.stack(parts)
    there = np.isfinite(stacked)
    total, count = np.where(there, stacked, 0.0).sum(axis=0), there.sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
