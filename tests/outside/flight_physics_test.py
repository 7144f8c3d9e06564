"""The sample fleet's flying against outside values, so that nobody can call its physics convenient.

Sources stand beside each check. Formulas of textbooks: Etkin and Reid, *Dynamics of Flight*, 3rd ed. (lift,
drag, level turn, glide), Lanchester's phugoid (there ch. 6), Dryden gusts of MIL-F-8785C (1980) 3.7.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from scipy.signal import welch

from tests.sample_fleet.bare_model import FOOT_M, STEP_S, Bare
from tests.sample_fleet.flights import flown
from trimkeep.sample_fleet.airborne import AirborneRecord, fly_airborne
from trimkeep.sample_fleet.airframes import AIRFRAMES, GRAVITY_MPS2, SEA_LEVEL_DENSITY, AirframeModel
from trimkeep.sample_fleet.autopilot import MODES, defaults_for
from trimkeep.sample_fleet.faults import Condition, Fault, plant
from trimkeep.sample_fleet.plans import Leg, Plan
from trimkeep.sample_fleet.signature_figures import during, swing
from trimkeep.sample_fleet.world import GustModel, Weather, dryden_gusts, gust_model

NAMES = sorted(AIRFRAMES)
STILL = Weather(wind_mps=0.0, gust_mps=0.0)
LIGHT = Weather(wind_mps=2.0, gust_mps=0.1)
UP = (Leg("attitude", "launch", 4.0), Leg("attitude", "climb", 45.0, height_m=80.0))
HELD = Plan((*UP, Leg("cruise", "straight", 40.0), Leg("altitude_hold", "turn", 30.0, bank_deg=30.0)))
CRUISE = (*UP, Leg("cruise", "straight", 50.0))
MODES_IN_TURN = Plan((*CRUISE, Leg("rate", "straight", 50.0), Leg("manual", "straight", 50.0)))


@cache
def still_record(name: str) -> AirborneRecord:
    model = AIRFRAMES[name]
    return fly_airborne(
        model, plant(defaults_for(model), ()), HELD, STILL, np.random.default_rng(1), rate_hz=50.0
    )


def settled(record: AirborneRecord, mode: str, seconds: float) -> slice:
    """The last seconds flown in a mode."""
    last = int(np.flatnonzero(record.columns["mode"] == MODES[mode])[-1])
    return slice(last - round(seconds * record.rate_hz), last)


@pytest.mark.parametrize("name", NAMES)
def test_lift_carries_the_weight_in_level_flight(name: str) -> None:
    # Etkin and Reid: level flight, L + T sin(alpha) = W, T = D
    record, model = still_record(name), AIRFRAMES[name]
    part = settled(record, "cruise", 15.0)
    columns = {key: float(values[part].mean()) for key, values in record.columns.items()}
    pressure = 0.5 * columns["density"] * columns["true_tas"] ** 2
    alpha = np.radians(columns["alpha"])
    drag = pressure * model.wing_area_m2 * float(model.drag_coefficient(np.array([alpha]))[0])
    carried = columns["lift_n"] + drag * np.sin(alpha)
    # 1 %: vertical motion left over from sensor noise; g at 47 N and 180 m is 9.807
    assert carried == pytest.approx(model.mass_kg * GRAVITY_MPS2, rel=0.01)
    assert abs(columns["vd"]) < 0.1


@pytest.mark.parametrize("name", NAMES)
def test_level_turn_at_the_coordinated_rate(name: str) -> None:
    # turn rate = g tan(bank) / V (check value, exact); heading by the model's own kinematics
    record = still_record(name)
    part = settled(record, "altitude_hold", 15.0)
    heading = np.unwrap(np.radians(record.columns["true_heading"][part]))
    rate = (heading[-1] - heading[0]) / ((heading.size - 1) / record.rate_hz)
    bank, speed = record.columns["true_bank"][part].mean(), record.columns["true_tas"][part].mean()
    # 1 %: averages of noisy bank and speed
    assert rate == pytest.approx(GRAVITY_MPS2 * np.tan(np.radians(bank)) / speed, rel=0.01)


def phugoid(model: AirframeModel) -> tuple[float, float, float]:
    """Period (s), damping ratio and mean speed (m/s) of the long motion with the controls fixed."""
    bare = Bare(model, speed_factor=1.08)
    bare["want/stage"] = 0.0  # manual, hands off
    speed = bare.run(40.0, "velocities/vt-fps")[0] * FOOT_M
    return ring(speed[300:])


@pytest.mark.parametrize("name", NAMES)
def test_phugoid_period_is_lanchesters_where_his_assumption_holds(name: str) -> None:
    # Lanchester 1908: T = pi sqrt(2) V / g for an aeroplane that keeps its angle of attack. Ours does so
    # when it is balanced far forward (static margin 90 %); everything else is as flown.
    stiff = replace(AIRFRAMES[name], static_margin=0.9)
    period, damping, speed = phugoid(stiff)
    # 15 %: drag, thrust that falls with speed, and 4 to 8 % from the pitch damping that is left
    assert period == pytest.approx(np.pi * np.sqrt(2.0) * speed / GRAVITY_MPS2, rel=0.15)
    assert 0.0 < damping < 0.35


@pytest.mark.parametrize("name", NAMES)
def test_phugoid_period_as_flown_follows_from_the_manoeuvre_margin(name: str) -> None:
    # Pitching with the flight path at rate q, a light aeroplane's tail damping moves the angle of attack by
    # Cm_q q c / 2V / -Cm_alpha; put into Lanchester's balance this divides his frequency squared by
    # manoeuvre margin / static margin, 1 + rho S c |Cm_q| / (4 m h) (derivation; the margins are those of
    # Etkin and Reid, ch. 3). A full-size aeroplane has a ratio near 1, a 3 kg one of 2 and more.
    model = AIRFRAMES[name]
    period, _, speed = phugoid(model)
    damping_margin = (
        SEA_LEVEL_DENSITY
        * model.wing_area_m2
        * model.chord_m
        * abs(model.book.Cm_q)
        * model.tail_arm_factor**2
        / (4.0 * model.mass_kg)
    )
    stretch = np.sqrt(1.0 + damping_margin / model.static_margin)
    lanchester = np.pi * np.sqrt(2.0) * speed / GRAVITY_MPS2
    assert 1.3 < stretch < 1.7
    assert period == pytest.approx(lanchester * stretch, rel=0.08)  # drag and thrust left out


def ring(values: NDArray[np.float64]) -> tuple[float, float, float]:
    """Period (s), damping ratio and final mean of a ringing series, by a damped sine fitted to it."""
    t = np.arange(values.size) * STEP_S

    def model(
        t: NDArray[np.float64], mean: float, drift: float, a: float, b: float, s: float, w: float
    ) -> object:
        return mean + drift * t + np.exp(-s * t) * (a * np.cos(w * t) + b * np.sin(w * t))

    start = (float(values.mean()), 0.0, float(values[0] - values.mean()), 0.0, 0.1, 2.0 * np.pi / 9.0)
    fitted = curve_fit(model, t, values, p0=start)[0]
    s, w = float(fitted[4]), float(fitted[5])
    return 2.0 * np.pi / abs(w), s / np.hypot(s, w), float(fitted[0])


@pytest.mark.parametrize("name", NAMES)
def test_glide_and_climb_are_those_of_the_drag(name: str) -> None:
    # Etkin and Reid: steady glide, sink / speed = D / L; steady climb, climb = (T - D) V / W
    model = AIRFRAMES[name]
    columns = (
        "velocities/v-down-fps",
        "velocities/vt-fps",
        "aero/alpha-rad",
        "external_reactions/thrust/magnitude",
    )
    for throttle, pitch_deg in ((0.0, -5.0), (0.9, 8.0)):
        bare = Bare(model)
        bare["want/throttle"], bare["want/pitch-rad"] = throttle, np.radians(pitch_deg)
        down, speed, alpha, thrust = (row[-500:].mean() for row in bare.run(25.0, *columns))
        lift = float(model.lift_coefficient(np.array([alpha]))[0])
        drag = float(model.drag_coefficient(np.array([alpha]))[0])
        weight = model.mass_kg * GRAVITY_MPS2
        slope = -down / speed
        # small angles: what the weight does along the path is thrust less drag
        expected = (thrust * 4.44822 - drag / lift * weight * np.sqrt(1.0 - slope**2)) / weight
        assert slope == pytest.approx(expected, abs=0.015)
        if throttle == 0.0:
            # common practice, no source: fixed propeller, fixed gear, so 5 to 14, never a sailplane's 20
            assert 4.0 < -1.0 / slope < 14.0
        else:
            # common practice, no source: survey planes climb at 2 to 8 m/s
            assert 2.0 < slope * speed * FOOT_M < 9.0


# check values (worked by hand from MIL-F-8785C 3.7.3.4): height m, sigma w, Lu m, sigma u
@pytest.mark.parametrize(
    ("height_m", "sigma_w", "length_u", "sigma_u"),
    [
        (10.0, 0.7717, 67.37, 1.4574),
        (50.0, 0.7717, 202.29, 1.2296),
        (100.0, 0.7717, 262.79, 1.0649),
        (100.0, 1.5433, 262.79, 2.1298),
        (300.0, 1.5433, 304.73, 1.5514),
    ],
)
def test_gust_model_is_the_standards(
    height_m: float, sigma_w: float, length_u: float, sigma_u: float
) -> None:
    model = gust_model(sigma_w, height_m)
    assert model.length_w_m == pytest.approx(height_m)
    # metres put where the standard wants feet would give 505 m at 100 m
    assert model.length_u_m == pytest.approx(length_u, abs=0.01)
    assert model.sigma_u_mps == pytest.approx(sigma_u, abs=2e-4)


def test_gusts_have_the_standards_variance_and_spectrum() -> None:
    model = GustModel(sigma_u_mps=1.3, sigma_w_mps=0.8, length_u_m=200.0, length_w_m=50.0)
    speed, dt = 16.0, 0.02
    n = 1_000_000  # 320 km of air, some 1600 lengths of u: its variance is known to 5 %
    gusts = dryden_gusts(np.random.default_rng(7), n, dt, model, speed, 2.2)
    for series, sigma, length, across in (
        (gusts.u_mps, 1.3, 200.0, False),
        (gusts.v_mps, 1.3, 200.0, True),
        (gusts.w_mps, 0.8, 50.0, True),
    ):
        assert series.std() == pytest.approx(sigma, rel=0.05)
        frequency, density = welch(series, 1.0 / dt, nperseg=2**15)
        band = (frequency > 0.005) & (frequency < 2.0)
        x = (2.0 * np.pi * frequency[band] / speed * length) ** 2
        # one-sided in Hz: spatial density (8785C 3.7.1.2) times 2 pi / V
        shape = (1.0 + 3.0 * x) / (1.0 + x) ** 2 if across else 2.0 / (1.0 + x)
        expected = sigma**2 * length / np.pi * shape * 2.0 * np.pi / speed
        ratio = np.log(density[band] / expected)
        # mean over octaves: each holds many bins and 60 averaged segments
        for low in (0.005, 0.02, 0.1, 0.5):
            octave = (frequency[band] >= low) & (frequency[band] < 4.0 * low)
            assert np.mean(ratio[octave]) == pytest.approx(0.0, abs=0.15)


def test_roll_gusts_have_the_standards_variance() -> None:
    # 8785C 3.7.5: 0.8 sigma_w^2 / (V Lw) (pi Lw / 4b)^(1/3) / (1 + (4 b w / pi V)^2), integrated from 0
    sigma_w, length, span, speed = 0.8, 50.0, 2.2, 16.0
    omega = np.linspace(0.0, 4000.0, 4_000_001)
    density = 0.8 * sigma_w**2 / (speed * length) * (np.pi * length / (4.0 * span)) ** (1.0 / 3.0)
    density = density / (1.0 + (4.0 * span * omega / (np.pi * speed)) ** 2)
    variance = float(np.trapezoid(density, omega))
    model = GustModel(sigma_u_mps=1.0, sigma_w_mps=sigma_w, length_u_m=200.0, length_w_m=length)
    gusts = dryden_gusts(np.random.default_rng(3), 400_000, 0.02, model, speed, span)
    assert gusts.p_radps.std() == pytest.approx(np.sqrt(variance), rel=0.03)


@pytest.mark.parametrize("name", NAMES)
def test_a_healthy_aeroplane_holds_its_height_in_light_air(name: str) -> None:
    # common practice, no source: a couple of metres. (The military row, +-30 ft, MIL-F-9490D 3.1.2.5, is from
    # memory and for full-size aeroplanes; it would be met four times over.)
    signals = flown(name).signals
    held = np.isfinite(signals["alt_want"])
    entered = np.flatnonzero(np.diff(signals["mode"], prepend=-1.0) != 0.0)
    since = np.arange(held.size) - entered[np.searchsorted(entered, np.arange(held.size), side="right") - 1]
    level = held & (since > 400) & (np.abs(signals["bank"]) < 5.0)
    assert level.sum() > 600  # 12 s of 50 Hz
    assert np.abs(signals["alt_want"] - signals["alt"])[level].max() < 2.0


@pytest.mark.parametrize("name", NAMES)
def test_play_makes_a_limit_cycle_where_altitude_is_held_and_only_there(name: str) -> None:
    # the trade's knowledge, and describing functions: with friction-held play the loop cycles at a size
    # proportional to the gap (Gelb and Vander Velde, *Multiple-Input Describing Functions*, 1968)
    small, large, seeds = 0.03, 0.06, (8, 9)
    plans = {0.0: MODES_IN_TURN, small: Plan(CRUISE), large: MODES_IN_TURN}
    flights = {
        gap: [flown(name, (Fault("elevator_play", gap),), plan, LIGHT, seed=seed) for seed in seeds]
        for gap, plan in plans.items()
    }

    def rocking(mode: str, gap: float) -> float:
        """Pitch swing at periods of 3 to 7 s, the limit cycle's, mean of the seeds."""
        parts = [one.signals["true_pitch"][during(one, mode, 12.0)] for one in flights[gap]]
        return float(np.mean([swing(part, 50.0, 0.14, 0.35) for part in parts]))

    held = {gap: rocking("cruise", gap) for gap in plans}
    assert held[0.0] < 0.25 * held[small] < 0.25 * held[large]
    # 30 %: gusts and noise shake the small cycle; a well-kept linkage has a little gap of its own
    own = Condition().elevator_play
    assert held[large] / held[small] == pytest.approx((large + own) / (small + own), rel=0.3)
    for flight in flights[large]:
        assert peak_share(flight.signals["true_pitch"][during(flight, "cruise", 12.0)]) > 0.7
    for mode in ("rate", "manual"):
        # the pilot becomes a little less precise; he does not rock the nose as the held modes do
        assert rocking(mode, large) - rocking(mode, 0.0) < 0.35 * (held[large] - held[0.0])


def peak_share(values: NDArray[np.float64], rate_hz: float = 50.0) -> float:
    """Share of the power between 0.1 and 2 Hz that lies within a third of an octave of its peak."""
    frequency, density = welch(values, rate_hz, nperseg=values.size // 2, detrend="linear")
    band = (frequency > 0.1) & (frequency < 2.0)
    peak = frequency[band][np.argmax(density[band])]
    near = band & (frequency > peak / 1.35) & (frequency < peak * 1.35)
    return float(density[near].sum() / density[band].sum())
