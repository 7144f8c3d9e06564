"""Score the detectors against planted truth and write `detectors/pages/errors/ID.md`.

`python -m tests.benchmarks.detector_truth`, then `python -m tests.benchmarks.detector_pages`.
Sound flights and flights with one fault of twice the material threshold, simulated on airframe sizes,
seeds and log rates that nothing was tuned on (`truth_flights`). A fault counts as found where the figure
stands more than one threshold on the bad side of its reference: what the same airframe's sound flights
read in such gusts, or a fixed level where there is one. About ten
minutes on one core.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from tests.benchmarks.truth_flights import MODELS, RATES_HZ, Figures, Scored, fly_one, scored
from tests.benchmarks.truth_loops import loop_table
from tests.benchmarks.truth_oscillation import oscillation_tables
from trimkeep.detectors.history.causes import Observed, rank_causes
from trimkeep.detectors.history.model import Verdict
from trimkeep.detectors.model import DetectorSpec, Metric, Observation
from trimkeep.detectors.numerics.circular import wrap_180
from trimkeep.detectors.registry import DETECTORS
from trimkeep.sample_fleet.faults import Fault

ERRORS = Path(__file__).resolve().parents[2] / "detectors" / "pages" / "errors"
SEED = 48131
LEVEL = 0.95
SURE = 3.0
FEWEST_SOUND = 8
LEAST_WIND_MPS = 3.0


@dataclass(frozen=True, slots=True)
class Plant:
    """One fault and the figure that should show it.

    Parameters
    ----------
    name, detector, metric, context : str
    fault : Fault kind, loop
    sizes : tuple of float
        One for each of `MODELS`: what moves the figure by twice what matters.
    cause : str
        Which cause should be put first; empty where the table of causes has none for it.
    reference : float or None
        Fixed level; None: the airframe's own sound flights.
    what : str
        The size in words.
    """

    name: str
    detector: str
    metric: str
    context: str
    kind: str
    sizes: tuple[float, ...]
    what: str
    cause: str = ""
    loop: str = "pitch"
    reference: float | None = None


PLANTS = (
    Plant("limit above reach", "limits", "roll_limit_over_reach", "full_demand", "rate_limit_too_high",
          tuple(1.2 * model.roll_rate_reach_dps for model in MODELS),
          "limit of 1.2 times the reach", "rate_limit_too_high", reference=1.0),
    Plant("out of trim", "trim", "elevator_trim", "held_level", "elevator_trim", (0.10, 0.10),
          "0.10 of the elevator", "out_of_trim"),
    Plant("integrator pinned", "trim", "pitch_integrator_pinned_share", "held_level", "elevator_trim",
          (0.28, 0.28), "0.28 of the elevator, which pins it nearly always", "out_of_trim"),
    Plant("throw lost", "authority", "elevator_effect_dps", "flight", "low_throw", (0.41, 0.39),
          "30 deg/s of about 50 lost", "low_authority"),
    Plant("leaning after turns", "attitude_estimate", "turn_bank_error_deg", "turn", "estimator_turn_error",
          (0.17, 0.17), "accelerometers trusted by 0.17, 4 deg", "estimator_turn_error"),
    Plant("imbalance", "vibration", "vibration_z_rms_mps2", "held_level", "propeller_imbalance", (3.3, 3.3),
          "3.3 m/s2 from the propeller", "propeller_imbalance"),
    Plant("power lost", "energy", "cruise_power_corrected_w", "cruise", "propulsion_loss", (0.18, 0.124),
          "16 W more for the same flying", "propulsion_loss"),
    Plant("battery resistance", "energy", "battery_resistance_mohm", "flight", "battery_ageing",
          (0.010, 0.010), "10 mohm added", "wear"),
    Plant("airspeed scale", "sensors", "airspeed_scale_error", "flight", "airspeed_scale", (1.111, 1.111),
          "a tenth too much shown", reference=0.0),
    Plant("left armed", "ground_handling", "armed_after_landing_s", "ground", "left_armed", (24.0, 24.0),
          "20 s longer than usual", "armed_on_ground"),
    Plant("stiff hinge", "oscillation", "pitch_oscillation_amplitude_deg", "held_level", "elevator_stiction",
          (0.065, 0.065), "0.065 of travel, 0.2 of what matters here", "linkage_play"),
    Plant("free play", "linkage", "elevator_play_fraction", "flight", "elevator_play", (0.04, 0.04),
          "0.04 of travel", "linkage_play"),
    Plant("soft roll loop", "loop_response", "bank_delay_s", "assisted", "loop_gain", (0.65, 0.65),
          "bank about 0.2 s later", "loop_gain", loop="roll"),
)  # fmt: skip
SPECS: dict[str, DetectorSpec] = {detector.spec.id: detector.spec for detector in DETECTORS}
METRICS: dict[str, Metric] = {one.name: one for spec in SPECS.values() for one in spec.metrics}
FAMILIES = {one.name: spec.family for spec in SPECS.values() for one in spec.metrics}


@dataclass(frozen=True, slots=True)
class Usual:
    """What sound flights of one airframe read: a line over gust strength, and the scatter about it."""

    level: float
    slope: float
    spread: float

    def at(self, gust: float) -> float:
        """What is usual in such gusts."""
        return self.level + self.slope * gust


References = dict[tuple[str, float, str, str], Usual]


def flights(each: int, sound: int) -> Iterator[Scored]:
    """All flights at all log rates; the kind is the fault's name, "" for sound ones.

    Kinds and sizes take turns, so that a run that is cut short is still a fair one.
    """
    kinds: list[tuple[int, int, Plant | None]] = [(1, sound, None)]
    kinds += [(10 + place, each, plant) for place, plant in enumerate(PLANTS)]
    jobs = [
        ((index + 1.0) / count, code, number, index, plant)
        for code, count, plant in kinds
        for index in range(count)
        for number in range(len(MODELS))
    ]
    for _, code, number, index, plant in sorted(jobs, key=lambda job: job[:4]):
        rng = np.random.default_rng([SEED, number, code, index])
        faults = () if plant is None else (Fault(plant.kind, plant.sizes[number], loop=plant.loop),)
        kind = plant.name if plant is not None else ""
        yield from scored(fly_one(MODELS[number], faults, rng), MODELS[number], kind, rng)


def references_of(all_flights: Sequence[Scored]) -> References:
    """What each figure usually is in sound flights, by model, rate, metric and context."""
    values: dict[tuple[str, float, str, str], list[tuple[float, float]]] = defaultdict(list)
    for one in all_flights:
        if one.kind == "":
            for (metric, context), said in one.figures.items():
                values[one.model, one.rate_hz, metric, context].append((gust_of(one), said.value))
    return {key: _usual(np.array(found)) for key, found in values.items() if len(found) >= FEWEST_SOUND}


def gust_of(one: Scored) -> float:
    """Gust strength as the flight's own log has it, m^(2/3)/s."""
    said = one.figures.get(("gust_edr", "flight"))
    return said.value if said is not None else 0.1


