"""Free play as told against free play planted, for sizes of aeroplane and log rates not used for tuning.

`python -m tests.benchmarks.linkage [--seed S] [--times T]` from the top folder prints the Markdown of the
detector's page. About a quarter of an hour on one core; `--times 0.1` is a tenth of the flights.
"""

from __future__ import annotations

import argparse
import os
import platform
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from unittest import mock

import numpy as np

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.benchmarks.truth_flights import between
from tests.builders import CARD, recording_of
from tests.detectors.planted import SIGNALS
from trimkeep.detectors.flight.linkage import observe
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import Flight
from trimkeep.sample_fleet import airborne
from trimkeep.sample_fleet.airframes import AirframeModel
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.faults import Fault, Planted
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import club_plan, survey_plan
from trimkeep.sample_fleet.world import Weather

FLOWN_HZ = 100.0
SHARES = (0.2, 0.5, 0.85)
"""Of the way from the small to the large aeroplane of the sample fleet (tuned on those and one between)."""
SOUND = 0.003
"""Play that the sample fleet gives every linkage; taken out, so that a tight one is tight."""
PULSE_STEPS = 500.0
"""Pulses are logged in whole microseconds, 500 to each side."""
SURFACES = ("elevator", "aileron")
CHANNELS = {
    name: SIGNALS[name]
    for name in ("elevator_cmd", "pitch_rate_dps", "aileron_cmd", "roll_rate_dps", "airspeed_mps", "bank_deg")
} | {name: SIGNALS[name] for name in ("pitch_deg", "altitude_m", "groundspeed_mps") if name in SIGNALS}


@dataclass(frozen=True, slots=True)
class LogRate:
    """How a flight is logged: every so many frames, commands so many frames earlier than rates, jitter."""

    words: str
    every: int
    earlier: int = 0
    jitter_s: float = 0.0


RATES = (
    LogRate("50 Hz", 2),
    LogRate("33 Hz", 3),
    LogRate("25 Hz", 4),
    LogRate("25 Hz, commands half a step apart, times off by 2 ms", 4, 2, 0.002),
)

# What stands between the servo and the surface in JSBSim; `$last` is the deflection so far, in commands.
FITTED = {
    "elastic": "<quotient><p>{last}</p><sum><v>1</v><product><v>{size}</v><quotient><p>aero/qbar-psf</p>"
    "<v>{cruise_psf}</v></quotient></product></sum></quotient>",
    "air_loaded": "<difference><p>{last}</p><min><v>{size}</v><max><v>-{size}</v><p>{last}</p></max></min>"
    "</difference>",
    "parted": "<product><v>0</v><p>{last}</p></product>",
}


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of linkage: how many flights, the planted sizes (evenly in the logarithm), what it is."""

    name: str
    flights: int
    low: float
    high: float
    words: str


KINDS = (
    Kind("elevator_play", 120, 0.02, 0.15, "gap in the elevator linkage"),
    Kind("aileron_play", 60, 0.02, 0.15, "gap in the aileron linkage"),
    Kind("tight", 90, 0.0, 0.0, "no play at all"),
    Kind("elevator_stiction", 30, 0.01, 0.06, "stiff hinge that lets go all at once"),
    Kind("elevator_two_centres", 30, 0.02, 0.10, "servo that rests at two places around its centre"),
    Kind("elastic", 30, 0.05, 0.6, "elastic linkage: deflection lost at cruise over deflection left"),
    Kind("air_loaded", 30, 0.02, 0.10, "gap that air load holds at its neutral end (no friction)"),
    Kind("parted", 30, 0.0, 0.0, "surface that never moves: the gap is never crossed"),
)


@dataclass(frozen=True, slots=True)
class Told:
    """One surface of one flight at one log rate; NaN where it was not measured."""

    kind: str
    model: str
    rate: str
    surface: str
    size: float
    truth: float
    value: float
    error: float
    gust_mps: float


def size_between(share: float) -> AirframeModel:
    """A size that share of the way from the small to the large aeroplane, called by its span."""
    model = between(share)
    return replace(model, id=f"{model.span_m:.1f} m")


def fitted(kind: str, size: float, model: AirframeModel) -> Callable[[AirframeModel, Planted, float], str]:
    """The aeroplane's text with another thing between servo and elevator."""
    cruise_psf = 0.5 * 1.225 * model.cruise_mps**2 / 47.88
    formula = FITTED[kind].format(last="linkage/elevator-servo", size=size, cruise_psf=cruise_psf)
    written = airborne.model_text

    def text(one: AirframeModel, planted: Planted, step_s: float) -> str:
        whole = written(one, planted, step_s)
        servo = '<lag_filter name="linkage/elevator">'
        assert whole.count(servo) == 1
        before, after = whole.split(servo)
        rest = after.split("</lag_filter>", 1)
        added = f'<fcs_function name="linkage/elevator"><function>{formula}</function></fcs_function>'
        renamed = servo.replace("linkage/elevator", "linkage/elevator-servo")
        return f"{before}{renamed}{rest[0]}</lag_filter>{added}{rest[1]}"

    return text


