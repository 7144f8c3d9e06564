"""How well the judge keeps its promise and how quick it is: `python -m tests.benchmarks.judging`.

Simulated series with the troubles of real ones (`judging_series`), looked at after every flight from
the third after the change to the sixtieth. The judge learns conditions, noise and memory from sixty
other airframes of thirty flights (eight such fleets to a cell) and takes its limits from the shipped
table; nothing is tuned on the scenario under test. Beside it, in the same run and on the raw metric as
a test that knows nothing would be fed: repeated Welch and Mann-Whitney tests, and, where installed, a
penalised segmentation
(`ruptures`) and an E-divisive detector (`otava`) that count as right within two flights of the change.
"""

from __future__ import annotations

import argparse
import importlib
import time
from dataclasses import dataclass
from types import ModuleType

import numpy as np
from scipy import stats

from tests.benchmarks.judging_series import SCENARIOS, Batch, Scenario, make
from tests.detectors.history.builders import change, history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.calibration import CALL_WIDTH, WIDTH, log_call_evidence, shipped_limits
from trimkeep.detectors.history.calibration_scan import shipped_scan_limits
from trimkeep.detectors.history.evidence import critical_t, log_e_value
from trimkeep.detectors.history.fleet_model import FleetModel, MetricModel, fit_fleet_model
from trimkeep.detectors.history.judge import judge_airframe
from trimkeep.detectors.history.multiplicity import call_by_chance, false_chance, real_share
from trimkeep.detectors.history.pooling import crossed_effects
from trimkeep.detectors.history.preparation import CONDITION_NAMES
from trimkeep.detectors.history.step_fit import fit_steps
from trimkeep.detectors.history.steps_unknown import WINDOW, scan
from trimkeep.detectors.model import FloatArray

LOOKS = np.arange(3, 61)
SEED = 424242  # not the seed that the limits' margins were set with
FLEETS = 8
"""Fleets in a cell: what one fleet has taught is right or wrong for all of its series together."""
WIND = CONDITION_NAMES.index("wind_mps")
SETTINGS = JudgeSettings()


def learned(scenario: Scenario, number: int = 0) -> tuple[FleetModel, MetricModel]:
    """What sixty other airframes of thirty flights teach; fleets differ by `number`."""
    batch = make(scenario, np.random.default_rng((SEED, 1, number)), 60, 30, 0)
    fleet = [
        history(v, airframe=f"other-{k}", wind=w)
        for k, (v, w) in enumerate(zip(batch.value, batch.wind, strict=True))
    ]
    model = fit_fleet_model(fleet, [])
    return model, model.of("altitude_error_rms_m", "held_level")


@dataclass(frozen=True, slots=True)
class Paths:
    """Per series and look: step, its error, evidence, freedom, information."""

    step: FloatArray
    error: FloatArray
    log_e: FloatArray
    freedom: FloatArray
    information: FloatArray
    sigma: FloatArray

    def half_width(self, limit: FloatArray) -> FloatArray:
        """Half of the interval at each look."""
        return critical_t(limit, self.freedom, self.information, WIDTH) * self.error


def paths(batch: Batch, known: MetricModel, looks: np.ndarray = LOOKS) -> Paths:
    """All series at all looks, by the judge's own regression."""
    count = batch.value.shape[0]
    wind = (batch.wind - known.centre[WIND]) / known.spread[WIND]
    fields = {
        n: np.empty((count, looks.size))
        for n in ("step", "error", "log_e", "freedom", "information", "sigma")
    }
    for column, look in enumerate(looks):
        n = batch.before + int(look)
        for start in range(0, count, 500):
            part = slice(start, min(start + 500, count))
            size = part.stop - part.start
            fit = fit_steps(
                batch.value[part, :n],
                np.clip(wind[part, :n, None], -4.0, 4.0),
                np.broadcast_to(np.arange(n) >= batch.before, (size, n)),
                np.ones((size, n)),
                sigma=np.full(size, known.sigma),
                sigma_flights=np.full(size, known.sigma_flights),
                slope=np.full((size, 1), known.slope[WIND]),
                slope_flights=np.full((size, 1), known.slope_flights[WIND]),
                rho=np.full(size, known.rho),
            )
            log_e = log_e_value(fit.step / fit.standard_error, fit.freedom, fit.information, WIDTH)
            for name, value in (
                ("step", fit.step), ("error", fit.standard_error), ("log_e", log_e),
                ("freedom", fit.freedom), ("information", fit.information), ("sigma", fit.sigma),
            ):  # fmt: skip
                fields[name][part, column] = value
    return Paths(**fields)


