"""Pages are made from the descriptions and leave nothing of them out."""

from __future__ import annotations

import pytest

from trimkeep.detectors.describe import Answers, answers_of, page, table
from trimkeep.detectors.model import Detector, DetectorRun, Outcome
from trimkeep.detectors.registry import DETECTORS


@pytest.mark.parametrize("detector", DETECTORS, ids=lambda detector: detector.spec.id)
def test_a_page_says_all_that_the_description_says(detector: Detector) -> None:
    spec = detector.spec
    said = page(spec)
    for words in (spec.title, spec.measures, spec.formula, spec.source, spec.cannot_tell):
        assert words in said
    for metric in spec.metrics:
        assert metric.name in said and metric.matters_why in said
    for name in spec.needs | spec.uses:
        assert f"`{name}`" in said
    assert "On real logs" not in said and "Error against planted truth" not in said


def test_answers_on_real_logs_are_counted_and_said() -> None:
    spec = DETECTORS[0].spec
    runs = [
        DetectorRun(spec.id, 1, Outcome.MEASURED),
        DetectorRun(spec.id, 1, Outcome.NOT_MEASURED, (), "too_short", "3 s"),
        DetectorRun(spec.id, 1, Outcome.NOT_MEASURED, (), "too_short", "9 s"),
        DetectorRun(spec.id, 1, Outcome.FAILED, (), "failed", "a traceback"),
    ]
    found = answers_of(runs)[spec.id]
    assert found == Answers(4, 1, {"too_short": 2, "failed": 1})
    said = page(spec, found, "| planted | found |")
    assert "answered on 1 of 4 flights; not measured: `failed` on 1, `too_short` on 2." in said
    assert "| planted | found |" in said


def test_the_table_has_every_metric_once() -> None:
    said = table(DETECTORS)
    for detector in DETECTORS:
        for metric in detector.spec.metrics:
            assert said.count(f"`{metric.name}`") == 1
