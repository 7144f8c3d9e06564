"""Loop response against a control library's own frequency response (python-control 0.10).

Each closed loop is put together by the library; its delay (phase lag over angular frequency at half the
bandwidth), bandwidth (0.707 of the steady gain, as `control.bandwidth` has it) and peak are read off
`control.frequency_response`; the answer to a demand as flown is simulated by `control.forced_response`.
Bounds: 10 % for delay and bandwidth, 10 % for damping and frequency of the second-order ones.
"""

from __future__ import annotations

from functools import cache

import control
import numpy as np
import pytest

from tests.builders import held_flight
from trimkeep.detectors.flight.loop_response import observe
from trimkeep.detectors.model import NotMeasured, Observation

RATE_HZ = 50.0
SECONDS = 240.0
S = control.tf("s")


def second_order(w: float, zeta: float) -> control.TransferFunction:
    return control.tf([w * w], [1.0, 2.0 * zeta * w, w * w])


def rate_loop(p: float, i: float) -> control.TransferFunction:
    """Feed-forward and PI about a servo of 0.05 s and a roll mode of 0.15 s."""
    plant = 1 / ((0.05 * S + 1) * (0.15 * S + 1))
    return control.minreal(plant * (1 + p + i / S) / (1 + plant * (p + i / S)), verbose=False)


def attitude_loop(p: float) -> control.TransferFunction:
    """Attitude held by a rate demand, through the rate loop."""
    return control.minreal(control.feedback(p * rate_loop(0.25, 0.6) / S, 1), verbose=False)


# Name, closed loop, dead time (s) and, for the second-order ones, natural frequency (rad/s) and damping.
LOOPS = (
    ("second order, well damped", second_order(4.0, 0.6), 0.06, (4.0, 0.6)),
    ("second order, resonant", second_order(6.0, 0.3), 0.04, (6.0, 0.3)),
    ("second order, slow", second_order(3.0, 0.8), 0.1, (3.0, 0.8)),
    ("second order, quick", second_order(12.0, 0.5), 0.02, (12.0, 0.5)),
    ("attitude through a rate loop", attitude_loop(2.5), 0.02, None),
    ("attitude through a rate loop, nervous", attitude_loop(6.0), 0.02, None),
    ("rate loop with feed-forward", rate_loop(0.25, 0.6), 0.02, None),
)
EACH = pytest.mark.parametrize(("name", "loop", "dead_s", "shape"), LOOPS, ids=[one[0] for one in LOOPS])


def library_figures(loop: control.TransferFunction, dead_s: float) -> tuple[float, float, float]:
    """Delay (s), bandwidth (Hz) and peak, from the library's frequency response."""
    bandwidth = float(control.bandwidth(loop))
    omega = np.geomspace(1e-2, 20.0 * bandwidth, 20_000)
    seen = control.frequency_response(loop, omega)
    phase = np.interp(0.5 * bandwidth, omega, np.unwrap(np.ravel(seen.phase)))
    peak = float(np.ravel(seen.magnitude).max() / abs(loop.dcgain()))
    return dead_s - phase / (0.5 * bandwidth), bandwidth / (2.0 * np.pi), max(1.0, peak)


@cache
def measured(name: str, kind: str, seed: int) -> dict[str, Observation]:
    """What the detector says of four minutes with sensor noise of 0.5 deg."""
    _, loop, dead_s, _ = next(one for one in LOOPS if one[0] == name)
    rng = np.random.default_rng(seed)
    n = int(SECONDS * RATE_HZ)
    if kind == "turns":
        demand = np.repeat(rng.choice([-20.0, 0.0, 20.0], int(SECONDS / 5.0)), int(5.0 * RATE_HZ))
    else:
        # First-order noise, 0.5 s: a hand that corrects all the time.
        demand = np.empty(n)
        value, keep = 0.0, float(np.exp(-1.0 / (0.5 * RATE_HZ)))
        for k, kick in enumerate(rng.standard_normal(n)):
            value = keep * value + kick
            demand[k] = value
    time_s = np.arange(n) / RATE_HZ
    late = np.interp(time_s - dead_s, time_s, demand)
    answer = np.asarray(control.forced_response(loop, time_s, late).outputs)
    answer = answer + 0.5 * rng.standard_normal(n)
    said = observe(held_flight({"pitch_target_deg": demand, "pitch_deg": answer}, RATE_HZ))
    assert not isinstance(said, NotMeasured), said
    return {one.metric: one for one in said}


@pytest.mark.parametrize("kind", ["turns", "corrections"])
@EACH
def test_delay_and_bandwidth_are_the_librarys(
    name: str, loop: control.TransferFunction, dead_s: float, shape: object, kind: str
) -> None:
    delay_s, bandwidth_hz, peak = library_figures(loop, dead_s)
    for seed in (11, 12):
        said = measured(name, kind, seed)
        assert said["pitch_delay_s"].value == pytest.approx(delay_s, rel=0.1)
        assert said["pitch_bandwidth_hz"].value == pytest.approx(bandwidth_hz, rel=0.1)
        # 10 % as for the bandwidth; a peak of a few percent at the lowest frequencies is not resolved.
        assert said["pitch_resonance_peak"].value == pytest.approx(peak, rel=0.1)


@pytest.mark.parametrize("kind", ["turns", "corrections"])
@EACH
def test_damping_and_frequency_of_second_order_loops(
    name: str, loop: object, dead_s: float, shape: tuple[float, float] | None, kind: str
) -> None:
    if shape is None:
        return
    w, zeta = shape
    for seed in (11, 12):
        said = measured(name, kind, seed)
        assert said["pitch_response_damping"].value == pytest.approx(zeta, rel=0.1)
        assert 2.0 * np.pi * said["pitch_response_hz"].value == pytest.approx(w, rel=0.1)
