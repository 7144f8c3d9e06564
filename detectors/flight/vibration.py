"""How much the airframe shakes: level per axis, the tone that stands out, and how it goes with the throttle.

An unbalanced propeller, a bent shaft or a loose mount shake the board that the gyros and the
accelerometers sit on; the attitude estimate suffers before anything breaks.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trimkeep.detectors.grid import FlightGrid
from trimkeep.detectors.model import (
    DetectorSpec,
    Flight,
    FloatArray,
    Metric,
    NotMeasured,
    Observation,
    Reason,
    Window,
)
from trimkeep.detectors.numerics.robust import huber_weights
from trimkeep.detectors.numerics.shaking import (
    HIGH_PASS_HZ,
    LOWEST_RATE_HZ,
    Tone,
    shaking_level,
    strongest_tone,
)
from trimkeep.detectors.numerics.stats import effective_samples, pieces_of, quantile_of
from trimkeep.detectors.numerics.stretches import STRAIGHT_CONTEXTS, joined, stretches

RATE_HZ = 1.0
SETTLE_S = 3.0
MIN_PIECE_S = 3.0
MIN_KEPT_S = 15.0
UNDER_POWER = 0.1
"""Less throttle is a glide, in which the propeller turns idly or stands."""
THROTTLE_SPAN = 0.25
"""Between the 10th and the 90th percentile; on less the slope says nothing."""
MIN_THROTTLE_S = 60.0
TONE_RATE_HZ = 200.0
"""Where no shaft speed is logged: half of it, 100 Hz, takes in usual propellers (to 6000/min)."""
SHAFT_SHARE = 0.45
"""Of the sample rate: a shaft below it is seen where it is, above it folds down to another frequency."""
AXES = {"x": "forward", "y": "right", "z": "down"}


def _level_metric(axis: str) -> Metric:
    return Metric(
        f"vibration_{axis}_rms_mps2",
        f"Vibration in level flight under power, {AXES[axis]} axis",
        "m/s2",
        "lower",
        1.0,
        "a tenth of gravity; sound small aeroplanes read 1 to 4, so this is the next one's level or more",
        # As strong as gravity, by which the estimate finds the level (common practice, no source).
        attention=10.0,
    )


SPEC = DetectorSpec(
    id="vibration",
    version=1,
    title="Vibration",
    family="vibration",
    metrics=(
        *(_level_metric(axis) for axis in AXES),
        Metric(
            "vibration_throttle_slope_mps2",
            "Vibration gained from no to full throttle, all axes",
            "m/s2",
            "none",
            2.0,
            "twice the material change of a level, because full throttle is about twice the cruise throttle",
            scale="linear",
        ),
        Metric(
            "vibration_tone_hz",
            "Frequency of the tone that stands out",
            "Hz",
            "none",
            5.0,
            "less is inside the change of shaft speed between two airspeeds",
            scale="linear",
        ),
        Metric(
            "vibration_tone_share",
            "Share of the tone in the vibration",
            "",
            "none",
            0.2,
            "a fifth of the variance decides whether one source or many do the shaking",
            scale="linear",
        ),
    ),
    needs_any=(
        frozenset({f"vibration_{axis}_mps2" for axis in AXES} | {f"accel_{axis}_mps2" for axis in AXES}),
    ),
    uses=frozenset({"throttle_cmd", "motor_1_rpm", "control_mode"}),
    min_seconds=MIN_KEPT_S,
    evidence=("vibration_x_mps2", "vibration_y_mps2", "vibration_z_mps2", "throttle_cmd"),
    measures="Vibration level per axis in level flight under power (contexts held_level, pilot_flown, "
    "mode_unknown), how it rises with the throttle over the whole flight, and the tone that stands out, "
    "where the accelerometer is logged fast enough to tell (context flight).",
    formula=f"Median over seconds of the logged level; where none is logged, of the root mean square of the "
    f"accelerometer above {HIGH_PASS_HZ:g} Hz (4th-order Butterworth, both ways), from {LOWEST_RATE_HZ:g} Hz "
    f"up. Under power: throttle >= {UNDER_POWER:g}. Slope: robust straight line of the root of the summed "
    f"squares of the axes on the throttle, where the throttle spans {THROTTLE_SPAN:g} between its 10th and "
    f"90th percentile. Tone: largest density above {HIGH_PASS_HZ:g} Hz, summed over the axes, if the band "
    "within 5 % of it holds 30 % of the variance; told only where twice the shaft speed is below 0.9 of the "
    f"sample rate, without shaft speed from {TONE_RATE_HZ:g} Hz up.",
    source="High-pass: Oppenheim and Schafer, Discrete-Time Signal Processing, 3rd ed., chapter 7. Levels "
    "and the level that asks for attention: common practice, no source.",
    cannot_tell="Levels of two boards, mounts or sensors do not compare, and levels from an accelerometer "
    "logged at 50 Hz are the share of the shaking that lies below 25 Hz or folds down there, not the whole: "
    "compare an airframe with itself only. A shaft speed near a multiple of the sample rate folds down to "
    "nothing. An airframe that flies faster turns its propeller faster and shakes more.",
)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Vibration of one flight; see `SPEC`."""
    grid = FlightGrid.of(flight, RATE_HZ)
    levels = {axis: level for axis in AXES if (level := _level(grid, axis)) is not None}
    if not levels:
        return NotMeasured(
            Reason.RATE_TOO_LOW,
            f"no vibration level is logged, and no accelerometer at {LOWEST_RATE_HZ:g} Hz or more",
        )
    throttle = grid.get("throttle_cmd")
    power = ~(throttle < UNDER_POWER)  # unknown counts as power
    said: list[Observation] = []
    for context, modes in STRAIGHT_CONTEXTS.items():
        windows = stretches(flight, modes, settle_s=SETTLE_S)
        for axis, level in levels.items():
            said.extend(_median(grid, axis, np.where(power, level, np.nan), context, windows))
    said.extend(_throttle_slope(grid, levels, throttle))
    said.extend(_tone(flight))
    if said:
        return said
    return NotMeasured(
        Reason.TOO_SHORT, f"no {MIN_KEPT_S:g} s of level flight under power with a level that moves"
    )


