"""What a page is made from: every figure that is drawn counts, and what is not drawn does not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.reports.examples import busy_week
from trimkeep.detectors.history.model import Series, SeriesPoint
from trimkeep.service.pages import _series_print

SERIES = busy_week().series[:2]


def _last(**other: object) -> tuple[Series, ...]:
    first = SERIES[0]
    point: SeriesPoint = replace(first.points[-1], **other)  # type: ignore[arg-type]
    return (replace(first, points=(*first.points[:-1], point)), *SERIES[1:])


@pytest.mark.parametrize(
    "other",
    [
        {"value": SERIES[0].points[-1].value * (1.0 + 1e-15)},
        {"standard_error": None},
        {"standard_error": 0.0},
        {"order": 10_000},
        {"flight_id": "another"},
    ],
)
def test_every_figure_of_a_flight_counts(other: dict[str, object]) -> None:
    assert _series_print(_last(**other)) != _series_print(SERIES)


@pytest.mark.parametrize("name", ["airframe", "metric", "context", "unit", "matters", "attention"])
def test_everything_that_words_a_series_counts(name: str) -> None:
    changed = replace(SERIES[0], **{name: 7.5 if name in ("matters", "attention") else "other"})
    assert _series_print((changed, *SERIES[1:])) != _series_print(SERIES)


def test_a_figure_that_moves_from_one_flight_to_the_next_counts() -> None:
    first = SERIES[0]
    a, b = first.points[-2:]
    swapped = (replace(a, value=b.value), replace(b, value=a.value))
    assert _series_print((replace(first, points=(*first.points[:-2], *swapped)),)) != _series_print((first,))


def test_the_same_figures_give_the_same_print() -> None:
    assert _series_print(tuple(replace(one) for one in SERIES)) == _series_print(SERIES)