def flown(kind: Kind, number: int, seed: int) -> tuple[Flown, AirframeModel, float, float]:
    """One flight of four minutes, its size of aeroplane, the planted size and the gusts."""
    rng = np.random.default_rng([seed, KINDS.index(kind), number])
    model = size_between(SHARES[number % len(SHARES)])
    size = float(np.exp(rng.uniform(np.log(kind.low), np.log(kind.high)))) if kind.high else 0.0
    plan = (survey_plan if rng.uniform() < 0.7 else club_plan)(rng, 240.0)
    gust_mps = float(np.exp(rng.uniform(np.log(0.1), np.log(1.5))))
    weather = Weather(
        wind_mps=float(rng.uniform(1.0, 7.0)),
        wind_from_deg=float(rng.uniform(0.0, 360.0)),
        gust_mps=gust_mps,
        temperature_c=float(rng.uniform(2.0, 28.0)),
    )
    faults = [Fault(f"{surface}_play", -SOUND) for surface in SURFACES]
    if kind.name.startswith(SURFACES):
        faults.append(Fault(kind.name, size))
    text = fitted(kind.name, size, model) if kind.name in FITTED else airborne.model_text
    with mock.patch.object(airborne, "model_text", text):
        return (
            fly(model, defaults_for(model), plan, weather, tuple(faults), rng, FLOWN_HZ),
            model,
            size,
            gust_mps,
        )


def logged(flight: Flown, rate: LogRate, rng: np.random.Generator) -> Flight | None:
    """The airborne stretch as a log has it; None where nothing flew."""
    channels = {}
    for name, signal in CHANNELS.items():
        command = name.endswith("_cmd")
        rows = np.arange(rate.every - (rate.earlier if command else 0), flight.t_s.size, rate.every)
        value = flight.signals[signal][rows]
        if command:
            value = np.round(value * PULSE_STEPS) / PULSE_STEPS
        time_s = np.maximum.accumulate(flight.t_s[rows] + rate.jitter_s * rng.standard_normal(rows.size))
        channels[name] = (time_s, value.astype(np.float32))
    channels["landed_state"] = (flight.t_s[:: rate.every], flight.signals["landed"][:: rate.every])
    return next(iter(split(recording_of(channels), CARD)), None)  # type: ignore[arg-type]


def told(kind: Kind, number: int, seed: int) -> Iterator[Told]:
    """What is said of both surfaces at every rate."""
    flight, model, size, gust_mps = flown(kind, number, seed)
    for rate in RATES:
        log = logged(flight, rate, np.random.default_rng([seed, number]))
        if log is None:
            continue
        found = observe(log)
        figures = {one.metric: one for one in found} if isinstance(found, list) else {}
        for surface in SURFACES:
            own = kind.name.startswith(surface) or (kind.name in FITTED and surface == "elevator")
            truth = size if kind.name.startswith(surface) else 0.0
            one = figures.get(f"{surface}_play_fraction")
            value, error = (np.nan, np.nan) if one is None else (one.value, one.standard_error or np.nan)
            name = kind.name if own else "tight"
            yield Told(name, model.id, rate.words, surface, size, truth, value, error, gust_mps)


def _close(one: Told) -> bool:
    return abs(one.value - one.truth) <= max(0.2 * one.truth, 0.01)


def _row(words: str, rows: list[Told]) -> str:
    """Recovered gaps: flights, measured, close enough, covered, errors."""
    known = [one for one in rows if np.isfinite(one.value)]
    if not known:
        return f"| {words} | {len(rows)} | 0 | | | | |"
    off = np.array([one.value - one.truth for one in known])
    covered = np.mean([abs(one.value - one.truth) <= 1.96 * one.error for one in known])
    close = sum(_close(one) for one in known) / len(rows)
    return (
        f"| {words} | {len(rows)} | {len(known) / len(rows):.0%} | {close:.1%} | {covered:.1%} | "
        f"{100 * np.median(off):+.2f} % | {100 * np.quantile(np.abs(off), 0.9):.2f} % |"
    )