def _level(grid: FlightGrid, axis: str) -> FloatArray | None:
    """Level of one axis second by second, m/s2; None where nothing tells it."""
    logged = grid.get(f"vibration_{axis}_mps2")
    # A level that never moves is a field that nobody fills.
    if np.isfinite(logged).any() and np.nanmax(logged) > np.nanmin(logged):
        return np.maximum(logged, 0.0)
    name = f"accel_{axis}_mps2"
    if not grid.flight.has(name):
        return None
    return shaking_level(grid.flight.channel(name), grid.time_s)


def _median(
    grid: FlightGrid, axis: str, level: FloatArray, context: str, windows: list[Window]
) -> Iterator[Observation]:
    pieces = grid.pieces(level, windows, MIN_PIECE_S)
    seconds = sum(piece.size for piece in pieces) * grid.step_s
    if seconds >= MIN_KEPT_S:
        found = quantile_of(pieces, 0.5)
        yield Observation(
            f"vibration_{axis}_rms_mps2", context, found.value, found.error, seconds, tuple(windows)
        )


def _throttle_slope(
    grid: FlightGrid, levels: dict[str, FloatArray], throttle: FloatArray
) -> Iterator[Observation]:
    air = grid.inside(joined(grid.flight, lambda segment: segment.phase != "ground"))
    total = np.sqrt(sum(level**2 for level in levels.values()))
    good = air & np.isfinite(total) & np.isfinite(throttle)
    if good.sum() * grid.step_s < MIN_THROTTLE_S:
        return
    low, high = np.percentile(throttle[good], (10.0, 90.0))
    if high - low < THROTTLE_SPAN:
        return
    slope, error = _line(throttle, total, good)
    yield Observation(
        "vibration_throttle_slope_mps2", "flight", slope, error, float(good.sum() * grid.step_s)
    )


def _line(x: FloatArray, y: FloatArray, good: np.ndarray) -> tuple[float, float]:
    """Slope of a robust straight line and its error, the residuals' memory taken into account."""
    weight = np.ones(int(good.sum()))
    matrix = np.column_stack((x[good], np.ones(weight.size)))
    for _ in range(10):  # the weights settle in three or four rounds
        root = np.sqrt(weight)
        line = np.linalg.lstsq(matrix * root[:, None], y[good] * root, rcond=None)[0]
        residual = y[good] - matrix @ line
        weight = huber_weights(residual)
    spaced = np.full(x.shape, np.nan)
    spaced[good] = residual
    memory = residual.size / effective_samples(pieces_of(spaced), 0.0)
    inverse = np.linalg.inv(matrix.T @ (weight[:, None] * matrix))
    return float(line[0]), float(np.sqrt(inverse[0, 0] * np.mean(residual**2) * memory))


def _tone(flight: Flight) -> Iterator[Observation]:
    channels = [flight.channel(name) for axis in AXES if flight.has(name := f"accel_{axis}_mps2")]
    if not channels or channels[0].rate_hz < 0.95 * lowest_tone_rate_hz(flight):
        return
    windows = joined(flight, lambda segment: segment.phase == "level", SETTLE_S)
    tone = strongest_tone(channels, windows)
    if isinstance(tone, Tone):
        yield Observation("vibration_tone_hz", "flight", tone.frequency_hz, tone.error_hz, tone.seconds)
        yield Observation("vibration_tone_share", "flight", tone.share, None, tone.seconds)


def lowest_tone_rate_hz(flight: Flight) -> float:
    """Sample rate from which the tone of the shaft is seen at its own frequency, Hz."""
    shaft_hz = _shaft_hz(flight.channel("motor_1_rpm").value) if flight.has("motor_1_rpm") else 0.0
    return shaft_hz / SHAFT_SHARE if shaft_hz > 0.0 else TONE_RATE_HZ


def _shaft_hz(rpm: FloatArray) -> float:
    known = rpm[np.isfinite(rpm)]
    return float(np.percentile(known, 90.0)) / 60.0 if known.size else 0.0
