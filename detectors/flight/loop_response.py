"""How attitude and body rates follow what is asked for: gain, delay, bandwidth, resonance, damping.

The response is measured where the demand moves, in every phase of flight: straight and level there is
nothing to follow but what gusts make the outer loops ask for, and that says what feeds back, not what the
loop does. The rate loops' demand is fed back from the attitude itself, so the attitude that was asked for
serves them as instrument.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from trimkeep.config.channels import HELD_ALTITUDE_MODES
from trimkeep.detectors.flight.limits import configured_limit
from trimkeep.detectors.model import (
    Channel,
    DetectorSpec,
    Flight,
    FloatArray,
    Metric,
    NotMeasured,
    Observation,
    Reason,
    Window,
)
from trimkeep.detectors.numerics.loop_spectra import (
    Figure,
    Loop,
    LoopSpectrum,
    fit_loop,
    loop_spectrum,
)
from trimkeep.detectors.numerics.resample import known_samples
from trimkeep.detectors.numerics.runs import BoolArray
from trimkeep.detectors.numerics.spectra import without_line
from trimkeep.detectors.numerics.stretches import UNKNOWN_MODE, joined

ASSISTED = HELD_ALTITUDE_MODES | {"attitude", "takeoff", "land"}
"""Modes in which the autopilot closes the attitude loop."""
CONTEXTS = (("assisted", ASSISTED), ("flight", UNKNOWN_MODE))
MOST_WINDOWS = 40
"""Of the liveliest: more would cost time and add little that moves."""
MOST_RATE_HZ = 100.0
USED_SHARE = 0.4
"""Of the sample rate: what lies nearer to half of it is blunted by the joins between samples."""
LIMITED = {"pitch": "pitch", "bank": "roll"}
"""Attitude to the body rate whose limit bounds it."""
AT_LIMIT = 0.97
LONGEST_AT_LIMIT_S = 0.1
QUICKEST = 0.8
"""Delay in samples below which a loop is folded back by them and only looks like one that is seen."""
SLOWER = 1.5
GAP_STEPS = 4.0
FEWEST_WINDOWS = 4
LOOK_HZ = 4.0
LEAST_MOVE = 1.0
"""Spread of a reference, deg or deg/s, below which nothing was asked for: what gusts make of it."""
UPSIDE_DOWN_DEG = 150.0
"""Beyond it bank may jump by a full turn between two samples."""
SURE = 0.15
"""Standard error over value up to which a delay or a bandwidth is told: a third of a clear change."""
SURE_SHAPE = 0.25
BEYOND = 1.2
"""How far past the last frequency that is seen the fitted loop is believed."""
FURTHEST = (
    Reason.MISSING_CHANNEL,
    Reason.MODE_ABSENT,
    Reason.TOO_SHORT,
    Reason.RATE_TOO_LOW,
    Reason.UNDEFINED,
    Reason.NO_EXCITATION,
)
"""From the first thing that a loop may lack to the last."""
LIKE_A_LOOP = (0.4, 1.8)
"""Steady gains outside are no loop that follows its demand, but a ratio of two unrelated channels."""


@dataclass(frozen=True, slots=True)
class Axis:
    """One loop: what is asked for, what comes, what shall be the instrument, and its window."""

    name: str
    demand: str
    answer: str
    reference: str
    window_s: float
    least_spread: float
    """Windows whose reference moves by less than this share of the liveliest are left out."""


AXES = (
    Axis("pitch", "pitch_target_deg", "pitch_deg", "pitch_target_deg", 16.0, 0.15),
    Axis("bank", "bank_target_deg", "bank_deg", "bank_target_deg", 16.0, 0.15),
    Axis("pitch_rate", "pitch_rate_target_dps", "pitch_rate_dps", "pitch_target_deg", 8.0, 0.3),
    Axis("roll_rate", "roll_rate_target_dps", "roll_rate_dps", "bank_target_deg", 8.0, 0.3),
)
ATTITUDE_WHY = (
    "about a quarter of a usual 0.4 s and 0.45 Hz: what a pilot begins to feel, and more than one flight's "
    "gusts move the figure"
)
DELAY_WHY = "a third of the 0.1 s that separate good from poor in the handling rules (from memory)"
BANDWIDTH_WHY = (
    "a sixth of a usual 3 Hz: a servo of another make moves it by as much (common practice, no source)"
)


def _metrics(
    axis: str, title: str, delay: tuple[float, str], bandwidth: tuple[float, str]
) -> tuple[Metric, ...]:
    shape = "context: the shape of the answer, which tells one cause from another; not judged"
    return (
        Metric(f"{axis}_delay_s", f"{title}, delay behind the demand", "s", "lower", *delay),
        Metric(f"{axis}_bandwidth_hz", f"{title}, bandwidth", "Hz", "higher", *bandwidth),
        Metric(
            f"{axis}_resonance_peak",
            f"{title}, largest over steady answer",
            "",
            "lower",
            0.2,
            "from 1.3 to 1.5 is the usual step from well damped to nervous (common practice, no source)",
        ),
        Metric(f"{axis}_response_gain", f"{title}, steady answer over demand", "", "none", 0.1, shape),
        Metric(
            f"{axis}_response_damping",
            f"{title}, damping ratio of the answer",
            "",
            "none",
            0.1,
            shape,
            "linear",
        ),
        Metric(f"{axis}_response_hz", f"{title}, natural frequency of the answer", "Hz", "none", 0.1, shape),
    )


SPEC = DetectorSpec(
    id="loop_response",
    version=2,
    title="Response of attitude and rates to their demand",
    family="loop_response",
    metrics=(
        *_metrics("pitch", "Pitch", (0.1, ATTITUDE_WHY), (0.1, ATTITUDE_WHY)),
        *_metrics("bank", "Bank", (0.1, ATTITUDE_WHY), (0.1, ATTITUDE_WHY)),
        *_metrics("pitch_rate", "Pitch rate", (0.03, DELAY_WHY), (0.5, BANDWIDTH_WHY)),
        *_metrics("roll_rate", "Roll rate", (0.03, DELAY_WHY), (0.5, BANDWIDTH_WHY)),
    ),
    needs_any=(
        frozenset(axis.demand for axis in AXES),
        frozenset(axis.answer for axis in AXES),
    ),
    min_rate_hz=2.0,
    min_seconds=40.0,
    evidence=(
        "pitch_target_deg",
        "pitch_deg",
        "bank_target_deg",
        "bank_deg",
        "pitch_rate_target_dps",
        "pitch_rate_dps",
        "roll_rate_target_dps",
        "roll_rate_dps",
    ),
    measures="How pitch, bank, pitch rate and roll rate follow their demand with the autopilot flying "
    "(context assisted; flight where modes are not named): delay, bandwidth, resonance, steady gain, and "
    "damping and natural frequency of the second-order loop that answers alike.",
    formula="Response = averaged cross-spectrum of reference and answer over that of reference and demand, "
    "Hann windows of 16 s (attitude) and 8 s (rates), half overlapped, the 40 in which the reference moves "
    "most (for an attitude, without those whose rate demand stands at its limit). Reference: the attitude "
    "demand (for a rate the attitude's own, where logged: its rate demand is fed back). "
    "Fitted: K exp(-s T) / (1 + 2 zeta s / w + (s / w)^2), with a zero where that is worth three "
    "standard errors, each frequency weighted by its coherence, from 0.3 up. Delay: phase lag over angular "
    "frequency at half the bandwidth. Bandwidth: 0.707 of the steady gain. Standard errors from the "
    "coherence (Bendat and Piersol), widened by the misfit.",
    source="Bendat and Piersol, Random Data, ch. 6 and 9; instrument against feedback: Soderstrom and "
    "Stoica, System Identification, ch. 8 and 10. Bandwidth by 3 dB as control libraries have it.",
    cannot_tell="Nothing where the demand does not move (straight legs alone), and little in strong gusts: "
    "figures whose standard error passes 15 % are left out. Nothing above 0.4 of the slower log rate: rate "
    "loops need some 10 Hz. Where the rate demand is not logged, a turn faster than the rate limit allows "
    "lengthens the delay. A clock of one message that runs late counts as delay. Yaw rate is not looked at: "
    "it follows from bank.",
)


@dataclass(frozen=True, slots=True)
class Cut:
    """Windows of one loop's channels on even steps.

    Parameters
    ----------
    reference, demand, answer : ndarray, shape (windows, n)
    rate_hz : float
    windows : tuple of (start_s, end_s)
    """

    reference: FloatArray
    demand: FloatArray
    answer: FloatArray
    rate_hz: float
    windows: tuple[Window, ...]

    @property
    def seconds(self) -> float:
        """Data behind it; what two windows share counts once."""
        ends = np.array([end for _, end in self.windows])
        starts = np.array([start for start, _ in self.windows])
        shared = np.clip(ends[:-1] - starts[1:], 0.0, None).sum()
        return float((ends - starts).sum() - shared)


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Responses of one flight; see `SPEC`."""
    said: list[Observation] = []
    lacks: list[tuple[str, NotMeasured]] = []
    for axis in AXES:
        lacking = [name for name in (axis.demand, axis.answer) if not flight.has(name)]
        if lacking:
            lacks.append((axis.name, NotMeasured(Reason.MISSING_CHANNEL, ", ".join(lacking))))
            continue
        for context, modes in CONTEXTS:
            found = _measured(flight, axis, context, modes)
            if isinstance(found, NotMeasured):
                lacks.append((axis.name, found))
            else:
                said += found
    return said or _why(lacks)