def _usual(found: np.ndarray) -> Usual:
    gust, value = found.T
    slope, level = np.polyfit(gust, value, 1) if np.ptp(gust) > 0.0 else (0.0, float(np.mean(value)))
    left = value - level - slope * gust
    spread = float(np.sqrt(left @ left / max(value.size - 2, 1)))
    return Usual(float(level), float(slope), spread)


def badness(metric: str, value: float, reference: float) -> float:
    """How far a figure stands on the bad side of its reference, in material thresholds."""
    one = METRICS[metric]
    off = value - reference
    if one.better == "higher":
        off = -off
    elif one.better == "nearer_zero":
        off = abs(off)
    return off / one.matters


@dataclass(frozen=True, slots=True)
class Count:
    """Hits among trials."""

    hits: int
    trials: int

    @property
    def at_least(self) -> float:
        """One-sided 95 % lower bound of the share (Clopper and Pearson 1934)."""
        if self.hits == 0:
            return 0.0
        return float(stats.beta.ppf(1.0 - LEVEL, self.hits, self.trials - self.hits + 1))

    @property
    def at_most(self) -> float:
        """One-sided 95 % upper bound of the share."""
        if self.hits == self.trials:
            return 1.0
        return float(stats.beta.ppf(LEVEL, self.hits + 1, self.trials - self.hits))


def counted(
    all_flights: Sequence[Scored], plant: Plant, kind: str, rate_hz: float, references: References
) -> tuple[Count, int]:
    """Flights of that kind in which the figure stands out, and how many flights gave no figure."""
    hits = trials = silent = 0
    for one in all_flights:
        if one.kind != kind or one.rate_hz != rate_hz:
            continue
        said = one.figures.get((plant.metric, plant.context))
        key = (one.model, one.rate_hz, plant.metric, plant.context)
        usual = references.get(key)
        if said is None or (usual is None and plant.reference is None):
            silent += 1
            continue
        level = usual.at(gust_of(one)) if plant.reference is None and usual is not None else plant.reference
        trials += 1
        hits += badness(plant.metric, said.value, level or 0.0) > 1.0
    return Count(hits, trials), silent


def observed(one: Scored, references: References) -> list[Observed]:
    """Every judged figure of a flight against the airframe's sound flights, as the judge words it.

    Gusts move figures too: what goes with them is taken off, and one flight is called worse only past
    three of the spreads that are left.
    """
    found = []
    for (metric, context), said in one.figures.items():
        usual = references.get((one.model, one.rate_hz, metric, context))
        if usual is None or METRICS[metric].better == "none":
            continue
        bad = badness(metric, said.value, usual.at(gust_of(one)))
        noise = max(SURE * usual.spread, 2.0 * (said.standard_error or 0.0)) / METRICS[metric].matters
        verdict = Verdict.NO_MATERIAL_CHANGE
        if bad > 1.0:
            verdict = Verdict.WORSE if bad > noise else Verdict.TOO_EARLY
        found.append(Observed(FAMILIES[metric], metric, context, verdict))
    return found


