"""The play operator's own laws, the servo's lag in closed form, and the fit where little is to be seen."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from trimkeep.detectors.numerics.play import lagged, play
from trimkeep.detectors.numerics.play_fit import PlayFit, fit_play
from trimkeep.detectors.numerics.play_likelihood import Record

RATE_HZ = 25.0


def wandering(seed: int, size: int = 3000, spread: float = 0.2) -> np.ndarray:
    white = np.random.default_rng(seed).standard_normal(size)
    slow = signal.lfilter([0.15], [1.0, -0.85], white)
    return np.asarray(spread * slow / np.std(slow))


def answered(command: np.ndarray, gap: float, noise: float = 2.0, scale: float = 150.0) -> Record:
    """A roll mode of 0.2 s behind a servo of 0.05 s and a gap; open loop."""
    surface = play(lagged(command, 0.05, RATE_HZ), np.array(gap))
    gusts = noise * np.random.default_rng(8).standard_normal(command.size)
    rate = signal.lfilter([0.0, 0.2], [1.0, -0.8], scale * surface + gusts)
    return Record(command, np.asarray(rate), np.ones(command.size))


def fitted(*records: Record) -> PlayFit:
    fit = fit_play(records, RATE_HZ)
    assert fit is not None
    return fit


def test_the_surface_strays_from_the_command_by_the_gap_at_most() -> None:
    command = wandering(1)
    off = np.abs(play(command, np.array(0.1)) - command)
    assert off.max() == pytest.approx(0.1)


def test_play_does_not_know_how_fast_time_runs() -> None:
    command = wandering(2, 400)
    slow = np.interp(np.arange(0, 399.01, 0.25), np.arange(400), command)
    assert play(slow, np.array(0.05))[::4] == pytest.approx(play(command, np.array(0.05)), abs=1e-12)


def test_a_command_that_stays_inside_the_gap_moves_nothing() -> None:
    command = 0.04 * np.sin(np.arange(500) / 7.0)
    assert np.ptp(play(command, np.array(0.05))) == 0.0


def test_play_leaves_its_input_alone() -> None:
    command = wandering(3, 300)
    command.flags.writeable = False
    before = command.copy()
    play(command, np.array([0.0, 0.1]))
    assert np.array_equal(command, before)


def test_the_lag_follows_a_ramp_late_by_its_time_constant() -> None:
    ramp = np.arange(200) / RATE_HZ
    # Closed form of a first-order lag for a ramp from rest: t - T (1 - exp(-t / T)).
    assert lagged(ramp, 0.3, RATE_HZ) == pytest.approx(ramp - 0.3 * (1.0 - np.exp(-ramp / 0.3)), abs=1e-9)


@pytest.mark.parametrize("gap", [0.03, 0.08])
def test_the_gap_is_found_and_its_error_honest(gap: float) -> None:
    fit = fitted(answered(wandering(4), gap))
    # Three standard errors of one draw; the error itself stays below 1 % of travel.
    assert abs(fit.gap - gap) < 3.0 * fit.gap_error
    assert fit.gap_error < 0.01
    assert fit.gain_over_none > 10.0 and not fit.contested


def test_no_gap_gains_nothing() -> None:
    fit = fitted(answered(wandering(5), 0.0))
    # Log-likelihood: twice two more unknowns; what is told as play needs 5.
    assert fit.gain_over_none < 4.0 or fit.gap < 0.005


def test_unit_and_sign_of_the_rate_do_not_matter() -> None:
    record = answered(wandering(6), 0.06)
    plain = fitted(record)
    turned = fitted(Record(record.command, -0.0175 * record.rate, record.pressure))
    assert turned.gap == pytest.approx(plain.gap, rel=1e-3)
    assert turned.gap_error == pytest.approx(plain.gap_error, rel=1e-2)


def test_more_gusts_make_the_error_larger() -> None:
    calm, rough = (fitted(answered(wandering(7), 0.06, noise)) for noise in (2.0, 12.0))
    assert rough.gap_error > 1.3 * calm.gap_error


def test_pieces_count_together() -> None:
    command = wandering(4)
    whole = answered(command, 0.06)
    halves = [
        Record(whole.command[part], whole.rate[part], whole.pressure[part])
        for part in (slice(0, 1500), slice(1500, 3000))
    ]
    assert fitted(*halves).gap == pytest.approx(0.06, abs=0.01)


def test_a_command_that_moves_nothing_gains_next_to_nothing() -> None:
    command = wandering(9)
    fit = fitted(Record(command, wandering(10), np.ones(command.size)))
    # Some 16 coefficients more than silence, and the best of many gaps.
    assert fit.gain_over_silence < 40.0


def test_what_stands_still_or_is_too_short_is_not_fitted() -> None:
    command = wandering(11)
    still = np.zeros(command.size)
    assert fit_play([Record(still, command, np.ones(command.size))], RATE_HZ) is None
    assert fit_play([Record(command, still, np.ones(command.size))], RATE_HZ) is None
    assert fit_play([Record(command[:40], command[:40], np.ones(40))], RATE_HZ) is None
    assert fit_play([], RATE_HZ) is None
