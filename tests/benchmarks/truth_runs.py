"""Flies and keeps what the detectors said, flight by flight, so that an interruption loses nothing.

`OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.truth_runs --keep FOLDER` goes on where it stopped.
Kinds and sizes take turns, so that a run that is cut short is still a fair one. Every third flight is
logged at 5 Hz too and shown to every detector (the causes need all of them), the others only to those whose
figures are counted. About half a second of CPU time a flight.
"""

from __future__ import annotations

import argparse
import pickle
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.benchmarks.truth_flights import USUAL_MINUTES, Scored, fly_one, scored
from tests.benchmarks.truth_plants import MODELS, PLANTS, Plant, needs_sound, planted_truth
from trimkeep.detectors.model import Detector
from trimkeep.detectors.registry import DETECTORS
from trimkeep.sample_fleet.flown import Flown

SEED = 60217
FAST_HZ = (25.0, 50.0)
SLOW_HZ = 5.0
WHOLE_EVERY = 3
"""Of the flights, those shown to all detectors and also logged at 5 Hz."""
SOUND_FIRST = 0.7
"""Sound flights are flown this much ahead of the others: everything is measured against them."""
COSTLY = frozenset({"linkage", "loop_response"})
COUNTED = frozenset(plant.detector for plant in PLANTS) - COSTLY
GUSTS = "conditions"
"""The detector of the gust strength that figures are compared at."""


@dataclass(frozen=True, slots=True)
class Job:
    """One flight: `number` is the airframe size, `plant` None for a sound one."""

    plant: Plant | None
    code: int
    number: int
    index: int

    @property
    def file(self) -> str:
        """Where it is kept."""
        return f"{self.code:02d}-{self.number}-{self.index:03d}.pickle"

    @property
    def rates_hz(self) -> tuple[float, ...]:
        """The log rates it is scored at."""
        fast = FAST_HZ[(self.index // WHOLE_EVERY) % len(FAST_HZ)]
        return (fast, SLOW_HZ) if self.is_whole else (fast,)

    @property
    def minutes(self) -> float:
        """How long it flies."""
        return USUAL_MINUTES if self.plant is None else self.plant.minutes

    @property
    def is_whole(self) -> bool:
        """Whether all detectors see it."""
        return self.index % WHOLE_EVERY == 0

    @property
    def detectors(self) -> tuple[Detector, ...]:
        """Those that see it."""
        if self.is_whole:
            return DETECTORS
        wanted = {GUSTS} | (COUNTED if self.plant is None else {self.plant.detector})
        return tuple(one for one in DETECTORS if one.spec.id in wanted)


def jobs(each: int, sound: int) -> list[Job]:
    """All flights, per airframe size, in the order in which they are flown."""
    kinds: list[tuple[int, int, Plant | None]] = [(1, sound, None)]
    kinds += [(10 + place, round(each * plant.weight), plant) for place, plant in enumerate(PLANTS)]
    order = [
        ((index + 1.0) / count * (SOUND_FIRST if plant is None else 1.0), Job(plant, code, number, index))
        for code, count, plant in kinds
        for index in range(count)
        for number in range(len(MODELS))
    ]
    return [job for _, job in sorted(order, key=lambda one: (one[0], one[1].code, one[1].number))]


def flown_and_scored(job: Job) -> list[Scored]:
    """One flight at its log rates; `planted_truth` stands with its truth."""
    model = MODELS[job.number]
    seeds = [SEED, job.number, job.code, job.index]
    faults = () if job.plant is None else (job.plant.fault(job.number),)
    rng = np.random.default_rng(seeds)
    flown = fly_one(model, faults, rng, job.minutes)
    kind = ""
    if job.plant is not None:
        kind = job.plant.name
        sound: Flown | None = None
        if needs_sound(job.plant):
            sound = fly_one(model, (), np.random.default_rng(seeds), job.minutes)
        planted = planted_truth(job.plant, flown, sound, model)
        flown = replace(flown, truth={**flown.truth, "planted_truth": planted})
    return scored(flown, model, kind, rng, job.rates_hz, job.detectors)


def kept(folder: Path, each: int, sound: int) -> Iterator[tuple[Job, Scored]]:
    """What is kept of the flights asked for, in their order."""
    for job in jobs(each, sound):
        file = folder / job.file
        if file.exists():
            yield from ((job, one) for one in pickle.loads(file.read_bytes()))


def fly_missing(folder: Path, each: int, sound: int) -> Iterator[Job]:
    """Fly and keep what is not kept yet; each file is whole or not there."""
    folder.mkdir(parents=True, exist_ok=True)
    for job in jobs(each, sound):
        file = folder / job.file
        if file.exists():
            continue
        part = file.with_suffix(".part")
        part.write_bytes(pickle.dumps(flown_and_scored(job)))
        part.replace(file)
        yield job


def parser_of(description: str | None) -> argparse.ArgumentParser:
    """The options that flying and writing share."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--keep", type=Path, required=True, help="folder outside the source tree")
    parser.add_argument("--each", type=int, default=54, help="flights with each fault, per airframe size")
    parser.add_argument("--sound", type=int, default=134, help="sound flights, per airframe size")
    return parser


def main() -> None:
    """Fly what is missing."""
    asked = parser_of(__doc__).parse_args()
    count = sum(1 for _ in fly_missing(asked.keep, asked.each, asked.sound))
    print(f"{count} flights flown")


if __name__ == "__main__":
    main()
