"""How long the digest of a large fleet takes: `python -m tests.benchmarks.digest [airframes] [flights]`.

Wall time and peak memory of composing and rendering, median of repeated runs, for a fleet of the given
size and for one with ten times the history: the second must not cost more, since a page shows a window.
"""

from __future__ import annotations

import platform
import sys
import tracemalloc
from dataclasses import replace
from statistics import median
from time import perf_counter

from tests.reports.examples import METRICS, SUNDAY_EVENING, busy_week, change, finding, series
from trimkeep.detectors.history.model import ChangeItem, Finding, Series, Verdict
from trimkeep.reports.compose import compose_digest
from trimkeep.reports.inputs import AirframeRow, DigestInput, FlightRow
from trimkeep.reports.render import render_digest

RUNS = 3
WORSE_SHARE, BETTER_SHARE = 5, 7


def large_fleet(n_airframes: int, n_flights: int) -> DigestInput:
    """A fleet where every fifth airframe got worse, every seventh better, and each has eight figures."""
    all_series: list[Series] = []
    findings: list[Finding] = []
    changes = []
    airframes = []
    flights = []
    for number in range(n_airframes):
        name = f"bird-{number:03d}"
        boundary = n_flights - 10
        about = change(name, boundary, n_flights, ChangeItem("firmware", "", "4.2.1", "4.3.0", True))
        changes.append(about)
        for place, metric in enumerate(METRICS):
            history = series(
                name,
                metric,
                [(boundary, 2.0), (10, 3.0)],
                scatter=0.2,
                seed=100 * number + place,
                context="cruise",
            )
            all_series.append(history)
        if number % WORSE_SHARE == 0:
            findings += [
                finding(
                    name, metric, Verdict.WORSE, context="cruise", about=about, effect=(2.0, 3.0, 0.6, 1.5)
                )
                for metric in list(METRICS)[:3]
            ]
        elif number % BETTER_SHARE == 0:
            findings.append(
                finding(
                    name,
                    "elevator_play",
                    Verdict.BETTER,
                    context="cruise",
                    about=about,
                    effect=(0.2, 0.1, -0.2, -0.05),
                )
            )
        findings += [
            finding(name, metric, Verdict.TOO_EARLY, context="cruise", about=about, needed=6)
            for metric in list(METRICS)[4:]
        ]
        airframes.append(
            AirframeRow(name, "survey plane", n_flights, 0.4 * n_flights, "4.3.0", SUNDAY_EVENING)
        )
        flights += [
            FlightRow(name, point.flight_id, point.at, 1500.0, f"{point.order}.tlog")
            for point in all_series[-1].points[-5:]
        ]
    return replace(
        busy_week(),
        airframes=tuple(airframes),
        findings=tuple(findings),
        series=tuple(all_series),
        changes=tuple(changes),
        flights=tuple(flights),
    )


def measure(given: DigestInput) -> tuple[float, float, int, float]:
    """Seconds to compose, seconds to render, bytes, peak megabytes."""
    composing, rendering, size = [], [], 0
    for _ in range(RUNS):
        start = perf_counter()
        page = compose_digest(given)
        composed = perf_counter()
        size = len(render_digest(page).encode())
        rendering.append(perf_counter() - composed)
        composing.append(composed - start)
    tracemalloc.start()
    render_digest(compose_digest(given))
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return median(composing), median(rendering), size, peak


def main() -> None:
    """Print one line per fleet."""
    n_airframes, n_flights = (int(one) for one in (*sys.argv[1:], "100", "200")[:2])
    print(
        f"{platform.processor() or platform.machine()}, Python {platform.python_version()}, median of {RUNS}"
    )
    for flights in (n_flights, 10 * n_flights):
        composing, rendering, size, peak = measure(large_fleet(n_airframes, flights))
        print(
            f"{n_airframes} airframes x {flights} flights: compose {composing:.2f} s, "
            f"render {rendering:.2f} s, "
            f"{size / 1e6:.2f} MB, peak {peak:.0f} MB on top of the input"
        )


if __name__ == "__main__":
    main()
