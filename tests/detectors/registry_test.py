"""The registry fails loudly; a detector that breaks its promises spoils only itself."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from tests.builders import held_flight
from trimkeep.detectors.model import (
    Detector,
    DetectorSpec,
    Flight,
    Metric,
    NotMeasured,
    Observation,
    Outcome,
    Reason,
)
from trimkeep.detectors.registry import DETECTORS, RegistryError, detectors_of
from trimkeep.detectors.run import run_all

METRIC = Metric("made_m", "Made", "m", "lower", 1.0, "a test")
SPEC = DetectorSpec("made", 1, "Made", "altitude_hold", (METRIC,), needs=frozenset({"altitude_m"}))
FLIGHT = held_flight({"altitude_m": np.zeros(100)}, 4.0)


def _module(name: str, **members: object) -> ModuleType:
    module = ModuleType(f"trimkeep.detectors.flight.{name}")
    module.__dict__.update(members)
    return module


def _fine(flight: Flight) -> list[Observation] | NotMeasured:
    return [Observation("made_m", "held_level", 1.0, None, flight.seconds)]


def test_the_folder_loads() -> None:
    assert DETECTORS and len({detector.spec.id for detector in DETECTORS}) == len(DETECTORS)


@pytest.mark.parametrize(
    ("modules", "said"),
    [
        ([_module("made", observe=_fine)], "SPEC"),
        ([_module("made", SPEC=SPEC)], "observe"),
        ([_module("other", SPEC=SPEC, observe=_fine)], "not the file's name"),
        ([_module("made", SPEC=SPEC, observe=_fine)] * 2, "taken"),
        (
            [
                _module("made", SPEC=SPEC, observe=_fine),
                _module("twin", SPEC=DetectorSpec("twin", 1, "", "trim", (METRIC,)), observe=_fine),
            ],
            "belongs to made",
        ),
    ],
)
def test_a_broken_module_fails_with_a_sentence(modules: list[ModuleType], said: str) -> None:
    with pytest.raises(RegistryError, match=said):
        detectors_of(modules)


def test_one_that_raises_spoils_only_itself() -> None:
    def broken(flight: Flight) -> list[Observation] | NotMeasured:
        raise RuntimeError("a pitfall")

    bad, good = run_all(FLIGHT, [Detector(SPEC, broken), Detector(SPEC, _fine)])
    assert bad.outcome is Outcome.FAILED and "a pitfall" in bad.detail and not bad.observations
    assert good.outcome is Outcome.MEASURED and good.observations[0].value == 1.0


@pytest.mark.parametrize(
    "observation",
    [
        Observation("made_m", "held_level", float("nan"), None, 1.0),
        Observation("made_m", "held_level", 1.0, float("inf"), 1.0),
        Observation("unknown_m", "held_level", 1.0, None, 1.0),
    ],
)
def test_broken_promises_are_failures(observation: Observation) -> None:
    (run,) = run_all(FLIGHT, [Detector(SPEC, lambda flight: [observation])])
    assert run.outcome is Outcome.FAILED


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"needs": frozenset({"climb_mps"})}, Reason.MISSING_CHANNEL),
        ({"needs_any": (frozenset({"climb_mps", "height_m"}),)}, Reason.MISSING_CHANNEL),
        ({"min_rate_hz": 5.0}, Reason.RATE_TOO_LOW),
        ({"min_seconds": 25.0}, Reason.TOO_SHORT),
        ({"modes": frozenset({"mission"})}, Reason.MODE_ABSENT),
        ({"modes": frozenset({"altitude_hold"}), "min_seconds": 25.0}, Reason.TOO_SHORT),
        ({"min_rate_hz": 4.0, "needs_any": (frozenset({"altitude_m", "height_m"}),)}, None),
    ],
)
def test_needs_are_checked_in_one_place(changes: dict[str, object], reason: Reason | None) -> None:
    spec = DetectorSpec(
        **{"id": "made", "version": 1, "title": "", "family": "trim", "metrics": (METRIC,)}  # type: ignore[arg-type]
        | {"needs": frozenset({"altitude_m"})}
        | changes
    )
    (run,) = run_all(FLIGHT, [Detector(spec, _fine)])
    assert run.reason == reason
    assert run.outcome is (Outcome.MEASURED if reason is None else Outcome.NOT_MEASURED)
