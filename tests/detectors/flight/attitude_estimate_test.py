"""Planted tilt of the attitude estimate is read back, in and after turns; sound ones are not blamed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.builders import CARD, Flying, Leg, flown, one_flight, with_channels
from tests.detectors.planted import flown_with, recorded
from trimkeep.detectors.flight.attitude_estimate import SPEC, compare_banks, observe
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Channel, Flight, NotMeasured, Observation, Reason

RATES_HZ = (4.0, 10.0, 50.0)
LEGS = (
    Leg(20, "manual", airspeed_mps=0.0, on_ground=True),
    Leg(4, "manual", airspeed_mps=15.0, on_ground=True),
    Leg(20, "manual", climb_mps=3.0),
    Leg(60, "altitude_hold"),
    Leg(40, "altitude_hold", bank_deg=30.0),
    Leg(90, "altitude_hold"),
    Leg(40, "altitude_hold", bank_deg=-30.0),
    Leg(90, "altitude_hold"),
    Leg(30, "attitude", climb_mps=-2.0),
    Leg(20, "manual", airspeed_mps=0.0, on_ground=True),
)


def said(flight: Flight) -> dict[str, Observation]:
    found = observe(flight)
    assert isinstance(found, list), found
    return {one.metric: one for one in found}


def tilted(
    rate_hz: float, share: float, constant_s: float, bias_deg: float = 0.0, wind_mps: float = 5.0
) -> Flight:
    """A made flight whose estimate is pulled towards level by `share` of the bank, with a time constant."""
    log = flown(LEGS, Flying(rate_hz=rate_hz, wind_north_mps=wind_mps, noise=0.15, seed=5))
    bank = log.channels["bank_deg"]
    error = np.zeros(bank.value.size)
    for k in range(1, error.size):
        error[k] = error[k - 1] + (share * bank.value[k] - error[k - 1]) / (constant_s * rate_hz)
    seen = Channel(bank.time_s, bank.value - error + bias_deg)
    return with_channels(one_flight(log), bank_deg=seen)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("share", [0.15, 0.4])
def test_a_planted_tilt_is_read_back(rate_hz: float, share: float) -> None:
    found = said(tilted(rate_hz, share, 12.0, bias_deg=1.5))
    # Over the last 5 s of 40 s the pull has come to 1 - exp(-36/12) of its end; it is 3.5 to 7.5 s old after.
    in_turn, after = 0.95 * share * 30.0, share * 30.0 * np.exp(-5.5 / 12.0)
    assert found["turn_bank_error_deg"].value == pytest.approx(in_turn, abs=0.6)
    assert found["bank_error_after_turn_deg"].value == pytest.approx(after, abs=0.6)
    if share > 0.2:
        assert found["bank_error_recovery_s"].value == pytest.approx(12.0, rel=0.15)


def test_an_estimate_levelled_on_the_accelerometers_alone_is_off_by_the_whole_bank() -> None:
    flight = tilted(10.0, 0.0, 1.0)
    level = Channel(flight.channel("bank_deg").time_s, np.zeros(flight.channel("bank_deg").value.size))
    found = said(with_channels(flight, bank_deg=level))
    assert found["turn_bank_error_deg"].value == pytest.approx(30.0, abs=0.5)
    assert found["bank_error_after_turn_deg"].value == pytest.approx(0.0, abs=0.6)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("wind_mps", [0.0, 8.0])
def test_a_sound_estimate_has_no_error_whatever_the_wind(rate_hz: float, wind_mps: float) -> None:
    found = said(tilted(rate_hz, 0.0, 1.0, wind_mps=wind_mps))
    assert set(found) == {"turn_bank_error_deg", "bank_error_after_turn_deg"}
    for one in found.values():
        assert one.standard_error is not None
        assert abs(one.value) < 0.4 and one.standard_error < 1.0


def test_without_a_prolonged_turn_nothing_is_said() -> None:
    legs = tuple(replace(leg, seconds=10) if leg.bank_deg else leg for leg in LEGS)
    found = observe(one_flight(flown(legs, Flying(rate_hz=4.0))))
    assert isinstance(found, NotMeasured) and found.reason is Reason.NO_EXCITATION


def test_sideslip_is_taken_off_by_the_felt_side_force() -> None:
    """Wings at two thirds of what the path says; the body's side force makes up for the rest."""
    flight = tilted(10.0, 0.0, 1.0)
    bank = flight.recording.channels["bank_deg"]
    rest, force = np.radians(bank.value) / 3.0, 9.80665 / np.cos(np.radians(bank.value))
    slipping = with_channels(
        flight,
        bank_deg=Channel(bank.time_s, bank.value * 2.0 / 3.0),
        accel_y_mps2=Channel(bank.time_s, force * np.sin(rest)),
        accel_z_mps2=Channel(bank.time_s, -force * np.cos(rest)),
    )
    assert said(slipping)["turn_bank_error_deg"].value == pytest.approx(0.0, abs=0.4)
    blind = with_channels(slipping, accel_y_mps2=None)
    assert said(blind)["turn_bank_error_deg"].value == pytest.approx(10.0, abs=0.4)