def _recovered(rows: list[Told]) -> Iterator[str]:
    yield "| surface, log or size | flights | measured | close | covered | median error | 90 % within |"
    yield "|---|---:|---:|---:|---:|---:|---:|"
    for surface in SURFACES:
        own = [one for one in rows if one.kind == f"{surface}_play"]
        for rate in RATES:
            yield _row(f"{surface}, {rate.words}", [one for one in own if one.rate == rate.words])
        for model in sorted({one.model for one in own}):
            yield _row(f"{surface}, {model} span", [one for one in own if one.model == model])
        for low, high in ((0.02, 0.03), (0.03, 0.06), (0.06, 0.15)):
            name = f"{surface}, gap {100 * low:g} to {100 * high:g} %"
            yield _row(name, [one for one in own if low <= one.truth < high])


def _tight(rows: list[Told]) -> Iterator[str]:
    yield "| surface, log | flights | measured | told as play | above 1 % for sure | 2 % or more | largest |"
    yield "|---|---:|---:|---:|---:|---:|---:|"
    for surface in SURFACES:
        for rate in RATES:
            own = [one for one in rows if one.surface == surface and one.rate == rate.words]
            own = [one for one in own if one.kind == "tight"]
            known = [one for one in own if np.isfinite(one.value)]
            sure = sum(one.value - 1.96 * one.error > 0.01 for one in known)
            yield (
                f"| {surface}, {rate.words} | {len(own)} | {len(known) / len(own):.0%} | "
                f"{sum(one.value > 0.0 for one in known) / len(own):.1%} | {sure / len(own):.1%} | "
                f"{sum(one.value >= 0.02 for one in known) / len(own):.1%} | "
                f"{100 * max(one.value for one in known):.2f} % |"
            )


def _others(rows: list[Told]) -> Iterator[str]:
    yield "| elevator linkage, planted | logs | measured | told as play | told over planted | 90 % below |"
    yield "|---|---:|---:|---:|---:|---:|"
    for kind in KINDS[3:]:
        own = [one for one in rows if one.kind == kind.name]
        known = [one for one in own if np.isfinite(one.value)]
        shown = [one for one in known if one.value > 0.0]
        if not own:
            continue
        if kind.high and known:
            ratio = np.quantile([one.value / one.size for one in known], (0.1, 0.5, 0.9))
            ratios = f"{ratio[0]:.2f}, {ratio[1]:.2f}, {ratio[2]:.2f}"
        else:
            ratios = ""
        most = f"{100 * np.quantile([one.value for one in known], 0.9):.1f} %" if known else ""
        planted = f" ({kind.low:g} to {kind.high:g})" if kind.high else ""
        yield (
            f"| {kind.words}{planted} | {len(own)} | {len(known) / len(own):.0%} | "
            f"{len(shown) / len(own):.0%} | {ratios} | {most} |"
        )


def page(rows: list[Told], options: str) -> str:
    """The Markdown; `options` are those it was made with."""
    spans = ", ".join(sorted({one.model for one in rows}))
    return "\n".join(
        (
            "### Free play, planted and told",
            "",
            "Flights of four minutes by the sample fleet's flight-dynamics library, aeroplanes of "
            f"{spans} span (tuned on 1.5, 2.2 and 3 m), survey and club plans, gusts of 0.1 to 1.5 m/s, "
            "wind of 1 to 7 m/s, commands in whole microseconds, seeds not used for tuning. Made by "
            f"`python -m tests.benchmarks.linkage {options}` on {platform.machine()}, Python "
            f"{platform.python_version()}, numpy {np.__version__}. Shares of full travel.",
            "",
            "**Gaps of 2 to 15 %.** Close: within 20 % of the gap or 1 % of travel, whichever is larger "
            "(not measured counts as missed). Covered: the 95 % interval holds the truth.",
            "",
            *_recovered(rows),
            "",
            "**Linkages without any play**, the other surface's gap planted or not.",
            "",
            *_tight(rows),
            "",
            "**Linkages of other kinds**, all logs together; told over planted: 10th, 50th, 90th percentile.",
            "",
            *_others(rows),
            "",
        )
    )


def main() -> None:
    """Print the page's tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=701)
    parser.add_argument("--times", type=float, default=1.0)
    asked = parser.parse_args()
    rows: list[Told] = []
    for kind in KINDS:
        for number in range(max(round(asked.times * kind.flights), len(SHARES))):
            rows.extend(told(kind, number, asked.seed))
    print(page(rows, f"--seed {asked.seed} --times {asked.times:g}"))


if __name__ == "__main__":
    main()