def limit_at(known: MetricModel, before: int, level: float, looks: np.ndarray = LOOKS) -> FloatArray:
    """The shipped limit at each look."""
    full = np.full(looks.size, 1.0)
    return shipped_limits().at(
        level, before * full, looks.astype(float), known.rho * full, known.outlier_share * full,
        known.sigma_flights * full,
    )  # fmt: skip


def check_against_the_judge(model: FleetModel, known: MetricModel, batch: Batch) -> None:
    """The arrays here and the judge must agree, or the table is about something else."""
    ours = paths(batch, known, np.array([10]))
    half = ours.half_width(limit_at(known, batch.before, SETTINGS.level, np.array([10])))
    for k in range(8):
        n = batch.before + 10
        series = history(batch.value[k, :n], wind=batch.wind[k, :n])
        effect = judge_airframe([series], [change(batch.before)], model, SETTINGS)[0].effect
        assert effect is not None
        assert abs(effect.difference - ours.step[k, 0]) < 1e-9
        assert abs(effect.high - effect.difference - half[k, 0]) < 1e-9


def welch_p(value: FloatArray, before: int) -> FloatArray:
    """p of Welch's test at every look, shape (B, looks)."""
    columns = [
        stats.ttest_ind(value[:, :before], value[:, before : before + n], axis=1, equal_var=False).pvalue
        for n in LOOKS
    ]
    return np.stack(columns, axis=1)


def mann_whitney_p(value: FloatArray, before: int) -> FloatArray:
    """p of the Mann-Whitney test at every look."""
    columns = [
        stats.mannwhitneyu(value[:, :before], value[:, before : before + n], axis=1).pvalue for n in LOOKS
    ]
    return np.stack(columns, axis=1)


def optional(name: str) -> ModuleType | None:
    """A package that is not needed to run."""
    try:
        return importlib.import_module(name)
    except ImportError:
        return None


def segmentation_hits(value: FloatArray, before: int, ruptures: ModuleType) -> np.ndarray:
    """Least-squares segmentation with 2 log n: a change within two flights of the known one."""
    hits = np.zeros((value.shape[0], LOOKS.size), dtype=bool)
    for k, series in enumerate(value):
        scale = np.median(np.abs(np.diff(series[:before]))) / 0.954
        for j, look in enumerate(LOOKS):
            n = before + int(look)
            algorithm = ruptures.Pelt(model="l2", min_size=2, jump=1).fit(series[:n] / max(scale, 1e-9))
            found = np.array(algorithm.predict(pen=2.0 * np.log(n))[:-1])
            hits[k, j] = bool(np.any(np.abs(found - before) <= 2))
    return hits


def divisive_hits(value: FloatArray, before: int, otava: ModuleType) -> np.ndarray:
    """E-divisive detector at its own default p < 0.001: a change within two flights of the known one."""
    hits = np.zeros((value.shape[0], LOOKS.size), dtype=bool)
    for k, series in enumerate(value):
        for j, look in enumerate(LOOKS):
            n = before + int(look)
            try:
                points, _ = otava.compute_change_points(list(map(float, series[:n])), max_pvalue=0.001)
            except ValueError:  # its test refuses segments of one value: nothing said
                points = []
            hits[k, j] = any(abs(point.index - before) <= 2 for point in points)
    return hits


