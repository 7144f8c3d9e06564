"""The plain loop: `python -m tests.fuzz.loop [TARGET ...] [--seconds N] [--seed N]`.

No coverage guides it; it needs nothing but Python, and finds what is near the surface. What was found is
kept in `tests/fuzz/found/`, with the traceback beside it.
"""

from __future__ import annotations

import argparse
import resource
import time
import traceback
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import numpy as np

from tests.fuzz.mutate import mutated
from tests.fuzz.targets import TARGETS

FOUND = Path(__file__).parent / "found"


@dataclass(frozen=True, slots=True)
class Tally:
    """Of one run of one target: executions, the longest of them, and the inputs that broke it."""

    target: str
    executions: int
    seconds: float
    longest_s: float
    found: tuple[bytes, ...]


def fuzz(target: str, rng: np.random.Generator, *, executions: int = 0, seconds: float = 0.0) -> Tally:
    """Mutate a target's seeds until one of the two is used up; one find for each place in the code."""
    function, sound = TARGETS[target]
    for data in sound:
        function(data)
    corpus, found, places = list(sound), [], set()
    largest = 2 * max(map(len, sound))
    begin, longest, done = time.perf_counter(), 0.0, 0
    while (done < executions) if executions else (time.perf_counter() - begin < seconds):
        base = corpus[int(rng.integers(0, len(corpus)))]
        data = mutated(base, rng)
        start, accepted = time.perf_counter(), False
        try:
            accepted = function(data)
        except Exception as error:
            frame = traceback.extract_tb(error.__traceback__)[-1]
            place = (type(error), frame.filename, frame.lineno)
            if place not in places:
                places.add(place)
                found.append(data)
                _keep(target, data)
        longest = max(longest, time.perf_counter() - start)
        done += 1
        # Broken once more upon what was broken and yet accepted: deeper than any one mutation goes.
        if accepted and len(data) <= largest and rng.random() < 0.1:
            corpus = [*sound, *corpus[len(sound) :][-30:], data]
    return Tally(target, done, time.perf_counter() - begin, longest, tuple(found))


def _keep(target: str, data: bytes) -> None:
    FOUND.mkdir(exist_ok=True)
    path = FOUND / f"{target}-{sha256(data).hexdigest()[:12]}"
    path.write_bytes(data)
    path.with_suffix(".txt").write_text(traceback.format_exc())


def main() -> None:
    """Run and print one line for each target."""
    parser = argparse.ArgumentParser()
    parser.add_argument("targets", nargs="*", default=list(TARGETS))
    parser.add_argument("--seconds", type=float, default=10.0, help="for each target")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for target in given.targets:
        tally = fuzz(target, np.random.default_rng(given.seed), seconds=given.seconds)
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        print(
            f"{tally.target:17s} {tally.executions:8d} runs in {tally.seconds:5.0f} s, longest "
            f"{tally.longest_s:5.2f} s, peak {peak_mb:4.0f} MB, {len(tally.found)} finds",
            flush=True,
        )


if __name__ == "__main__":
    main()
