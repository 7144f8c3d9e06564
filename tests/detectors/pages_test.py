"""The detectors' pages on disk are what their descriptions say, so that the two cannot part."""

from __future__ import annotations

from tests.benchmarks.detector_pages import PAGES, pages, stored_answers
from trimkeep.detectors.registry import DETECTORS


def test_the_pages_are_those_of_the_descriptions() -> None:
    for name, text in pages(stored_answers()).items():
        found = (PAGES.parent / name).read_text(encoding="utf-8")
        assert found == text, f"detectors/{name} is old: run python -m tests.benchmarks.detector_pages"


def test_no_page_is_left_of_a_detector_that_is_gone() -> None:
    named = {detector.spec.id for detector in DETECTORS}
    assert {path.stem for path in PAGES.glob("*.md")} == named


def test_every_detector_was_tried_on_the_real_logs() -> None:
    assert set(stored_answers()) == {detector.spec.id for detector in DETECTORS}