def ever(hit: np.ndarray) -> np.ndarray:
    """Whether it was ever said up to each look."""
    return np.maximum.accumulate(hit, axis=1)


def percent(hit: np.ndarray, look: int) -> float:
    """Share of series in which it was said by a look, %."""
    return 100.0 * float(ever(hit)[:, look - 3].mean())


def upper_bound(count: int, total: int) -> float:
    """95 % one-sided Clopper-Pearson bound, %."""
    return 100.0 * float(stats.beta.ppf(0.95, count + 1, total - count)) if count < total else 100.0


def false_alarms(count: int) -> None:
    """False alarms ever within 60 flights."""
    print("\n| noise | flights before | 5 %: ever, % (upper bound) | 1 %: ever, % (upper bound) |")
    print("|---|---|---|---|")
    for name in ("clean", "outliers", "wind", "ar4", "real", "real ar4", "season", "stress"):
        for before in (5, 10, 20, 30):
            said = np.zeros(2, dtype=int)
            for number in range(FLEETS):
                _, known = learned(SCENARIOS[name], number)
                rng = np.random.default_rng((SEED, 2, before, number))
                found = paths(make(SCENARIOS[name], rng, count // FLEETS, before, 60), known)
                for j, level in enumerate((0.05, 0.01)):
                    said[j] += int(ever(found.log_e > limit_at(known, before, level))[:, -1].sum())
            total = count // FLEETS * FLEETS
            cells = [f"{100 * n / total:.1f} ({upper_bound(int(n), total):.1f})" for n in said]
            print(f"| {name} | {before} | {cells[0]} | {cells[1]} |", flush=True)


def parts_of(batch: Batch) -> list[Batch]:
    """The series of a batch shared out to the fleets."""
    splits = np.array_split(np.arange(batch.value.shape[0]), FLEETS)
    return [Batch(batch.value[k], batch.wind[k], batch.sigma[k], batch.before) for k in splits]


def power(count: int, others: int) -> None:
    """Known change on the series called real, twenty flights before, beside other methods."""
    scenario = SCENARIOS["real"]
    model, known = learned(scenario)
    rows: dict[str, dict[float, np.ndarray]] = {}
    for effect in (0.0, 1.0, 2.0, 3.0):
        batch = make(scenario, np.random.default_rng((SEED, 3, int(effect))), count, 20, 60, effect)
        if effect == 0.0:
            check_against_the_judge(model, known, batch)
        own: dict[str, list[np.ndarray]] = {"**judge, 0.05**": [], "**judge, 0.01**": [], "judge, e > 20": []}
        for number, part in enumerate(parts_of(batch)):
            _, theirs = learned(scenario, number)
            log_e = paths(part, theirs).log_e
            for name, limit in zip(
                own, (limit_at(theirs, 20, 0.05), limit_at(theirs, 20, 0.01), np.log(20.0)), strict=True
            ):
                own[name].append(log_e > limit)
        for name, hits in own.items():
            rows.setdefault(name, {})[effect] = np.vstack(hits)
        raw = batch.raw(scenario)
        for level in (0.05, 0.01):
            rows.setdefault(f"Welch p < {level}, every flight", {})[effect] = welch_p(raw, 20) < level
        p = mann_whitney_p(raw[: max(others * 4, 200)], 20)
        for level in (0.05, 0.01):
            rows.setdefault(f"Mann-Whitney p < {level}, every flight", {})[effect] = p < level
        ruptures, otava = optional("ruptures"), optional("otava.analysis")
        if ruptures is not None and others:
            rows.setdefault("segmentation, 2 log n", {})[effect] = segmentation_hits(
                raw[:others], 20, ruptures
            )
        if otava is not None and others:
            rows.setdefault("E-divisive, p < 0.001", {})[effect] = divisive_hits(raw[:others], 20, otava)
    print("\n| method | series | false alarm in 60 flights, % | 1 σ by 10 / 20 / 60 | 2 σ by 5 / 10 / 20 |"
          " 2 σ median delay | 3 σ by 5 / 10 |")  # fmt: skip
    print("|---|---|---|---|---|---|---|")
    for name, hits in rows.items():
        delay = np.where(ever(hits[2.0])[:, -1], LOOKS[hits[2.0].argmax(axis=1)], 999)
        middle = int(np.median(delay))
        print(
            f"| {name} | {hits[0.0].shape[0]} | {percent(hits[0.0], 60):.1f} |"
            f" {percent(hits[1.0], 10):.0f} / {percent(hits[1.0], 20):.0f} / {percent(hits[1.0], 60):.0f} |"
            f" {percent(hits[2.0], 5):.0f} / {percent(hits[2.0], 10):.0f} / {percent(hits[2.0], 20):.0f} |"
            f" {'never' if middle == 999 else middle} |"
            f" {percent(hits[3.0], 5):.0f} / {percent(hits[3.0], 10):.0f} |",
            flush=True,
        )


def intervals_and_forecasts(count: int) -> None:
    """Coverage at all looks together, the four verdicts, and whether forecasts come true."""
    scenario = SCENARIOS["real"]
    model, known = learned(scenario)
    print("\n| true effect | interval holds it at all looks, % |"
          " after 5: worse / better / no material / early | after 20 | after 60 |")  # fmt: skip
    print("|---|---|---|---|---|")
    for effect in (0.0, 1.0, 2.0, 3.0):
        batch = make(scenario, np.random.default_rng((SEED, 4, int(effect))), count, 20, 60, effect)
        steps, halves = [], []
        for number, part in enumerate(parts_of(batch)):
            _, theirs = learned(scenario, number)
            found = paths(part, theirs)
            steps.append(found.step)
            halves.append(found.half_width(limit_at(theirs, 20, 0.05)))
        step, half = np.vstack(steps), np.vstack(halves)
        truth = (effect * batch.sigma)[:, None]
        held = np.all(np.abs(step - truth) <= half, axis=1)
        # a margin of one deviation of the mean airframe
        immaterial = np.abs(step) + half < 1.0
        worse, better = (step - half > 0) & ~immaterial, (step + half < 0) & ~immaterial
        cells = []
        for look in (5, 20, 60):
            j = look - 3
            shares = [100 * float(x[:, j].mean()) for x in (worse, better, immaterial)]
            cells.append(" / ".join(f"{s:.1f}" for s in (*shares, 100 - sum(shares))))
        print(f"| {effect:.0f} σ | {100 * held.mean():.1f} | {' | '.join(cells)} |", flush=True)
    forecasts(max(count // 4, 100), model, known)


def forecasts(count: int, model: FleetModel, known: MetricModel) -> None:
    """Forecast after five flights against the flight at which it was settled."""
    ratios, true, given, never_kept, never = [], 0, 0, 0, 0
    for effect in (1.0, 2.0):
        batch = make(SCENARIOS["real"], np.random.default_rng((SEED, 5, int(effect))), count, 20, 60, effect)
        found = paths(batch, known)
        half = found.half_width(limit_at(known, 20, 0.05))
        settled = (np.abs(found.step) > half) | (np.abs(found.step) + half < 1.0)
        for k in range(count):
            n = 25
            series = history(batch.value[k, :n], wind=batch.wind[k, :n], matters=1.0)
            finding = judge_airframe([series], [change(20)], model, SETTINGS)[0]
            if finding.verdict.value != "too_early":
                continue
            later = np.flatnonzero(settled[k, 3:])
            real = int(later[0]) + 1 if later.size else None
            if finding.flights_needed is None:
                never += 1
                never_kept += real is None
                continue
            given += 1
            if real is not None:
                true += real <= finding.flights_needed
                ratios.append(finding.flights_needed / real)
    print(
        f"\nForecasts after 5 flights (1 σ and 2 σ): {given} given,"
        f" {100 * true / max(given, 1):.0f} % came true, forecast over real flights: median"
        f" {np.median(ratios):.2f}; 'not within a season' said {never} times, right in"
        f" {100 * never_kept / max(never, 1):.0f} %."
    )


def unknown_steps(count: int) -> None:
    """Steps and drift at unknown times on the series called real."""
    scenario = SCENARIOS["real"]
    limits = shipped_scan_limits()
    drift = np.maximum(np.arange(80) - 19.0, 0.0)
    print("\n| series | alarm by 10 / 20 / 40 / 60 flights, % | drift named at flight 60, % of alarms |")
    print("|---|---|---|")
    for name, effect, rate in (
        ("no change", 0.0, 0.0), ("1 σ step", 1.0, 0.0), ("2 σ step", 2.0, 0.0), ("3 σ step", 3.0, 0.0),
        ("0.05 σ per flight", 0.0, 0.05), ("0.1 σ per flight", 0.0, 0.1),
    ):  # fmt: skip
        batch = make(scenario, np.random.default_rng((SEED, 6)), count, 20, 60, effect)
        hits, shares_of_ramps = [], []
        for number, part in enumerate(parts_of(batch)):
            _, known = learned(scenario, number)
            wind = np.clip((part.wind - known.centre[WIND]) / known.spread[WIND], -4.0, 4.0)
            value = part.value + rate * part.sigma[:, None] * drift - known.slope[WIND] * wind
            full = np.ones(part.value.shape[0])
            columns = []
            for n in range(21, 81):
                found = scan(
                    value[:, max(n - WINDOW, 0) : n], np.ones((full.size, n)),
                    sigma=known.sigma * full, sigma_flights=known.sigma_flights * full, rho=known.rho * full,
                )  # fmt: skip
                limit = limits.at(
                    0.05, n * full, known.rho * full, known.outlier_share * full, known.sigma_flights * full
                )
                columns.append(found.log_evidence > limit)
            hits.append(np.stack(columns, axis=1))
            shares_of_ramps.append(found.ramp_share)
        hit, named = np.vstack(hits), np.concatenate(shares_of_ramps)
        said = ever(hit)
        shares = " / ".join(f"{100 * said[:, k - 1].mean():.1f}" for k in (10, 20, 40, 60))
        last = hit[:, -1]
        print(
            f"| {name} | {shares} | {100 * (named[last] >= 0.9).mean() if last.any() else 0:.0f} |",
            flush=True,
        )


def digest(rounds: int) -> None:
    """400 changes, 5 % real by two deviations, three flights a week, one digest a week."""
    scenario = SCENARIOS["real"]
    looks = np.arange(3, 37, 3)
    totals = {name: np.zeros((2, 12)) for name in ("called", "watch (e-value above 20)", "Welch p < 0.05")}
    for number in range(rounds):
        rng = np.random.default_rng((SEED, 7, number))
        _, known = learned(scenario, number)
        limit = limit_at(known, 20, 0.05, looks)
        null = make(scenario, rng, 380, 20, 60)
        real = make(scenario, rng, 20, 20, 60, 2.0)
        values = [paths(b, known, looks) for b in (null, real)]
        log_e = np.vstack([v.log_e for v in values])
        log_call = np.vstack([log_call_evidence(v.step / v.error, v.freedom, v.information) for v in values])
        sure = log_e > limit
        called = np.zeros(400, dtype=bool)
        watched = np.zeros(400, dtype=bool)
        p = np.vstack([welch_p(b.raw(scenario), 20)[:, looks - 3] for b in (null, real)])
        for week in range(12):
            evidence = np.exp(np.minimum(log_e[:, week], 300.0))
            strong = np.exp(np.minimum(log_call[:, week], 300.0))
            chance = false_chance(strong, real_share(strong, SETTINGS))
            if looks[week] >= SETTINGS.min_flights_called:
                called |= call_by_chance(chance, SETTINGS.called_false_share) & sure[:, week]
            watched |= evidence > SETTINGS.watch_e_value
            naive = (p[:, : week + 1] < 0.05).any(axis=1)
            for name, flags in zip(totals, (called, watched, naive), strict=True):
                totals[name][:, week] += [flags[:380].sum(), flags[380:].sum()]
    print(
        "\n| rule | false reports by week 1 / 4 / 12 | false share, week 12, % |"
        " found by week 1 / 2 / 4 / 12, % |"
    )
    print("|---|---|---|---|")
    for name, (false, right) in totals.items():
        f, r = false / rounds, 100 * right / (20 * rounds)
        share = 100 * false[-1] / max(false[-1] + right[-1], 1)
        print(f"| {name} | {f[0]:.2f} / {f[3]:.2f} / {f[11]:.2f} | {share:.1f} |"
              f" {r[0]:.0f} / {r[1]:.0f} / {r[3]:.0f} / {r[11]:.0f} |", flush=True)  # fmt: skip


def pooled(rounds: int) -> None:
    """One change on k airframes, true effects spread by 0.3 σ; looked at once, under the limit of always."""
    scenario = SCENARIOS["real"]
    _, known = learned(scenario)
    print("\n| airframes x flights after | 0 σ: said to have changed, % | 0.5 σ | 1 σ |")
    print("|---|---|---|---|")
    for k, after in ((3, 5), (3, 10), (5, 5), (5, 10), (8, 5), (8, 10)):
        cells = []
        for effect in (0.0, 0.5, 1.0):
            rng = np.random.default_rng((SEED, 8, k, after, int(10 * effect)))
            batch = make(scenario, rng, k * rounds, 20, after)
            own = rng.normal(effect, 0.3, k * rounds) * batch.sigma
            late = np.arange(20 + after) >= 20
            moved = Batch(batch.value + own[:, None] * late, batch.wind, batch.sigma, 20)
            found = paths(moved, known, np.array([after]))
            said = 0
            limit = limit_at(known, 20, 0.05, np.array([after]))
            for j in range(rounds):
                rows = slice(j * k, (j + 1) * k)
                step, error = found.step[rows, 0], found.error[rows, 0]
                sigma = float(np.median(found.sigma[rows]))
                fit = crossed_effects(step, error**2, np.ones((k, 1)), SETTINGS.pooling_spread * sigma)
                information = (sigma / fit.error) ** 2
                freedom = np.array([found.freedom[rows, 0].sum()])
                half = critical_t(limit, freedom, information, WIDTH) * fit.error
                said += bool(abs(fit.estimate[0]) > half[0])
            cells.append(f"{100 * said / rounds:.1f}")
        print(f"| {k} x {after} | {' | '.join(cells)} |", flush=True)


def together(rounds: int) -> None:
    """Firmware on eight airframes, the servo with it on four; eight flights each side; which was it?"""
    scenario = SCENARIOS["real"]
    _, known = learned(scenario)
    design = np.column_stack([np.ones(8), np.r_[np.ones(4), np.zeros(4)]])
    right = {0: 0, 1: 0}
    for guilty in (0, 1):
        rng = np.random.default_rng((SEED, 9, guilty))
        batch = make(scenario, rng, 8 * rounds, 8, 8)
        had = np.tile(design[:, guilty], rounds)
        late = np.arange(16) >= 8
        moved = Batch(batch.value + (2.0 * had * batch.sigma)[:, None] * late, batch.wind, batch.sigma, 8)
        found = paths(moved, known, np.array([8]))
        for j in range(rounds):
            rows = slice(8 * j, 8 * j + 8)
            sigma = float(np.median(found.sigma[rows]))
            fit = crossed_effects(
                found.step[rows, 0], found.error[rows, 0] ** 2, design, SETTINGS.pooling_spread * sigma
            )
            information = (sigma / fit.error) ** 2
            freedom = np.full(2, found.freedom[rows, 0].sum())
            log_e = log_e_value(fit.estimate / fit.error, freedom, information, CALL_WIDTH)
            right[guilty] += log_e[guilty] > np.log(3.0) and log_e[guilty] > log_e[1 - guilty] + np.log(3.0)
    print(f"\nTwo changes on one day, 8 airframes, 4 with the first only, 8 flights each side, 2 σ:"
          f" named right in {100 * right[0] / rounds:.0f} % (the common one)"
          f" and {100 * right[1] / rounds:.0f} % (the other).")  # fmt: skip


def first_season(rounds: int) -> None:
    """A club of twenty: verdicts by week when each flies twice a week, one update in week 1."""
    scenario = SCENARIOS["real"]
    _, known = learned(scenario)
    looks = np.arange(4, 26, 2)
    print(
        "\n| week | own verdict, % (5 flights before / 20 before) |"
        " fleet's verdict, % of clubs (5 / 20 before) |"
    )
    print("|---|---|---|")
    table: dict[int, list[tuple[float, float]]] = {}
    for before in (5, 20):
        batch = make(scenario, np.random.default_rng((SEED, 10, before)), 20 * rounds, before, 60, 0.0)
        found = paths(batch, known, looks)
        limit = limit_at(known, before, 0.05, looks)
        half = found.half_width(limit)
        own = (np.abs(found.step) + half < 1.0) | (np.abs(found.step) > half)
        for j, look in enumerate(looks):
            settled = 0
            for c in range(rounds):
                rows = slice(20 * c, 20 * c + 20)
                sigma = float(np.median(found.sigma[rows, j]))
                fit = crossed_effects(
                    found.step[rows, j], found.error[rows, j] ** 2, np.ones((20, 1)),
                    SETTINGS.pooling_spread * sigma,
                )  # fmt: skip
                freedom = np.array([found.freedom[rows, j].sum()])
                width = critical_t(limit[j : j + 1], freedom, (sigma / fit.error) ** 2, WIDTH) * fit.error
                settled += bool(abs(fit.estimate[0]) + width[0] < 1.0 or abs(fit.estimate[0]) > width[0])
            table.setdefault(int(look) // 2, []).append((100 * own[:, j].mean(), 100 * settled / rounds))
    for week, ((own5, fleet5), (own20, fleet20)) in table.items():
        print(f"| {week} | {own5:.0f} / {own20:.0f} | {fleet5:.0f} / {fleet20:.0f} |")


def speed() -> None:
    """All series of one airframe after a new flight, 500 flights of history."""
    rng = np.random.default_rng(SEED)
    series = [
        history(rng.normal(3.0, 0.3, 500), metric=f"metric_{k}_m", wind=rng.normal(5.0, 2.0, 500))
        for k in range(30)
    ]
    changes = [change(order) for order in range(50, 500, 45)]
    model = fit_fleet_model(series, changes)
    seconds = []
    for _ in range(21):
        started = time.process_time()
        judge_airframe(series, changes, model, SETTINGS, touched_from=499)
        seconds.append(time.process_time() - started)
    print(f"\n30 series of 500 flights and {len(changes)} changes after one new flight:"
          f" {1e3 * float(np.median(seconds)):.0f} ms of processor time"
          f" (median of {len(seconds)}).")  # fmt: skip


def main() -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=500, help="simulated series per cell")
    parser.add_argument("--others", type=int, default=0, help="series for the slow methods beside it")
    parser.add_argument("--parts", default="false,power,verdicts,unknown,digest,pooled,together,season,speed")
    options = parser.parse_args()
    count = options.series
    parts = {
        "false": lambda: false_alarms(count),
        "power": lambda: power(count, options.others),
        "verdicts": lambda: intervals_and_forecasts(count),
        "unknown": lambda: unknown_steps(count),
        "digest": lambda: digest(max(count // 100, 3)),
        "pooled": lambda: pooled(max(count // 4, 50)),
        "together": lambda: together(max(count // 8, 50)),
        "season": lambda: first_season(max(count // 40, 10)),
        "speed": speed,
    }
    for name in options.parts.split(","):
        started = time.perf_counter()
        parts[name]()
        print(f"\n({name}: {time.perf_counter() - started:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
