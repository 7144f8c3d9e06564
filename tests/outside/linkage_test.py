"""The play operator against its describing function, and a gap found from a driven backlash model.

- Gain and phase of backlash (friction-held output) for an input A sin wt, half-gap b, r = b / A: Gelb and
  Vander Velde, *Multiple-Input Describing Functions*, 1968, appendix B; Slotine and Li, ch. 5 (from memory).
  Re N = [pi/2 + asin(1 - 2r) + 2 (1 - 2r) sqrt(r (1 - r))] / pi, Im N = -4 r (1 - r) / pi.
- python-control 0.10: `friction_backlash_nonlinearity(b)` takes the *total* gap b.
"""

from __future__ import annotations

import control
import numpy as np
import pytest

from trimkeep.detectors.numerics.play import lagged, play
from trimkeep.detectors.numerics.play_fit import fit_play
from trimkeep.detectors.numerics.play_likelihood import Record

# r = half-gap over amplitude, then real and imaginary part; recomputed from the closed form.
BACKLASH = (
    (0.05, 0.9813, -0.0605),
    (0.10, 0.9480, -0.1146),
    (0.20, 0.8576, -0.2037),
    (0.30, 0.7477, -0.2674),
    (0.40, 0.6265, -0.3056),
    (0.50, 0.5000, -0.3183),
    (0.60, 0.3735, -0.3056),
    (0.70, 0.2523, -0.2674),
    (0.80, 0.1424, -0.2037),
    (0.90, 0.0520, -0.1146),
    (0.95, 0.0187, -0.0605),
)
STEPS = 4000


def first_harmonic(half_gap: float) -> complex:
    """Output over input at the input's frequency, for a sine of amplitude 1, once it has settled."""
    phase = 2.0 * np.pi * np.arange(3 * STEPS) / STEPS
    settled = slice(2 * STEPS, 3 * STEPS)
    out = play(np.sin(phase), np.array(half_gap))[settled]
    return complex(2.0j * np.mean(out * np.exp(-1j * phase[settled])))


@pytest.mark.parametrize(("ratio", "real", "imaginary"), BACKLASH)
def test_gain_and_phase_are_those_of_the_table(ratio: float, real: float, imaginary: float) -> None:
    found = first_harmonic(ratio)
    # 4000 steps in a turn blunt the corners by less than the table's last digit.
    assert found.real == pytest.approx(real, abs=2e-4)
    assert found.imag == pytest.approx(imaginary, abs=2e-4)


@pytest.mark.parametrize("ratio", [0.1, 0.5, 0.8])
def test_the_half_gap_is_half_of_the_librarys_total(ratio: float) -> None:
    [theirs] = control.describing_function(control.friction_backlash_nonlinearity(2.0 * ratio), [1.0])
    # The library integrates 50 points in a turn by default.
    assert first_harmonic(ratio) == pytest.approx(theirs, abs=0.01)
    [doubled] = control.describing_function(control.friction_backlash_nonlinearity(ratio), [1.0])
    assert abs(first_harmonic(ratio) - doubled) > 0.05


def test_the_scan_is_the_plain_recursion() -> None:
    command = 0.05 * np.cumsum(np.random.default_rng(3).standard_normal(3000))
    widths = np.array([0.0, 0.01, 0.1, 0.7])
    together = play(command[None, :], widths)
    for row, width in enumerate(widths):
        surface, plain = command[0], []
        for now in command:
            surface = min(max(surface, now - width), now + width)
            plain.append(surface)
        assert together[row] == pytest.approx(np.array(plain), abs=1e-12)


@pytest.mark.parametrize("ratio", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_the_total_gap_of_a_driven_backlash_is_found_within_5_percent(ratio: float) -> None:
    """Two sines that sum to the amplitude now and then, a servo of 0.05 s, the library's backlash, a roll
    mode of 0.2 s. Two, because gain and phase at one frequency say no more than a linear filter does."""
    rate_hz, amplitude = 25.0, 0.2
    time_s = np.arange(int(240.0 * rate_hz)) / rate_hz
    tones = 0.6 * np.sin(2.0 * np.pi * 0.4 * time_s) + 0.4 * np.sin(2.0 * np.pi * 1.13 * time_s)
    command = amplitude * tones
    servo = lagged(command, 0.05, rate_hz)
    backlash = control.friction_backlash_nonlinearity(2.0 * ratio * amplitude)
    surface = np.array([backlash(one) for one in servo])
    rate, rates = 0.0, []
    noise = np.random.default_rng(9).standard_normal(time_s.size)
    for moved, pushed in zip(surface, noise, strict=True):
        rates.append(rate)  # what the surface does now shows one step later
        rate += (200.0 * moved - rate) / (0.2 * rate_hz) + 0.3 * pushed
    fit = fit_play([Record(command, np.array(rates), np.ones(time_s.size))], rate_hz)
    assert fit is not None
    # A gap in command units (-1 to 1) is the total gap over full travel.
    assert fit.gap == pytest.approx(ratio * amplitude, rel=0.05)
