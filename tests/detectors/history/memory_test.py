"""What is remembered between judgings never differs from what would be computed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from tests.detectors.history.hard_histories import HardHistory, hard_history
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.comparisons import Memory
from trimkeep.detectors.history.fleet_model import FleetModel, fit_fleet_model
from trimkeep.detectors.history.judge import Judged, judge_part, judge_whole
from trimkeep.detectors.history.memory import Recall
from trimkeep.detectors.history.model import Series

SETTINGS = JudgeSettings()
OTHERS = [hard_history(1000 + k, f"heron-{k + 2:02d}") for k in range(5)]


def model_of(one: HardHistory) -> FleetModel:
    series = [s for h in (one, *OTHERS) for s in h.series]
    return fit_fleet_model(series, [c for h in (one, *OTHERS) for c in h.changes])


def judged(
    series: tuple[Series, ...],
    one: HardHistory,
    model: FleetModel,
    memory: Memory | None = None,
    settings: JudgeSettings = SETTINGS,
) -> Judged:
    return judge_part(series, one.changes, model, settings, elsewhere={}, over_fleet=(), memory=memory)


@pytest.mark.parametrize("seed", range(40))
def test_a_new_flight_is_judged_as_if_everything_had_been_judged_anew(seed: int) -> None:
    one = hard_history(seed)
    model = model_of(one)
    memory = Memory()
    judged(one.up_to(one.flights - 1), one, model, memory)
    after = judged(one.series, one, model, memory)
    # to the last bit: remembered numbers were computed in other company
    assert after == judged(one.series, one, model)


def test_nothing_remembered_outlives_another_model_or_another_setting() -> None:
    one = hard_history(7)
    memory = Memory()
    bolder = replace(SETTINGS, level=0.2, unexplained_level=0.2)
    for model in (model_of(one), FleetModel()):
        for settings in (SETTINGS, bolder):
            after = judged(one.series, one, model, memory, settings)
            assert after == judged(one.series, one, model, settings=settings)
    assert judged(one.series, one, FleetModel()) != judged(one.series, one, model_of(one))


def test_a_corrected_flight_is_not_taken_for_the_one_that_was_remembered() -> None:
    one = hard_history(3)
    model, memory = model_of(one), Memory()
    judged(one.series, one, model, memory)
    first = one.series[0]
    point = replace(first.points[10], value=first.points[10].value + 1.0)
    mended = replace(first, points=(*first.points[:10], point, *first.points[11:]))
    series = (mended, *one.series[1:])
    assert judged(series, one, model, memory) == judged(series, one, model)


def test_an_airframe_alone_is_compared_to_the_last_bit_as_within_its_fleet() -> None:
    one = hard_history(11)
    model = model_of(one)
    everyone = (one, *OTHERS)
    whole = judge_whole(
        [s for h in everyone for s in h.series], [c for h in everyone for c in h.changes], model, SETTINGS
    )
    mine = {f.id: (f.effect, f.e_value, f.flights_needed) for f in judged(one.series, one, model).findings}
    theirs = {f.id: (f.effect, f.e_value, f.flights_needed) for f in whole.findings if f.id in mine}
    assert len(mine) >= 8 and mine == theirs


def test_the_oldest_is_forgotten_first() -> None:
    recall: Recall[str] = Recall(2)
    asked: list[int] = []

    def compute(places: Sequence[int]) -> list[str]:
        asked.extend(places)
        return [str(place) for place in places]

    recall([b"a", b"b", b"c"], compute)
    recall([b"c", b"b"], compute)
    assert asked == [0, 1, 2]
    recall([b"a"], compute)
    assert asked == [0, 1, 2, 0]