def test_a_gap_after_one_turn_leaves_the_other() -> None:
    flight = tilted(10.0, 0.4, 12.0)
    banks = compare_banks(flight)
    assert banks is not None and len(banks.turns) == 2
    end_s = float(banks.time_s[banks.turns[0].last - 1])
    holed = {
        name: Channel(one.time_s[keep], one.value[keep])
        for name, one in flight.recording.channels.items()
        for keep in [np.abs(one.time_s - end_s) > 6.0]
    }
    found = said(with_channels(flight, **holed))
    assert found["turn_bank_error_deg"].seconds == pytest.approx(10.0)
    assert found["bank_error_after_turn_deg"].seconds == pytest.approx(4.0)


def truth_of(flight: Flight, seed: int, size: float) -> tuple[float, float]:
    """True bank less estimated bank at the end of the turns and after them, towards the turn positive."""
    signals = flown_with("estimator_turn_error" if size else "", size, seed)
    error = signals.signals["true_bank"] - signals.signals["bank"]
    banks = compare_banks(flight)
    assert banks is not None
    spans: tuple[list[float], list[float]] = ([], [])
    for turn in banks.turns:
        end_s = float(banks.time_s[turn.last - 1])
        for found, (from_s, to_s) in zip(spans, ((-6.0, -1.0), (3.5, 7.5)), strict=True):
            inside = (signals.t_s > end_s + from_s) & (signals.t_s < end_s + to_s)
            found.append(turn.side * float(error[inside].mean()))
    return float(np.mean(spans[0])), float(np.mean(spans[1]))


@pytest.mark.parametrize("rate_hz", [5.0, 50.0])
@pytest.mark.parametrize("size", [0.0, 0.2, 0.4])
def test_a_flown_estimator_error_against_its_truth(rate_hz: float, size: float) -> None:
    level = SPEC.metric("turn_bank_error_deg").attention
    assert level is not None
    for seed in (1, 2):
        flown_log = flown_with("estimator_turn_error" if size else "", size, seed)
        [flight] = split(recorded(flown_log, rate_hz), CARD)
        found = said(flight)
        for metric, truth in zip(
            ("turn_bank_error_deg", "bank_error_after_turn_deg"), truth_of(flight, seed, size), strict=True
        ):
            one = found[metric]
            assert one.standard_error is not None
            # One degree: sideslip that 5 Hz cannot take off; a tenth: the tilt left in straight flight.
            assert abs(one.value - truth) < 1.2 + 0.15 * truth
            if size == 0.0:
                assert abs(one.value) < 0.5 * level
        if size == 0.4:
            assert found["turn_bank_error_deg"].value > level
