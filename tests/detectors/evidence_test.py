"""What unnamed modes and outputs look like: proposals from planted flying, none from noise."""

import numpy as np
import pytest

from trimkeep.detectors.mode_evidence import mode_evidence
from trimkeep.detectors.model import Channel, Recording
from trimkeep.detectors.output_evidence import output_evidence

SECONDS = 240.0


def smooth(rng: np.random.Generator, n: int, rate_hz: float, period_s: float) -> np.ndarray:
    """Noise with most of its power at periods above `period_s`, unit variance."""
    width = max(3, int(rate_hz * period_s / 2))
    noise = np.convolve(rng.standard_normal(n + width), np.hanning(width), mode="same")[:n]
    return noise / noise.std()


def recording(rate_hz: float, seed: int, *, reversed_elevator: bool) -> Recording:
    rng = np.random.default_rng(seed)
    n = int(SECONDS * rate_hz)
    time_s = np.arange(n) / rate_hz
    stick, wish = 0.3 * smooth(rng, n, rate_hz, 3), 20 * smooth(rng, n, rate_hz, 8)
    bank = np.roll(wish, int(0.6 * rate_hz))
    pitch = smooth(rng, n, rate_hz, 4) * 2
    elevator = np.where(time_s < 120, stick, -0.05 * pitch + 0.02 * rng.standard_normal(n))
    altitude = 100 + np.where(time_s < 120, 20 * smooth(rng, n, rate_hz, 30), smooth(rng, n, rate_hz, 10))
    sign = -1 if reversed_elevator else 1
    values = {
        "mode_number": np.where(time_s < 120, 7.0, 19.0),
        "stick_pitch": np.where(time_s < 120, stick, 0.0),
        "elevator_cmd": elevator,
        "pitch_deg": pitch,
        "pitch_target_deg": np.zeros(n),
        "pitch_rate_dps": np.gradient(pitch, time_s),
        "bank_deg": bank,
        "bank_target_deg": wish,
        "roll_rate_dps": np.gradient(bank, time_s),
        "altitude_m": altitude,
        "output_0_2_us": 1500 + sign * 400 * elevator + rng.standard_normal(n),
        "output_0_5_us": 1500 + 15 * (wish - bank) + rng.standard_normal(n),
        "output_0_8_us": 1500 + rng.standard_normal(n),
        "output_0_9_us": 1500 + 100 * rng.standard_normal(n),
    }
    channels = {name: Channel(time_s, np.asarray(value, dtype=float)) for name, value in values.items()}
    return Recording("x.tlog", "test", 1, SECONDS, channels)


@pytest.mark.parametrize("rate_hz", [4.0, 50.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_modes_look_like_what_was_flown(rate_hz: float, seed: int) -> None:
    found = mode_evidence(recording(rate_hz, seed, reversed_elevator=False), ((0.0, SECONDS),))
    assert {item.number: item.looks_like for item in found} == {7: "manual", 19: "altitude_hold"}
    # The mode changes between two samples, so a span is right to one sample.
    assert [item.seconds for item in found] == pytest.approx([120, 120], abs=1 / rate_hz)


@pytest.mark.parametrize("rate_hz", [4.0, 50.0])
@pytest.mark.parametrize("reversed_elevator", [False, True])
def test_outputs_are_found_with_their_sign(rate_hz: float, reversed_elevator: bool) -> None:
    found = output_evidence(recording(rate_hz, 5, reversed_elevator=reversed_elevator), ((0.0, SECONDS),))
    surfaces = {item.channel: (item.surface, item.correlation < 0) for item in found}
    assert surfaces == {2: ("elevator", reversed_elevator), 5: ("aileron", False)}


def test_nothing_is_proposed_from_nothing() -> None:
    empty = Recording("x.tlog", "test", 1, 10.0, {})
    assert mode_evidence(empty, ((0.0, 10.0),)) == ()
    assert output_evidence(empty, ((0.0, 10.0),)) == ()
    assert output_evidence(recording(4.0, 1, reversed_elevator=False), ()) == ()