def _why(lacks: list[tuple[str, NotMeasured]]) -> NotMeasured:
    """One reason for the flight: that of the loop that came furthest, and what each one lacked."""
    furthest = max((one.reason for _, one in lacks), key=FURTHEST.index)
    return NotMeasured(furthest, "; ".join(f"{name}: {one.detail}" for name, one in lacks))


def _measured(
    flight: Flight, axis: Axis, context: str, modes: frozenset[str]
) -> list[Observation] | NotMeasured:
    stretches = joined(flight, lambda segment: segment.mode in modes and segment.phase != "ground")
    if not stretches:
        return NotMeasured(Reason.MODE_ABSENT, "attitude not held by the autopilot")
    cut = _cut(flight, axis, stretches)
    if isinstance(cut, NotMeasured):
        return cut
    top_hz = USED_SHARE * cut.rate_hz
    seen = loop_spectrum(cut.reference, cut.demand, cut.answer, cut.rate_hz, top_hz)
    if seen is None:
        return NotMeasured(Reason.NO_EXCITATION, "coherence of demand and answer too low")
    loop = fit_loop(seen)
    if loop is None or not LIKE_A_LOOP[0] < loop.gain.value < LIKE_A_LOOP[1]:
        return NotMeasured(Reason.UNDEFINED, "the answer is not that of a loop")
    if loop.delay_s.value < QUICKEST / cut.rate_hz or loop.bandwidth_hz.value > BEYOND * top_hz:
        return NotMeasured(Reason.RATE_TOO_LOW, f"logged at {cut.rate_hz:.1f} Hz")
    said = [
        Observation(f"{axis.name}_{metric}", context, one.value, one.error, cut.seconds, cut.windows)
        for metric, one in _told(loop, seen)
    ]
    return said or NotMeasured(Reason.NO_EXCITATION, "demand too weak against gusts for a figure within 15 %")


