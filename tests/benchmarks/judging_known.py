"""Known changes: false alarms, power beside other methods, intervals, forecasts, weather."""

from __future__ import annotations

import numpy as np
from scipy import stats

from tests.benchmarks.judging_others import installed, mann_whitney_p, searched, welch_p
from tests.benchmarks.judging_paths import (
    FLEETS,
    LOOKS,
    SEED,
    SETTINGS,
    check_against_the_judge,
    ever,
    learned,
    limit_at,
    parts_of,
    paths,
    percent,
    upper_bound,
)
from tests.benchmarks.judging_series import SCENARIOS, make
from tests.detectors.history.builders import change, history
from trimkeep.detectors.history.fleet_model import FleetModel, MetricModel
from trimkeep.detectors.history.judge import judge_airframe


def false_alarms(count: int) -> None:
    """False alarms ever within 60 flights."""
    print("\n| noise | flights before | 5 %: ever, % (upper bound) | 1 %: ever, % (upper bound) |")
    print("|---|---|---|---|")
    for name in ("clean", "outliers", "wind", "ar4", "real", "real ar4", "season", "stress"):
        for before in (3, 5, 10, 20, 30):
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


def power(count: int, others: int) -> None:
    """Known change on the series called real, twenty flights before, beside other methods."""
    scenario = SCENARIOS["real"]
    model, known = learned(scenario)
    rows: dict[str, dict[float, np.ndarray]] = {}
    anywhere: dict[str, np.ndarray] = {}
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
        if others:
            for name, found in installed(20).items():
                near, some = searched(raw[:others], 20, found)
                rows.setdefault(name, {})[effect] = near
                if effect == 0.0:
                    anywhere[name] = some
    _show_known(rows)
    _show_unknown(rows, anywhere)


def _show_known(rows: dict[str, dict[float, np.ndarray]]) -> None:
    """The table of a change whose flight is known, shape of each entry (series, looks)."""
    print("\n| method | series | false alarm in 60 flights, % (95 % interval) |"
          " 1 σ by 10 / 20 / 60 | 2 σ by 5 / 10 / 20 |"
          " 2 σ median delay | 3 σ by 5 / 10 |")  # fmt: skip
    print("|---|---|---|---|---|---|---|")
    for name, hits in rows.items():
        delay = np.where(ever(hits[2.0])[:, -1], LOOKS[hits[2.0].argmax(axis=1)], 999)
        middle = int(np.median(delay))
        print(
            f"| {name} | {hits[0.0].shape[0]} | {_with_interval(hits[0.0])} |"
            f" {percent(hits[1.0], 10):.0f} / {percent(hits[1.0], 20):.0f} / {percent(hits[1.0], 60):.0f} |"
            f" {percent(hits[2.0], 5):.0f} / {percent(hits[2.0], 10):.0f} / {percent(hits[2.0], 20):.0f} |"
            f" {'never' if middle == 999 else middle} |"
            f" {percent(hits[3.0], 5):.0f} / {percent(hits[3.0], 10):.0f} |",
            flush=True,
        )


def _show_unknown(rows: dict[str, dict[float, np.ndarray]], anywhere: dict[str, np.ndarray]) -> None:
    """The same methods where nobody says when: any change they find is then an alarm."""
    print("\n| method | series | no change: any found in 60 flights, % (95 % interval) |"
          " 2 σ found in its place by 10 / 20 | 3 σ by 5 / 10 |")  # fmt: skip
    print("|---|---|---|---|---|")
    for name, some in anywhere.items():
        two, three = rows[name][2.0], rows[name][3.0]
        print(
            f"| {name} | {some.shape[0]} | {_with_interval(some)} |"
            f" {percent(two, 10):.0f} / {percent(two, 20):.0f} |"
            f" {percent(three, 5):.0f} / {percent(three, 10):.0f} |",
            flush=True,
        )


def _with_interval(hit: np.ndarray) -> str:
    """Share in which it was ever said, %, and its 95 % interval (Clopper-Pearson)."""
    total, said = hit.shape[0], int(ever(hit)[:, -1].sum())
    low = float(stats.beta.ppf(0.025, said, total - said + 1)) if said else 0.0
    high = float(stats.beta.ppf(0.975, said + 1, total - said)) if said < total else 1.0
    return f"{100 * said / total:.1f} ({100 * low:.1f} to {100 * high:.1f})"


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


def weather(count: int) -> None:
    """The confounders: windy after and nothing changed; really worse, and calmer after."""
    print("\n| twenty flights before, then | worse by 5 / 10 / 20 / 60, % | better by 60, % |\n|---|---|---|")
    for words, name, effect in (
        ("windier by one deviation, nothing changed", "season", 0.0),
        ("calmer by one deviation, nothing changed", "calmer", 0.0),
        ("calmer by one deviation, worse by 2 σ", "calmer", 2.0),
        ("calmer by one deviation, worse by 3 σ", "calmer", 3.0),
    ):
        worse, better = [], []
        for number in range(FLEETS):
            # what the fleet has taught comes from seasons of all weathers
            _, known = learned(SCENARIOS["real"], number)
            rng = np.random.default_rng((SEED, 11, int(effect), number))
            found = paths(make(SCENARIOS[name], rng, count // FLEETS, 20, 60, effect), known)
            said = found.log_e > limit_at(known, 20, 0.05)
            worse.append(said & (found.step > 0.0))
            better.append(said & (found.step < 0.0))
        up, down = np.vstack(worse), np.vstack(better)
        shares = " / ".join(f"{percent(up, look):.1f}" for look in (5, 10, 20, 60))
        print(f"| {words} | {shares} | {percent(down, 60):.1f} |", flush=True)