def first_cause(one: Scored, plant: Plant, references: References) -> str:
    """The cause that is put first for the finding of the planted fault's own family; empty without one."""
    ranked = rank_causes(observed(one, references), (), family=FAMILIES[plant.metric])
    return ranked[0].cause if ranked else ""


def fault_table(all_flights: Sequence[Scored], references: References, detector: str) -> str:
    """Found and falsely found, for each fault of a detector and each log rate."""
    mine = [plant for plant in PLANTS if plant.detector == detector]
    if not mine:
        return ""
    heads = ("fault, twice what matters", "figure", "log", "found", "at least", "in sound flights", "at most")
    lines = [f"| {' | '.join(heads)} | no figure |", "|---|---|---:|---:|---:|---:|---:|---:|"]
    for plant in mine:
        for rate_hz in RATES_HZ:
            found, silent = counted(all_flights, plant, plant.name, rate_hz, references)
            false, silent_too = counted(all_flights, plant, "", rate_hz, references)
            head = f"| {plant.name}: {plant.what} | `{plant.metric}` | {rate_hz:g} Hz |"
            if found.trials == 0 and false.trials == 0:
                lines.append(f"{head} not measured | | not measured | | {silent + silent_too} |")
                continue
            lines.append(
                f"{head} {found.hits} of {found.trials} | {found.at_least:.1%} | {false.hits} of "
                f"{false.trials} | {false.at_most:.1%} | {silent} and {silent_too} |"
            )
    return "\n".join(lines) + "\n"


def cause_table(all_flights: Sequence[Scored], references: References) -> str:
    """How often the planted cause is put first."""
    lines = ["| fault | cause | log | put first | at least | else |", "|---|---|---:|---:|---:|---|"]
    total = defaultdict(lambda: [0, 0])
    for plant in PLANTS:
        if not plant.cause:
            continue
        for rate_hz in RATES_HZ:
            mine = [one for one in all_flights if one.kind == plant.name and one.rate_hz == rate_hz]
            firsts = [first_cause(one, plant, references) for one in mine]
            right = Count(sum(first == plant.cause for first in firsts), len(firsts))
            others = sorted({first or "nothing shows" for first in firsts} - {plant.cause})
            told = ", ".join(
                f"{other} {sum((f or 'nothing shows') == other for f in firsts)}" for other in others
            )
            total[rate_hz][0] += right.hits
            total[rate_hz][1] += right.trials
            lines.append(
                f"| {plant.name} | `{plant.cause}` | {rate_hz:g} Hz | {right.hits} of {right.trials} | "
                f"{right.at_least:.1%} | {told} |"
            )
    for rate_hz, (hits, trials) in total.items():
        lines.append(
            f"| all | | {rate_hz:g} Hz | {hits} of {trials} | {Count(hits, trials).at_least:.1%} | |"
        )
    return "\n".join(lines) + "\n"


TRUTHS = (
    ("conditions", "wind_mps", "flight", "wind_mps", 1.0),
    ("conditions", "wind_from_deg", "flight", "wind_from_deg", 1.0),
    ("conditions", "gust_edr", "flight", "gust_edr", 1.0),
    ("conditions", "air_density_kgpm3", "flight", "air_density_kgm3", 1.0),
    ("energy", "battery_resistance_mohm", "flight", "battery_resistance_ohm", 1000.0),
    ("trim", "elevator_trim", "held_level", "level_elevator_mean", 1.0),
)


def truth_table(all_flights: Sequence[Scored], detector: str) -> str:
    """Errors of the figures whose truth the simulation knows, over the sound flights."""
    rows = [
        row
        for _, metric, context, truth, factor in (one for one in TRUTHS if one[0] == detector)
        for row in _truth_rows(all_flights, metric, context, truth, factor)
    ]
    if not rows:
        return ""
    head = (
        "| figure | log | flights | truth | median error | 95 % within | rank | error / stated |\n"
        "|---|---:|---:|---|---:|---:|---:|---:|\n"
    )
    return head + "\n".join(rows) + "\n"


def _pairs(
    all_flights: Sequence[Scored], metric: str, context: str, truth: str, factor: float, rate_hz: float
) -> tuple[np.ndarray, list[Observation]]:
    pairs = [
        (factor * float(one.truth[truth]), one.figures[metric, context])
        for one in all_flights
        if one.kind == ""
        and one.rate_hz == rate_hz
        and (metric, context) in one.figures
        and truth in one.truth
    ]
    return np.array([true for true, _ in pairs]), [said for _, said in pairs]


