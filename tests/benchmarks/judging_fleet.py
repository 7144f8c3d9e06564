"""Promises over a fleet: the digest, pooled changes, changes made together, a club's first season."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.benchmarks.judging_others import welch_p
from tests.benchmarks.judging_paths import SEED, SETTINGS, learned, limit_at, paths
from tests.benchmarks.judging_series import SCENARIOS, Batch, make
from trimkeep.detectors.history.calibration import CALL_WIDTH, WIDTH, call_handicap, log_call_evidence
from trimkeep.detectors.history.evidence import critical_t, log_e_value
from trimkeep.detectors.history.fleet_model import MetricModel
from trimkeep.detectors.history.multiplicity import SEVERAL_METRICS, call_by_chance, false_chance, real_share
from trimkeep.detectors.history.pooling import crossed_effects
from trimkeep.detectors.model import FloatArray

CHANGES, REAL = 400, 20
WEEKS = np.arange(3, 37, 3)
"""Flights after the change at each weekly digest."""


@dataclass(slots=True)
class Tally:
    """False and right reports so far, by week, over all rounds."""

    false: FloatArray = field(default_factory=lambda: np.zeros(12))
    right: FloatArray = field(default_factory=lambda: np.zeros(12))

    def count(self, week: int, said: np.ndarray) -> None:
        """`said`, shape (CHANGES,): the real ones come last."""
        self.false[week] += said[:-REAL].sum()
        self.right[week] += said[-REAL:].sum()

    def false_share(self, week: int) -> float:
        """Of all reports so far, %."""
        return 100 * float(self.false[week] / max(self.false[week] + self.right[week], 1))

    def found(self, rounds: int) -> FloatArray:
        """Share of the real changes that is reported by each week, %."""
        return np.asarray(100 * self.right / (REAL * rounds))

    def row(self, name: str, rounds: int) -> str:
        """A row of the table."""
        f, r = self.false / rounds, self.found(rounds)
        return (
            f"| {name} | {f[0]:.2f} / {f[3]:.2f} / {f[11]:.2f} |"
            f" {self.false_share(3):.1f} / {self.false_share(11):.1f} |"
            f" {r[0]:.0f} / {r[1]:.0f} / {r[3]:.0f} / {r[11]:.0f} |"
        )


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric of all changes at all digests, shape (CHANGES, 12): evidence of the verdict and for
    calling, whether the interval excludes no change, p of a plain test."""

    log_e: FloatArray
    log_call: FloatArray
    sure: np.ndarray
    p: FloatArray


def measured(rng: np.random.Generator, known: MetricModel, effect: float) -> Metric:
    """A metric in which the real changes have that effect."""
    scenario = SCENARIOS["real"]
    batches = [make(scenario, rng, CHANGES - REAL, 20, 60), make(scenario, rng, REAL, 20, 60, effect)]
    found = [paths(b, known, WEEKS) for b in batches]
    log_e = np.vstack([v.log_e for v in found])
    log_call = np.vstack([log_call_evidence(v.step / v.error, v.freedom, v.information) for v in found])
    log_call -= call_handicap(WEEKS.astype(np.float64))
    p = np.vstack([welch_p(b.raw(scenario), 20)[:, WEEKS - 3] for b in batches])
    return Metric(log_e, log_call, log_e > limit_at(known, 20, SETTINGS.level, WEEKS), p)


def digest(rounds: int) -> None:
    """400 changes, 5 % real by two deviations, three flights a week, one digest a week.

    With several metrics a change is called as the judge calls it: the evidence is averaged over them, and
    at least one must exclude no change.
    """
    names = ("called", "watch (e-value above 20)", "Welch p < 0.05", "called, 4 metrics, all moved",
             "called, 4 metrics, one moved")  # fmt: skip
    tallies = {name: Tally() for name in names}
    for number in range(rounds):
        rng = np.random.default_rng((SEED, 7, number))
        _, known = learned(SCENARIOS["real"], number)
        moved = [measured(rng, known, 2.0) for _ in range(4)]
        still = [measured(rng, known, 0.0) for _ in range(3)]
        _count_called(tallies["called"], moved[:1])
        _count_called(tallies["called, 4 metrics, all moved"], moved)
        _count_called(tallies["called, 4 metrics, one moved"], [moved[0], *still])
        watched = np.maximum.accumulate(moved[0].log_e > np.log(SETTINGS.watch_e_value), axis=1)
        naive = np.maximum.accumulate(moved[0].p < 0.05, axis=1)
        for week in range(12):
            tallies["watch (e-value above 20)"].count(week, watched[:, week])
            tallies["Welch p < 0.05"].count(week, naive[:, week])
    print(
        "\n| rule | false reports by week 1 / 4 / 12 | false share, week 4 / 12, % |"
        " found by week 1 / 2 / 4 / 12, % |"
    )
    print("|---|---|---|---|")
    for name, tally in tallies.items():
        print(tally.row(name, rounds), flush=True)


def called(rounds: int) -> None:
    """The first row of the digest's table alone, from more digests, with the error of its false share."""
    tally, said = Tally(), np.zeros((rounds, 2))
    for number in range(rounds):
        rng = np.random.default_rng((SEED, 7, number))
        _, known = learned(SCENARIOS["real"], number)
        before = np.array([tally.false[-1], tally.right[-1]])
        _count_called(tally, [measured(rng, known, 2.0)])
        said[number] = np.array([tally.false[-1], tally.right[-1]]) - before
    print("\n| digests | false share, week 2 / 4 / 12, % | found by week 2 / 4 / 12, % |\n|---|---|---|")
    shares = [tally.false_share(week) for week in (1, 3, 11)]
    found = tally.found(rounds)[[1, 3, 11]]
    # of a ratio of sums over independent digests
    off = said[:, 0] - shares[2] / 100 * said.sum(axis=1)
    error = 100 * float(np.sqrt(off @ off)) / said.sum()
    print(
        f"| {rounds} | {' / '.join(f'{x:.1f}' for x in shares)} (standard error of the last {error:.2f}) |"
        f" {' / '.join(f'{x:.1f}' for x in found)} |",
        flush=True,
    )


def _count_called(tally: Tally, metrics: Sequence[Metric]) -> None:
    called = np.zeros(CHANGES, dtype=bool)
    for week in range(12):
        if WEEKS[week] >= SETTINGS.min_flights_called:
            strong = np.mean([np.exp(np.minimum(m.log_call[:, week], 300.0)) for m in metrics], axis=0)
            strong = strong * (SEVERAL_METRICS if len(metrics) > 1 else 1.0)
            chance = false_chance(strong, real_share(strong, SETTINGS))
            # as for a finding: its own evidence is more than a hint, its interval excludes no change
            speaks = [m.sure[:, week] & (m.log_e[:, week] >= np.log(SETTINGS.watch_e_value)) for m in metrics]
            called |= call_by_chance(chance, SETTINGS.called_false_share) & np.any(speaks, axis=0)
        tally.count(week, called)


def pooled(rounds: int) -> None:
    """One change on k airframes, true effects spread by 0.3 σ; looked at once, under the limit of always."""
    scenario = SCENARIOS["real"]
    _, known = learned(scenario)
    print("\n| airframes x flights after | 0 σ: said to have changed, % | 0.5 σ | 1 σ |")
    print("|---|---|---|---|")
    for k, after in ((2, 5), (2, 10), (3, 5), (3, 10), (5, 5), (5, 10), (8, 5), (8, 10)):
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