def _told(loop: Loop, seen: LoopSpectrum) -> Iterator[tuple[str, Figure]]:
    """The figures that are known well enough."""
    low_hz, top_hz = float(seen.frequency_hz[0]), float(seen.frequency_hz[-1])
    bandwidth = loop.bandwidth_hz
    # The steady answer must have been seen below the bandwidth, or nothing says what it is.
    if low_hz > 0.7 * bandwidth.value or not _known(loop.gain, SURE):
        return
    if _known(loop.delay_s, SURE) and 0.5 * bandwidth.value <= top_hz:
        yield "delay_s", loop.delay_s
        yield "response_gain", loop.gain
    if not _known(bandwidth, SURE) or bandwidth.value > BEYOND * top_hz:
        return
    yield "bandwidth_hz", bandwidth
    if _known(loop.peak, SURE):
        yield "resonance_peak", loop.peak
    second_order = _known(loop.damping, SURE_SHAPE) and _known(loop.natural_hz, SURE_SHAPE)
    if second_order and loop.damping.value < 1.0 and loop.natural_hz.value <= BEYOND * top_hz:
        yield "response_damping", loop.damping
        yield "response_hz", loop.natural_hz


def _known(figure: Figure, sure: float) -> bool:
    return figure.value > 0.0 and figure.error <= sure * figure.value


