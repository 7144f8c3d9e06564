"""Which raw output moves which surface, inferred from what the aeroplane did.

For each output that moves, its deviation is correlated with what would drive or follow each surface:
the attitude error the autopilot works on (or the stick), and the body rate that answers a little
later. Outputs are then assigned so that the sum of the correlations is largest. It is a proposal
for the card, printed with its strength; nothing is measured with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from trimkeep.detectors.model import Channel, FloatArray, Recording, Window

MOVES_US = 4.0
"""An output whose spread stays below this is not used: pulse jitter is 1 to 2 microseconds."""
CONVINCES = 0.35
"""Correlation below which nothing is proposed."""
RATE_LAGS_S = (0.0, 0.1, 0.2, 0.3, 0.4, 0.6)
"""A body rate follows its surface within about half a second on airframes of 1 to 4 m span."""
# Surface: (target, state) pairs whose difference drives it, stick, body rate that answers.
DRIVES: dict[str, tuple[tuple[str, str], str, str]] = {
    "elevator": (("pitch_target_deg", "pitch_deg"), "stick_pitch", "pitch_rate_dps"),
    "aileron": (("bank_target_deg", "bank_deg"), "stick_roll", "roll_rate_dps"),
    "rudder": (("yaw_rate_target_dps", "yaw_rate_dps"), "stick_yaw", "yaw_rate_dps"),
}
THROTTLE_SIGNS = ("battery_current_a", "throttle_cmd", "motor_1_rpm", "stick_throttle")


@dataclass(frozen=True, slots=True)
class OutputEvidence:
    """A proposal: this output moves that surface.

    `correlation` is signed: negative means the output is reversed. `low_us`, `high_us` are the
    extreme pulses seen, `middle_us` the median.
    """

    port: int
    channel: int
    surface: str
    correlation: float
    low_us: float
    middle_us: float
    high_us: float


def output_evidence(recording: Recording, airborne: tuple[Window, ...]) -> tuple[OutputEvidence, ...]:
    """Proposals for the outputs that move in the airborne stretches, by output number.

    Empty when there are no raw outputs or nothing answers them clearly enough.
    """
    outputs = _moving_outputs(recording, airborne)
    if not outputs:
        return ()
    surfaces = ("elevator", "aileron", "rudder", "throttle")
    scores = np.zeros((len(outputs), len(surfaces)))
    for row, channel in enumerate(outputs.values()):
        for column, surface in enumerate(surfaces):
            scores[row, column] = _score(recording, channel, surface)
    return _assigned(outputs, surfaces, scores)


def _moving_outputs(recording: Recording, airborne: tuple[Window, ...]) -> dict[tuple[int, int], Channel]:
    found = {}
    for name, channel in recording.channels.items():
        if not (name.startswith("output_") and name.endswith("_us")) or not airborne:
            continue
        parts = [channel.between(*window) for window in airborne]
        inside = Channel(
            np.concatenate([part.time_s for part in parts]), np.concatenate([part.value for part in parts])
        )
        if inside.value.size >= 20 and np.nanstd(inside.value) >= MOVES_US:
            _, port, number, _ = name.split("_")
            found[int(port), int(number)] = inside
    return dict(sorted(found.items()))


def _assigned(
    outputs: dict[tuple[int, int], Channel], surfaces: tuple[str, ...], scores: FloatArray
) -> tuple[OutputEvidence, ...]:
    rows, columns = linear_sum_assignment(-np.abs(scores))
    proposals = dict(zip(rows.tolist(), columns.tolist(), strict=True))
    # Twin ailerons or a second motor: an output that is left over goes with its best surface.
    for row in range(len(outputs)):
        best = int(np.argmax(np.abs(scores[row])))
        if row not in proposals or abs(scores[row, proposals[row]]) < CONVINCES:
            proposals[row] = best
    found = []
    for row, ((port, number), channel) in enumerate(outputs.items()):
        score = float(scores[row, proposals[row]])
        if abs(score) >= CONVINCES:
            low, middle, high = np.nanpercentile(channel.value, (0, 50, 100))
            found.append(
                OutputEvidence(
                    port, number, surfaces[proposals[row]], score, float(low), float(middle), float(high)
                )
            )
    return tuple(found)


def _score(recording: Recording, output: Channel, surface: str) -> float:
    """Signed correlation of largest size between an output and what belongs to a surface."""
    if surface == "throttle":
        return max(
            (_correlation(recording, output, name, 0.0) for name in THROTTLE_SIGNS), key=abs, default=0.0
        )
    (target, state), stick, rate = DRIVES[surface]
    candidates = [_error_correlation(recording, output, target, state)]
    candidates.append(_correlation(recording, output, stick, 0.0))
    candidates.extend(_correlation(recording, output, rate, lag) for lag in RATE_LAGS_S)
    return max(candidates, key=abs)


def _error_correlation(recording: Recording, output: Channel, target: str, state: str) -> float:
    if target not in recording.channels or state not in recording.channels:
        return 0.0
    wanted = _at(recording.channels[target], output.time_s)
    achieved = _at(recording.channels[state], output.time_s)
    return _signed(output.value, wanted - achieved)


def _correlation(recording: Recording, output: Channel, name: str, lag_s: float) -> float:
    if name not in recording.channels:
        return 0.0
    return _signed(output.value, _at(recording.channels[name], output.time_s + lag_s))


def _at(channel: Channel, time_s: FloatArray) -> FloatArray:
    good = np.isfinite(channel.value)
    if good.sum() < 2:
        return np.full(time_s.shape, np.nan)
    return np.interp(time_s, channel.time_s[good], channel.value[good], left=np.nan, right=np.nan)


def _signed(first: FloatArray, second: FloatArray) -> float:
    good = np.isfinite(first) & np.isfinite(second)
    if good.sum() < 20 or np.std(first[good]) == 0.0 or np.std(second[good]) == 0.0:
        return 0.0
    return float(np.corrcoef(first[good], second[good])[0, 1])
