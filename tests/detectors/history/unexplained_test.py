"""Steps and drift nobody wrote down."""

from __future__ import annotations

import numpy as np
import pytest

from tests.detectors.history.builders import change, flown_at, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.evidence import log_e_value
from trimkeep.detectors.history.fleet_model import FleetModel, fit_fleet_model
from trimkeep.detectors.history.judge import judge_airframe
from trimkeep.detectors.history.model import Finding, Series, Tier, Verdict
from trimkeep.detectors.history.steps_unknown import (
    FIRST_RAMP,
    IMPOSSIBLE,
    LEAST_WEIGHT,
    RAMP_SHARE,
    RAMP_WIDTH,
    SHORTEST_RAMP,
    START_WEIGHT,
    WIDE,
    WIDE_SHARE,
    gross_errors,
    scan,
)

SETTINGS = JudgeSettings()


def quiet(n: int, seed: int = 0, level: float = 3.0, sigma: float = 0.2) -> np.ndarray:
    return level + np.random.default_rng(seed).normal(0.0, sigma, n)


def model() -> FleetModel:
    return fit_fleet_model([history(quiet(30, s), airframe=f"other-{s}") for s in range(100, 108)], [])


def unexplained(series: Series, *at: int) -> list[Finding]:
    findings = judge_airframe([series], [change(order) for order in at], model(), SETTINGS)
    return [f for f in findings if f.kind in ("unexplained_step", "drift")]


def test_a_step_nobody_wrote_down_is_found_where_it_is() -> None:
    values = quiet(40)
    values[28:] += 0.8
    found = unexplained(history(values))
    assert len(found) == 1
    one = found[0]
    assert (one.kind, one.verdict, one.tier) == ("unexplained_step", Verdict.WORSE, Tier.CALLED)
    assert one.change is not None and abs(one.change.first_order - 28) <= 1
    assert one.effect is not None and one.effect.low < 0.8 < one.effect.high
    assert one.opened_at == flown_at(one.change.first_order)


def test_a_written_down_step_is_not_unexplained() -> None:
    values = quiet(40)
    values[28:] += 0.8
    assert unexplained(history(values), 28) == []


def test_wear_is_named_drift_with_the_flights_left() -> None:
    values = quiet(70, sigma=0.15)
    values[20:] += 0.04 * np.arange(1, 51)
    found = unexplained(history(values, attention=7.0))
    assert [f.kind for f in found] == ["drift"]
    one = found[0]
    assert one.verdict is Verdict.WORSE and one.effect is not None
    # planted: 5.0 at the last flight, 0.04 per flight, 7.0 asks for attention: 50 more flights
    assert one.flights_needed == pytest.approx(50, abs=12)


def test_a_quiet_series_says_nothing_and_one_gross_error_is_no_step() -> None:
    assert unexplained(history(quiet(60, 3))) == []
    values = quiet(60, 3)
    values[40] += 5.0
    assert unexplained(history(values)) == []


def test_an_old_step_is_found_in_a_long_history_and_once() -> None:
    values = quiet(300, 5)
    values[100:] += 0.8
    found = unexplained(history(values))
    assert len(found) == 1
    assert found[0].change is not None and abs(found[0].change.first_order - 100) <= 1


def test_a_later_change_is_not_blamed_for_an_earlier_unexplained_step() -> None:
    values = quiet(70, 6)
    values[30:] += 1.0
    findings = judge_airframe([history(values)], [change(50)], model(), SETTINGS)
    known = next(f for f in findings if f.kind == "known_change")
    assert known.verdict is Verdict.NO_MATERIAL_CHANGE
    assert known.flights_before <= 21


def test_the_name_stays_when_flights_come_in() -> None:
    values = quiet(45, 7)
    values[28:] += 0.9
    names = {unexplained(history(values[:n]))[0].id for n in range(34, 46)}
    assert len(names) == 1


def test_gross_errors_are_isolated_flights_only() -> None:
    values = np.zeros((1, 12))
    values[0, 4] = 9.0
    values[0, 8:] = 9.0
    assert gross_errors(values, np.ones(1))[0].nonzero()[0].tolist() == [4]
    # the newest flight waits for a witness
    values[0, 8:11] = 0.0
    assert gross_errors(values, np.ones(1))[0].nonzero()[0].tolist() == [4, 11]


def test_scan_is_the_plain_average_over_all_starts() -> None:
    """The fast scan against its slow twin: one least-squares fit per start and shape."""
    values = np.round(quiet(20, 11), 3)
    weight = np.ones(20)
    weight[[0, 19]] = 0.5  # so that the first and last starts lack the flights they need
    ours = scan(
        values[None],
        weight[None],
        sigma=np.full(1, 0.5),
        sigma_flights=np.full(1, 10.0),
        rho=np.zeros(1),
    )
    assert not ours.gross.any()
    flight = np.arange(20)
    steps = [(s, (flight >= s).astype(float), 1.0, 1 - RAMP_SHARE) for s in range(5, 18)]
    ramps = [
        (s, np.maximum(flight - s + 1.0, 0.0) / (20 - s), RAMP_WIDTH, RAMP_SHARE)
        for s in range(FIRST_RAMP, 20 - SHORTEST_RAMP + 1)
    ]
    total = 0.0
    for start, column, width, share in (*steps, *ramps):
        if weight[start:].sum() < LEAST_WEIGHT:
            continue
        x = np.column_stack([np.ones(20), column]) * np.sqrt(weight)[:, None]
        beta, rss, *_ = np.linalg.lstsq(x, values * np.sqrt(weight), rcond=None)
        freedom = 10.0 + 18.0
        variance = (10.0 * 0.25 + rss[0]) / freedom
        power = (weight * (column - np.average(column, weights=weight)) ** 2).sum()
        t = np.array(beta[1] * np.sqrt(power / variance))
        for wide, part in ((width, 1.0 - WIDE_SHARE), (WIDE, WIDE_SHARE)):
            # a ramp's own width is in its information; the wide law is the same for both shapes
            own = power * wide**2 if wide == width else power
            law = 1.0 if wide == width else wide
            log_e = log_e_value(t, np.array(freedom), np.array(own), law)
            total += START_WEIGHT * share * part * float(np.exp(log_e))
    assert ours.log_evidence[0] == pytest.approx(np.log(total), abs=1e-9)


def test_a_start_needs_two_flights_of_weight_after_it() -> None:
    values = quiet(20, 11)
    values[17:] += 5.0
    weight = np.ones(20)
    weight[18:] = 0.4
    one = np.ones(1)
    found = scan(values[None], weight[None], sigma=0.2 * one, sigma_flights=10 * one, rho=0 * one)
    late = ~found.hypotheses.ramp & (found.hypotheses.start == 17)
    assert found.log_place[0, late] == IMPOSSIBLE
