"""Score the detectors against planted truth and write `detectors/pages/errors/ID.md`.

`python -m tests.benchmarks.truth_runs --keep FOLDER` flies (half a second of CPU time a flight),
`python -m tests.benchmarks.detector_truth --keep FOLDER` scores what is kept there, then
`python -m tests.benchmarks.detector_pages`. Sound flights and flights with one fault of twice the material
threshold (`truth_plants`), on airframe sizes, seeds and log rates that nothing was tuned on. A fault counts
as found where the figure stands more than one threshold on the bad side of its reference, and further than
its own stated error explains: what the same airframe's sound flights read in such gusts, or a fixed level
where there is one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from tests.benchmarks.truth_flights import Scored
from tests.benchmarks.truth_loops import loop_table
from tests.benchmarks.truth_oscillation import oscillation_tables
from tests.benchmarks.truth_plants import MODELS, PLANTS, Plant
from tests.benchmarks.truth_runs import FAST_HZ, SLOW_HZ, kept, parser_of
from trimkeep.detectors.history.causes import Observed, rank_causes
from trimkeep.detectors.history.model import Verdict
from trimkeep.detectors.model import DetectorSpec, Metric, Observation
from trimkeep.detectors.numerics.circular import wrap_180
from trimkeep.detectors.registry import DETECTORS

ERRORS = Path(__file__).resolve().parents[2] / "detectors" / "pages" / "errors"
LOGS: dict[str, tuple[float, ...]] = {"25 and 50 Hz": FAST_HZ, "5 Hz": (SLOW_HZ,)}
LEVEL = 0.95
SURE = 3.0
BEYOND_CHANCE = 2.33
"""Standard errors, one-sided 1 %: a figure that far off is no accident of its own noise."""
FEWEST_SOUND = 8
LEAST_WIND_MPS = 3.0


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
    all_flights: Sequence[Scored], plant: Plant, kind: str, log: str, references: References
) -> tuple[Count, int]:
    """Flights of that kind in which the figure stands out, and how many flights gave no figure."""
    hits = trials = silent = 0
    for one in all_flights:
        if one.kind != kind or one.rate_hz not in LOGS[log] or not _large_enough(one, plant):
            continue
        said = one.figures.get((plant.metric, plant.context))
        key = (one.model, one.rate_hz, plant.metric, plant.context)
        usual = references.get(key)
        if said is None or (usual is None and plant.reference is None):
            silent += 1
            continue
        level = usual.at(gust_of(one)) if plant.reference is None and usual is not None else plant.reference
        trials += 1
        hits += stands_out(plant.metric, said, level or 0.0)
    return Count(hits, trials), silent


def _large_enough(one: Scored, plant: Plant) -> bool:
    """Whether what was planted came to twice what matters in this very flight; sound flights always are."""
    return one.kind == "" or not float(one.truth["planted_truth"]) < plant.least


def stands_out(metric: str, said: Observation, reference: float) -> bool:
    """Beyond its threshold, and further than its own error explains."""
    bad = badness(metric, said.value, reference)
    noise = BEYOND_CHANCE * (said.standard_error or 0.0) / METRICS[metric].matters
    return bad > max(1.0, noise)


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
        for log in LOGS:
            found, silent = counted(all_flights, plant, plant.name, log, references)
            false, silent_too = counted(all_flights, plant, "", log, references)
            head = f"| {plant.name}: {plant.what} | `{plant.metric}` | {log} |"
            if found.trials == 0 and false.trials == 0:
                lines.append(f"{head} not measured | | not measured | | {silent + silent_too} |")
                continue
            lines.append(
                f"{head} {found.hits} of {found.trials} | {found.at_least:.1%} | {false.hits} of "
                f"{false.trials} | {false.at_most:.1%} | {silent} and {silent_too} |"
            )
    return "\n".join(lines) + "\n"


def cause_table(all_flights: Sequence[Scored], references: References) -> str:
    """How often the planted cause is put first, another one, or none because nothing shows."""
    heads = ("fault", "cause", "log", "put first", "at least", "nothing shows")
    lines = [f"| {' | '.join(heads)} | another first |", "|---|---|---:|---:|---:|---:|---|"]
    total: dict[str, list[str]] = defaultdict(list)
    for plant in PLANTS:
        if not plant.cause:
            continue
        for log, rates_hz in LOGS.items():
            firsts = [
                first_cause(one, plant, references)
                for one in all_flights
                if one.kind == plant.name and one.rate_hz in rates_hz and _large_enough(one, plant)
            ]
            named = ["right" if first == plant.cause else first for first in firsts]
            total[log] += named
            lines.append(f"| {plant.name} | `{plant.cause}` | {log} | {_cause_cells(named)} |")
    lines += [f"| all | | {log} | {_cause_cells(named)} |" for log, named in total.items()]
    return "\n".join(lines) + "\n"


def _cause_cells(named: list[str]) -> str:
    right = Count(named.count("right"), len(named))
    others = sorted(set(named) - {"right", ""})
    told = ", ".join(f"{other} {named.count(other)}" for other in others)
    return f"{right.hits} of {right.trials} | {right.at_least:.1%} | {named.count('')} | {told}"


TRUTHS = (
    ("conditions", "wind_mps", "flight", "wind_met_mps", 1.0),
    ("conditions", "wind_from_deg", "flight", "wind_met_from_deg", 1.0),
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
    all_flights: Sequence[Scored], metric: str, context: str, truth: str, factor: float, log: str
) -> tuple[np.ndarray, list[Observation]]:
    pairs = [
        (factor * float(one.truth[truth]), one.figures[metric, context])
        for one in all_flights
        if one.kind == ""
        and one.rate_hz in LOGS[log]
        and (metric, context) in one.figures
        and truth in one.truth
    ]
    return np.array([true for true, _ in pairs]), [said for _, said in pairs]


def _truth_rows(
    all_flights: Sequence[Scored], metric: str, context: str, truth: str, factor: float
) -> Iterator[str]:
    for log in LOGS:
        true, said = _pairs(all_flights, metric, context, truth, factor, log)
        if true.size < 3:
            continue
        found = np.array([one.value for one in said])
        off = found - true
        if metric.endswith("_from_deg"):
            off = np.array([wrap_180(float(one)) for one in off])
        stated = np.array([one.standard_error or np.nan for one in said])
        rank = stats.spearmanr(true, found).statistic if np.ptp(true) > 0 else np.nan
        yield (
            f"| `{metric}` | {log} | {true.size} | {true.min():.3g} to {true.max():.3g} | "
            f"{np.median(off):.3g} | {np.quantile(np.abs(off), 0.95):.3g} | {rank:.3f} | "
            f"{np.nanmedian(np.abs(off) / stated):.2f} |"
        )


WIND_TRUTHS = {"the air met": "wind_met", "the mean of its weather": "wind"}
"""Slow gusts leave some tenths of a metre per second between the two in a flight of four minutes."""


def wind_table(all_flights: Sequence[Scored]) -> str:
    """The bounds that the wind is held to, where it blows above 3 m/s."""
    lines = [
        "| wind above 3 m/s, full turn, against | log | within 0.5 m/s | within 10 deg | both, at least |",
        "|---|---|---:|---:|---:|",
    ]
    for words, truth in WIND_TRUTHS.items():
        for log, rates_hz in LOGS.items():
            close = np.array([_wind_close(one, truth) for one in all_flights if _windy(one, rates_hz)])
            speeds, turns = close.reshape(-1, 2).sum(axis=0)
            both = Count(int(close.reshape(-1, 2).all(axis=1).sum()), len(close))
            lines.append(
                f"| {words} | {log} | {speeds} of {both.trials} | {turns} of {both.trials} | "
                f"{both.at_least:.1%} |"
            )
    return "\n".join(lines) + "\n"


def _wind_close(one: Scored, truth: str) -> tuple[bool, bool]:
    """Whether speed and direction are within their bounds."""
    off_mps = one.figures["wind_mps", "flight"].value - float(one.truth[f"{truth}_mps"])
    off_deg = one.figures["wind_from_deg", "flight"].value - float(one.truth[f"{truth}_from_deg"])
    return abs(off_mps) <= 0.5, abs(wrap_180(off_deg)) <= 10.0


def _windy(one: Scored, rates_hz: Sequence[float]) -> bool:
    """A sound flight in more than a breeze, whose wind was told."""
    told = ("wind_mps", "flight") in one.figures and ("wind_from_deg", "flight") in one.figures
    windy = float(one.truth["wind_mps"]) > LEAST_WIND_MPS
    return one.kind == "" and one.rate_hz in rates_hz and windy and told


CAUSES_INTRO = (
    "\n## Which cause is put first\n\nFor one flight with one fault of twice what matters, against the same "
    "airframe's sound flights: each judged figure is worse where it stands more than one threshold, three "
    "usual spreads and two standard errors on the bad side of what is usual in such gusts. `nothing shows`: "
    "no figure does, so that no cause is named at all. On simulated flights that nothing was tuned on, by "
    "`detectors/history/causes.toml`; made by `python -m tests.benchmarks.detector_truth`.\n\n"
)
INTRO = (
    "Simulated survey flights of about 4 minutes on three airframe sizes ({sizes} m span), seeds and log "
    "rates that nothing was tuned on; one standing fault in each flight of twice what matters, by its "
    "planted truth. Found: more than one threshold on the bad side of what the same airframe's sound flights "
    "read in such gusts (limits: of 1; airspeed scale: of 0), and by more than 2.33 of the figure's own "
    "standard errors. Bounds are one-sided, 95 % (Clopper and Pearson 1934). No figure: in flights with the "
    "fault and in sound ones. Made by `python -m tests.benchmarks.detector_truth`.\n\n"
)


def write(all_flights: Sequence[Scored], whole: Sequence[Scored]) -> None:
    """All tables, to `errors/`; `whole`: the flights that every detector saw."""
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
            intro = INTRO.format(sizes=", ".join(f"{model.span_m:.1f}" for model in MODELS))
            (ERRORS / f"{detector}.md").write_text(intro + text, encoding="utf-8")
            print(f"## {detector}\n{text}")
    causes = cause_table(whole, references)
    (ERRORS / "causes.md").write_text(CAUSES_INTRO + causes, encoding="utf-8")
    print(causes)


def main() -> None:
    """Score what is kept, write."""
    asked = parser_of(__doc__).parse_args()
    found = list(kept(asked.keep, asked.each, asked.sound))
    write([one for _, one in found], [one for job, one in found if job.is_whole])


if __name__ == "__main__":
    main()