def _cut(flight: Flight, axis: Axis, stretches: list[Window]) -> Cut | NotMeasured:
    """The liveliest windows without a gap."""
    demand, answer = (known_samples(flight.channel(name)) for name in (axis.demand, axis.answer))
    reference = demand
    if axis.reference != axis.demand and flight.has(axis.reference):
        reference = known_samples(flight.channel(axis.reference))
    channels = (reference, demand, answer)
    if min(one.time_s.size for one in channels) < 2:
        return NotMeasured(Reason.MISSING_CHANNEL, f"{axis.demand} or {axis.answer} holds nothing")
    steps = [_usual_step(one) for one in channels]
    rate_hz = min(1.0 / max(steps), MOST_RATE_HZ)
    starts = _starts(stretches, axis.window_s)
    for channel, step_s in zip(channels, steps, strict=True):
        starts = starts[_gapless(channel, step_s, starts, axis.window_s)]
    if starts.size < FEWEST_WINDOWS:
        return NotMeasured(Reason.TOO_SHORT, f"fewer than {FEWEST_WINDOWS} windows of {axis.window_s:g} s")
    starts = _liveliest(reference, starts[_within_limit(flight, axis, starts)], axis)
    if starts.size < FEWEST_WINDOWS:
        return NotMeasured(
            Reason.NO_EXCITATION, "the demand hardly moves, or asks for more than the rate limit"
        )
    # What is sampled oftener is first taken at the slower one's own times, so that straight joins
    # blunt both alike and the ratio stays.
    slowest = channels[int(np.argmax(steps))]
    at_s = starts[:, None] + np.arange(int(axis.window_s * rate_hz)) / rate_hz
    thinned = (_thinned(one, step, slowest, max(steps)) for one, step in zip(channels, steps, strict=True))
    referred, asked, came = (np.interp(at_s, one.time_s, one.value) for one in thinned)
    windows = tuple((float(start), float(start + axis.window_s)) for start in starts)
    return Cut(referred, asked, came, rate_hz, windows)


def _usual_step(channel: Channel) -> float:
    """Median step of a sample of the steps, seconds."""
    return channel.of_times.get("median_step", lambda: _median_step(channel.time_s))


def _median_step(time_s: FloatArray) -> float:
    every = max((time_s.size - 1) // 1000, 1)
    return max(float(np.median(time_s[1::every] - time_s[:-1:every])), 1e-4)


def _thinned(channel: Channel, step_s: float, slowest: Channel, slowest_step_s: float) -> Channel:
    if step_s * SLOWER > slowest_step_s:
        return channel
    return Channel(slowest.time_s, np.interp(slowest.time_s, channel.time_s, channel.value))


def _starts(stretches: list[Window], window_s: float) -> FloatArray:
    """Starts of half-overlapped windows inside the stretches, the last one at each stretch's end."""
    starts = [
        np.append(np.arange(start, end - window_s, 0.5 * window_s), end - window_s)
        for start, end in stretches
        if end - start >= window_s
    ]
    return np.concatenate(starts) if starts else np.zeros(0)


def _gapless(channel: Channel, step_s: float, starts: FloatArray, window_s: float) -> BoolArray:
    """True for the windows in which the channel has no gap."""
    gaps = channel.of_times.get(
        ("long_steps", step_s), lambda: np.flatnonzero(np.diff(channel.time_s) > GAP_STEPS * step_s)
    )
    before = np.concatenate(([-np.inf], channel.time_s[gaps], [channel.time_s[-1] + step_s]))
    after = np.concatenate(([channel.time_s[0] - step_s], channel.time_s[gaps + 1], [np.inf]))
    begun = np.searchsorted(before, starts + window_s)
    over = np.searchsorted(after, starts, side="right")
    return begun <= over


def _within_limit(flight: Flight, axis: Axis, starts: FloatArray) -> BoolArray:
    """True for the windows of an attitude in which its rate demand stays below the limit; else it lags."""
    body = LIMITED.get(axis.name)
    if body is None or not flight.has(f"{body}_rate_target_dps"):
        return np.ones(starts.shape, dtype=np.bool_)
    limit = configured_limit(flight, body)
    asked = known_samples(flight.channel(f"{body}_rate_target_dps"))
    if limit is None or asked.time_s.size < 2:
        return np.ones(starts.shape, dtype=np.bool_)
    full_s = asked.time_s[np.abs(asked.value) >= AT_LIMIT * limit]
    count = np.searchsorted(full_s, starts + axis.window_s) - np.searchsorted(full_s, starts)
    return count * _usual_step(asked) <= LONGEST_AT_LIMIT_S


def _liveliest(reference: Channel, starts: FloatArray, axis: Axis) -> FloatArray:
    """The windows in which the reference moves most, in order of time; empty where it hardly moves."""
    if not starts.size:
        return starts
    at_s = starts[:, None] + np.arange(int(axis.window_s * LOOK_HZ)) / LOOK_HZ
    value = np.interp(at_s, reference.time_s, reference.value)
    spread = without_line(value).std(axis=-1)
    upright = np.abs(value).max(axis=-1) < UPSIDE_DOWN_DEG if axis.name == "bank" else spread >= 0.0
    spread = np.where(upright, spread, 0.0)
    lively = np.flatnonzero(spread >= max(axis.least_spread * float(spread.max()), LEAST_MOVE))
    best = lively[np.argsort(-spread[lively], kind="stable")[:MOST_WINDOWS]]
    return starts[np.sort(best)]
