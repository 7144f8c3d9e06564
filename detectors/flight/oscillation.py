"""Sustained oscillation in pitch and bank: how large, how slow, how damped, and what drives it.

In straight level flight only. The amplitude is that of the strongest octave between 2 and 20 s, so
it is defined with and without a clear peak. A steady envelope speaks for a limit cycle (play,
stiction, a loop at its limit), a Rayleigh envelope for a mode that gusts drive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

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
from trimkeep.detectors.numerics.modes import (
    LEAST_DAMPING,
    OCTAVE,
    Envelope,
    Mode,
    Octave,
    envelope,
    fit_mode,
    strongest_octave,
)
from trimkeep.detectors.numerics.pieces import Piece, uniform_pieces
from trimkeep.detectors.numerics.spectra import Spectrum, averaged_spectrum, band_variance
from trimkeep.detectors.numerics.steady_cycle import MOST_PERIODS, steady_cycle_evidence
from trimkeep.detectors.numerics.stretches import STRAIGHT_CONTEXTS, stretches
from trimkeep.detectors.numerics.undisturbed import ALTITUDE_TARGET, undisturbed

SHORTEST_PERIOD_S = 2.0
LONGEST_PERIOD_S = 20.0
PERIODS_IN_PIECE = 3.0
"""A piece shows a period when it holds three of them (14 CFR 60 asks for three full cycles)."""
SAMPLES_IN_PERIOD = 5.0
"""Twice 2.5 samples: half of the amplitude is lost between two samples below that."""
WINDOW_S = 64.0
WORK_RATE_HZ = 10.0
SETTLE_S = 5.0
MIN_SECONDS = 40.0
CLEAR_PEAK = 3.0
"""Density of the mode over the background above which its damping is told."""
SMALLEST_CYCLE_DEG = 0.2
"""About the 3 mils of MIL-F-8785C 3.2.2.1.3 (from memory): below it a cycle is neither seen nor felt."""


def _metrics(axis: str, amplitude_matters: float, why: str) -> tuple[Metric, ...]:
    name = axis.capitalize()
    return (
        Metric(
            f"{axis}_oscillation_amplitude_deg",
            f"{name} oscillation, amplitude",
            unit="deg",
            better="lower",
            matters=amplitude_matters,
            matters_why=why,
        ),
        Metric(
            f"{axis}_oscillation_period_s",
            f"{name} oscillation, period",
            unit="s",
            better="none",
            matters=0.5,
            matters_why="context: tells one cause of an oscillation from another; not judged",
        ),
        Metric(
            f"{axis}_oscillation_share",
            f"{name} oscillation, share of the variance between 2 and 20 s",
            unit="",
            better="none",
            matters=0.2,
            matters_why="context: how far one oscillation dominates; not judged",
            scale="linear",
        ),
        Metric(
            f"{axis}_damping_ratio",
            f"{name} damping ratio",
            unit="",
            better="higher",
            matters=0.1,
            matters_why="0.35 to 0.25 is one level of the flying-qualities tables (from memory)",
            scale="linear",
        ),
        Metric(
            f"{axis}_envelope_cv",
            f"{name} envelope, scatter over mean",
            unit="",
            better="none",
            matters=0.1,
            matters_why="context: 0 steady cycle, 0.52 gust-driven; not judged",
            scale="linear",
        ),
        Metric(
            f"{axis}_limit_cycle_likelihood",
            f"{name} oscillation is a limit cycle, likelihood",
            unit="",
            better="lower",
            matters=0.3,
            matters_why="from doubtful to likely; below that the word would not change",
            scale="linear",
            attention=0.9,  # nine times in ten it is one
        ),
        Metric(
            f"{axis}_assisted_excess_deg",
            f"{name} oscillation, altitude held minus pilot-flown",
            unit="deg",
            better="lower",
            matters=amplitude_matters,
            matters_why=why,
            scale="linear",
        ),
    )


SPEC = DetectorSpec(
    id="oscillation",
    version=3,
    title="Oscillation in pitch and bank",
    family="oscillation",
    metrics=(
        *_metrics(
            "pitch",
            0.3,
            "0.3 deg swings the flight path of a 20 m/s aeroplane by 0.1 m/s: the least that is seen "
            "from the ground and about twice the residual allowed by MIL-F-8785C (from memory)",
        ),
        *_metrics(
            "bank",
            0.6,
            "0.6 deg moves a camera's centre by 1 m from 100 m height, a usual ground sample of surveys",
        ),
    ),
    needs=frozenset({"pitch_deg"}),
    uses=frozenset({"bank_deg", ALTITUDE_TARGET}),
    min_rate_hz=1.0,
    min_seconds=MIN_SECONDS,
    evidence=("pitch_deg", "pitch_target_deg", "bank_deg", "elevator_cmd", "altitude_m"),
    measures=(
        "Amplitude, period and damping of the strongest oscillation between 2 and 20 s in straight level "
        "flight, how steady it is, and how much of it is absent when the pilot flies"
    ),
    formula=(
        "Averaged Hann periodograms of 64 s over stretches of straight level flight, never across gaps, "
        "without the 5 s after a change of mode and the 10 s after a new altitude was asked for (0.5 m or "
        "more). "
        "Amplitude = sqrt(2 x variance in the octave with the most variance). Damping and frequency: "
        "second-order mode plus background fitted to the spectrum by Whittle's likelihood. Envelope: "
        "modulus of the analytic signal of that octave. Likelihood of a limit cycle: Bayes' factor, at even "
        "odds before, of mode, wander or second mode, noise and a steady sine at least about as strong as "
        "the mode against the same without it, over whole stretches of straight level flight (their parts "
        f"of at most {MOST_PERIODS} periods), all their parameters averaged over a grid"
    ),
    source=(
        "Welch 1967; Whittle 1953; Rice 1945 (Rayleigh envelope, 0.5227); Van Trees 1968, section 4.4 (sine "
        "of unknown phase in coloured noise); Kass and Raftery 1995; 14 CFR 60 appendix A for "
        "how close a period and a damping ratio must be"
    ),
    cannot_tell=(
        "A period below five samples of the attitude, or longer than a third of the longest straight "
        "stretch. Which part causes a limit cycle. A cycle weaker than the swing that gusts drive, "
        "in few minutes: the likelihood then stays low or near one half. Hard to tell from a cycle: a mode "
        "with a damping ratio below 0.08"
    ),
)


@dataclass(frozen=True, slots=True)
class _Swing:
    """What one axis does in one context."""

    octave: Octave
    spectrum: Spectrum
    amplitude_deg: float
    amplitude_error_deg: float
    envelope: Envelope | None
    cycle_evidence: float | None
    mode: Mode | None
    windows: tuple[Window, ...]


def observe(flight: Flight) -> list[Observation] | NotMeasured:
    """Amplitude, period, damping and steadiness per axis and context."""
    observations: list[Observation] = []
    longest = 0.0
    for axis in ("pitch", "bank"):
        if not flight.has(f"{axis}_deg"):
            continue
        swings: dict[str, _Swing] = {}
        for context, modes in STRAIGHT_CONTEXTS.items():
            windows = undisturbed(flight, stretches(flight, modes, settle_s=SETTLE_S))
            longest = max([longest, *(end - start for start, end in windows)])
            swing = _swing(flight.channel(f"{axis}_deg"), windows)
            if swing is not None:
                swings[context] = swing
                observations += _told(axis, context, swing)
        observations += _compared(axis, swings)
    if observations:
        return observations
    if longest == 0.0:
        return NotMeasured(Reason.MODE_ABSENT, "no straight level stretch")
    return NotMeasured(Reason.TOO_SHORT, f"longest straight level stretch {longest:.0f} s")


def _swing(channel: Channel, windows: Sequence[Window]) -> _Swing | None:
    rate_hz = min(channel.rate_hz, WORK_RATE_HZ)
    if rate_hz <= 0.0:
        return None
    shortest_s = max(SHORTEST_PERIOD_S, SAMPLES_IN_PERIOD / rate_hz)
    pieces = uniform_pieces([channel], windows, rate_hz, PERIODS_IN_PIECE * OCTAVE * shortest_s)
    if not pieces:
        return None
    longest_s = _longest_period([piece.seconds for piece in pieces])
    if longest_s < OCTAVE * shortest_s:
        return None
    pieces = tuple(piece for piece in pieces if piece.seconds >= OCTAVE * longest_s)
    spectrum = averaged_spectrum([p.values for p in pieces], rate_hz, WINDOW_S, OCTAVE * longest_s)
    if spectrum is None:
        return None
    octave = strongest_octave(spectrum, 1.0 / longest_s, 1.0 / shortest_s)
    if octave is None:
        return None
    return _measured(pieces, spectrum, octave, 1.0 / longest_s, 1.0 / shortest_s)


def _longest_period(lengths_s: Sequence[float]) -> float:
    """Longest period that enough of the flight can show, seconds; 0 when there is too little of it.

    One piece must hold three of it, every piece that is used two.
    """
    bound = min(LONGEST_PERIOD_S, max(lengths_s) / PERIODS_IN_PIECE)
    for longest_s in (bound, *sorted((one / OCTAVE for one in lengths_s), reverse=True)):
        used = [one for one in lengths_s if one >= OCTAVE * longest_s]
        if longest_s <= bound and sum(used) >= MIN_SECONDS:
            return longest_s
    return 0.0


def _measured(
    pieces: tuple[Piece, ...], spectrum: Spectrum, octave: Octave, low_hz: float, high_hz: float
) -> _Swing:
    signals: list[FloatArray] = [piece.values[0] for piece in pieces]
    steadiness = envelope(signals, pieces[0].rate_hz, octave.low_hz, octave.high_hz)
    amplitude = float(np.sqrt(2.0 * octave.variance))
    # Variance of a mean square over bandwidth x time independent samples (Bendat & Piersol 8.3.2);
    # a steady cycle has no such scatter, which the envelope shows.
    power_cv = 1.0 if steadiness is None else steadiness.power_cv
    samples = max(octave.bandwidth_hz * spectrum.seconds, 1.0)
    return _Swing(
        octave=octave,
        spectrum=spectrum,
        amplitude_deg=amplitude,
        amplitude_error_deg=0.5 * amplitude * power_cv / float(np.sqrt(samples)),
        envelope=steadiness,
        cycle_evidence=steady_cycle_evidence(signals, pieces[0].rate_hz, octave.peak_hz),
        mode=fit_mode(spectrum, 0.7 * low_hz, min(1.4 * high_hz, 0.45 * pieces[0].rate_hz), octave.peak_hz),
        windows=tuple(piece.window for piece in pieces),
    )


def _told(axis: str, context: str, swing: _Swing) -> list[Observation]:
    seconds = swing.spectrum.seconds

    def say(metric: str, value: float, error: float | None) -> Observation:
        return Observation(f"{axis}_{metric}", context, float(value), error, seconds, swing.windows)

    said = [
        say("oscillation_amplitude_deg", swing.amplitude_deg, swing.amplitude_error_deg),
        say("oscillation_share", swing.octave.share, None),
    ]
    mode = swing.mode
    if mode is not None and _is_clear(mode, swing):
        period = 1.0 / mode.damped_hz
        said.append(say("oscillation_period_s", period, period * mode.frequency_error_hz / mode.frequency_hz))
        said.append(say("damping_ratio", mode.damping, mode.damping_error))
    else:
        width = swing.spectrum.resolution_hz / swing.octave.peak_hz
        said.append(say("oscillation_period_s", 1.0 / swing.octave.peak_hz, width / swing.octave.peak_hz))
    if swing.envelope is not None and swing.amplitude_deg >= SMALLEST_CYCLE_DEG:
        samples = max(swing.octave.bandwidth_hz * swing.envelope.seconds, 1.0)
        said.append(say("envelope_cv", swing.envelope.cv, swing.envelope.cv / float(np.sqrt(2.0 * samples))))
    if swing.cycle_evidence is not None and swing.amplitude_deg >= SMALLEST_CYCLE_DEG:
        # Before anything is seen, one is as likely as the other.
        said.append(say("limit_cycle_likelihood", float(special.expit(swing.cycle_evidence)), None))
    return said


def _is_clear(mode: Mode, swing: _Swing) -> bool:
    """A mode that stands out, is resonant, decays at all, and lies where the octave's peak is."""
    resonant = 2.0 * LEAST_DAMPING < mode.damping < 1.0 / np.sqrt(2.0)
    near = abs(mode.damped_hz - swing.octave.peak_hz) <= max(
        swing.spectrum.resolution_hz, mode.damping * mode.frequency_hz
    )
    return mode.prominence >= CLEAR_PEAK and resonant and near


def _compared(axis: str, swings: dict[str, _Swing]) -> list[Observation]:
    """Assisted minus pilot-flown amplitude in the assisted flight's own octave."""
    assisted, flown = swings.get("held_level"), swings.get("pilot_flown")
    if assisted is None or flown is None:
        return []
    octave, other = assisted.octave, flown.spectrum
    variance = band_variance(other.frequency_hz, other.power(), octave.low_hz, octave.high_hz)
    calm = float(np.sqrt(2.0 * max(variance, 0.0)))
    relative = flown.amplitude_error_deg / flown.amplitude_deg
    return [
        Observation(
            f"{axis}_assisted_excess_deg",
            "held_level",
            assisted.amplitude_deg - calm,
            float(np.hypot(assisted.amplitude_error_deg, relative * calm)),
            min(assisted.spectrum.seconds, other.seconds),
            assisted.windows + flown.windows,
        )
    ]