def _truth_rows(
    all_flights: Sequence[Scored], metric: str, context: str, truth: str, factor: float
) -> Iterator[str]:
    for rate_hz in RATES_HZ:
        true, said = _pairs(all_flights, metric, context, truth, factor, rate_hz)
        if true.size < 3:
            continue
        found = np.array([one.value for one in said])
        off = found - true
        if metric.endswith("_from_deg"):
            off = np.array([wrap_180(float(one)) for one in off])
        stated = np.array([one.standard_error or np.nan for one in said])
        rank = stats.spearmanr(true, found).statistic if np.ptp(true) > 0 else np.nan
        yield (
            f"| `{metric}` | {rate_hz:g} Hz | {true.size} | {true.min():.3g} to {true.max():.3g} | "
            f"{np.median(off):.3g} | {np.quantile(np.abs(off), 0.95):.3g} | {rank:.3f} | "
            f"{np.nanmedian(np.abs(off) / stated):.2f} |"
        )


def wind_table(all_flights: Sequence[Scored]) -> str:
    """The bounds that the wind is held to, where it blows above 3 m/s."""
    lines = [
        "| wind above 3 m/s | log | within 0.5 m/s | within 10 deg | both, at least |",
        "|---|---:|---:|---:|---:|",
    ]
    for rate_hz in RATES_HZ:
        speeds = turns = both = trials = 0
        for one in all_flights:
            if one.kind != "" or one.rate_hz != rate_hz or not _windy(one.truth, one.figures):
                continue
            speed = abs(one.figures["wind_mps", "flight"].value - float(one.truth["wind_mps"])) <= 0.5
            off = one.figures["wind_from_deg", "flight"].value - float(one.truth["wind_from_deg"])
            turn = abs(wrap_180(off)) <= 10.0
            speeds, turns, both, trials = speeds + speed, turns + turn, both + (speed and turn), trials + 1
        lines.append(
            f"| sound flights, full turn | {rate_hz:g} Hz | {speeds} of {trials} | {turns} of {trials} | "
            f"{Count(both, trials).at_least:.1%} |"
        )
    return "\n".join(lines) + "\n"


def _windy(truth: Mapping[str, float | str], figures: Figures) -> bool:
    return float(truth["wind_mps"]) > LEAST_WIND_MPS and ("wind_mps", "flight") in figures


CAUSES_INTRO = (
    "\n## Which cause is put first\n\nFor one flight with one fault of twice what matters, against the same "
    "airframe's sound flights: each judged figure is worse where it stands more than one threshold, three "
    "usual spreads and two standard errors on the bad side of what is usual in such gusts. `nothing shows`: "
    "no figure does. On simulated flights that nothing was tuned on, by `detectors/history/causes.toml`; "
    "made by `python -m tests.benchmarks.detector_truth`.\n\n"
)
INTRO = (
    "Simulated survey flights of 4 to 5 minutes on two airframe sizes ({sizes} m span), seeds and log "
    "rates that nothing was tuned on; one standing fault in each flight of twice what matters. Found: more "
    "than one threshold on the bad side of what the same airframe's sound flights read in such gusts "
    "(limits: of 1; airspeed scale: of 0). Bounds are one-sided, 95 %. Made by "
    "`python -m tests.benchmarks.detector_truth`.\n\n"
)


def write(all_flights: Sequence[Scored]) -> None:
    """All tables, to `errors/`."""
    ERRORS.mkdir(parents=True, exist_ok=True)
    references = references_of(all_flights)
    oscillation = oscillation_tables()
    for detector in sorted(SPECS):
        parts = [fault_table(all_flights, references, detector), truth_table(all_flights, detector)]
        parts.append(wind_table(all_flights) if detector == "conditions" else "")
        parts.append(oscillation if detector == "oscillation" else "")
        parts.append(loop_table() if detector == "loop_response" else "")
        text = "\n".join(part for part in parts if part)
        if text and detector != "linkage":  # whose width over its whole range is scored by itself
            intro = INTRO.format(sizes=" and ".join(f"{model.span_m:.1f}" for model in MODELS))
            (ERRORS / f"{detector}.md").write_text(intro + text, encoding="utf-8")
            print(f"## {detector}\n{text}")
    causes = cause_table(all_flights, references)
    (ERRORS / "causes.md").write_text(CAUSES_INTRO + causes, encoding="utf-8")
    print(causes)


def main() -> None:
    """Fly, score, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=7, help="flights with each fault, per airframe size")
    parser.add_argument("--sound", type=int, default=42, help="sound flights, per airframe size")
    asked = parser.parse_args()
    write(list(flights(asked.each, asked.sound)))


if __name__ == "__main__":
    main()
