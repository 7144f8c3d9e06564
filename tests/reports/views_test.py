"""Views are documented, and templates use exactly what is documented."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from trimkeep.reports import form_views, page_views, record_views, views

REPORTS = Path(__file__).parents[2] / "reports"
VIEWS = [
    thing
    for module in (views, page_views, record_views, form_views)
    for thing in vars(module).values()
    if dataclasses.is_dataclass(thing) and isinstance(thing, type) and thing.__module__ == module.__name__
]


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.__name__)
def test_every_field_says_what_it_means_and_is_shown(view: type) -> None:
    drawn = "".join(
        path.read_text(encoding="utf-8")
        for path in [
            *sorted((REPORTS / "templates").iterdir()),
            REPORTS / "drawings.py",
            REPORTS / "plots.py",
        ]
    )
    for field in dataclasses.fields(view):
        assert field.metadata.get("help"), f"{view.__name__}.{field.name} has no meaning"
        assert re.search(rf"\.{field.name}\b", drawn), f"{view.__name__}.{field.name} is shown nowhere"


def test_views_are_frozen() -> None:
    assert all(view.__dataclass_params__.frozen and hasattr(view, "__slots__") for view in VIEWS)  # type: ignore[attr-defined]
