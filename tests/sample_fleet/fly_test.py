"""A flight is whole: every signal, plausible on the ground and in the air, the same for the same seed."""

from __future__ import annotations

import numpy as np
import pytest

from tests.sample_fleet.flights import LIGHT_AIR, flown
from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.faults import Fault
from trimkeep.sample_fleet.flown import SIGNALS
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import survey_plan

MAY_BE_NAN = {name for name in SIGNALS if name.endswith("_want")} | {"xtrack", "leg_left", "rpm_2"}


@pytest.mark.parametrize("model", sorted(AIRFRAMES))
def test_every_signal_is_there_and_finite(model: str) -> None:
    flight = flown(model)
    assert set(flight.signals) == set(SIGNALS)
    for name, values in flight.signals.items():
        assert values.shape == flight.t_s.shape, name
        if name not in MAY_BE_NAN:
            assert np.isfinite(values).all(), name
    assert np.isfinite(flight.signals["rpm_2"]).all() == (AIRFRAMES[model].motors == 2)


def test_it_starts_and_ends_disarmed_on_the_ground() -> None:
    signals = flown().signals
    for end in (0, -1):
        assert signals["armed"][end] == 0.0
        assert signals["landed"][end] == 1.0
        assert abs(signals["height"][end]) < 2.0
        assert signals["throttle"][end] == 0.0
    armed = np.flatnonzero(signals["armed"] == 1.0)
    assert armed.size == armed[-1] - armed[0] + 1, "armed once"


def test_survey_and_club_flights_show_all_their_modes() -> None:
    aloft = flown().signals["landed"] == 2.0
    assert set(flown().signals["mode"][aloft]) == {0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0}
    club = flown(plan="club").signals
    assert set(club["mode"][club["landed"] == 2.0]) == {0.0, 1.0, 2.0, 3.0, 4.0, 6.0}


def test_wishes_are_nan_exactly_where_nothing_is_asked() -> None:
    signals = flown().signals
    aloft = signals["landed"] == 2.0
    mode = signals["mode"]
    held = aloft & (mode >= 3.0)
    assert np.isfinite(signals["alt_want"][held]).all()
    assert np.isnan(signals["alt_want"][~held]).all()
    assert np.isnan(signals["xtrack"][mode != 5.0]).all()
    assert np.isnan(signals["bank_want"][aloft & (mode < 2.0)]).all()
    assert np.isnan(signals["q_want"][aloft & (mode == 0.0)]).all()
    assert np.isfinite(signals["q_want"][aloft & (mode == 1.0)]).all()


def test_mean_square_of_lines_is_small_in_light_air() -> None:
    signals = flown().signals
    on_line = (
        (np.abs(signals["bank"]) < 5.0) & np.isfinite(signals["xtrack"]) & (np.abs(signals["xtrack"]) < 10.0)
    )
    assert on_line.sum() > 500
    assert np.sqrt(np.mean(signals["xtrack"][on_line] ** 2)) < 4.0


def test_the_receiver_holds_its_fixes_for_a_fifth_of_a_second() -> None:
    changes = np.flatnonzero(np.diff(flown().signals["sat_lat"]))
    assert np.median(np.diff(changes)) == 10  # 50 Hz over 5 Hz
    assert set(np.diff(changes)) == {10}


def test_ground_velocity_is_the_slope_of_the_place() -> None:
    flight = flown()
    signals, aloft = flight.signals, flight.signals["landed"] == 2.0
    north_m = signals["lat"] * 111_180.0  # metres per degree at 47 N, to 0.1 %
    slope = np.gradient(north_m, flight.t_s)
    smooth = np.convolve(slope - signals["vn"], np.ones(250) / 250, mode="same")[aloft][300:-300]
    assert np.abs(smooth).max() < 0.6  # drift of the estimated place, 0.5 m over 60 s, and its 5 s mean


def test_same_seed_same_flight_other_seed_another() -> None:
    model = AIRFRAMES["small_single"]

    def once(seed: int) -> np.ndarray:
        rng = np.random.default_rng(seed)
        return fly(model, defaults_for(model), survey_plan(rng, 150.0), LIGHT_AIR, (), rng).signals["pitch"]

    third = once(3)
    assert np.array_equal(third, once(3))
    assert not np.array_equal(third[:4000], once(4)[:4000])


def test_rate_must_fit_the_slow_loops() -> None:
    with pytest.raises(ValueError, match="multiple of 25"):
        flown(rate_hz=40.0)
    assert flown(rate_hz=25.0).t_s[1] == pytest.approx(0.04)


def test_parameter_names_fit_the_open_protocol() -> None:
    parameters = flown().parameters
    assert max(len(name) for name in parameters) <= 16  # PARAM_VALUE.param_id of the common message set
    assert parameters["PITCH_RATE_MAX"] > 30.0


def test_left_armed_counts_seconds_and_bumps_the_throttle() -> None:
    signals = flown(faults=(Fault("left_armed", 40.0, bump=True),)).signals
    landed = np.flatnonzero(signals["landed"] != 1.0)[-1] + 1
    assert signals["armed"][landed:].sum() / 50.0 == pytest.approx(40.0 + 2.5, abs=0.05)  # slide included
    assert signals["throttle"][landed:].max() > 0.3
    assert signals["rpm_1"][landed + 500 :].max() > 1000.0
    assert (
        flown().signals["throttle"][np.flatnonzero(flown().signals["landed"] != 1.0)[-1] + 1 :].max() == 0.0
    )


def test_texts_and_truth_name_what_was_planted() -> None:
    flight = flown(faults=(Fault("elevator_play", 0.03), Fault("propulsion_loss", 0.1)))
    assert flight.truth["elevator_play_fraction"] == pytest.approx(0.033)  # a little is always there
    assert flight.truth["thrust_factor"] == pytest.approx(0.9)
    assert flight.truth["faults"] == "elevator_play,propulsion_loss"
    assert [text for _, _, text in flight.texts][1] == "armed"
