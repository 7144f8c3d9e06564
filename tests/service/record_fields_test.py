"""What a maintenance entry must hold: 14 CFR 43.9(a), field by field."""

from __future__ import annotations

from dataclasses import replace

import pytest

from trimkeep.config.errors import JournalError
from trimkeep.config.maintenance import RECORD_FIELDS
from trimkeep.config.settings import Settings
from trimkeep.service.journal_table import EntryText
from trimkeep.service.record_fields import RULES, lacks, refuse_incomplete

WHOLE = EntryText(
    "2026-03-14",
    "servo",
    part="elevator servo",
    done_by="R. Vale",
    extra=(("approved_by", "M. Orchard"), ("certificate", "inspector 12"), ("flight_hours", "31.5")),
)


def test_every_field_has_its_rule() -> None:
    assert tuple(RULES) == RECORD_FIELDS


def test_a_whole_entry_lacks_nothing() -> None:
    assert lacks(WHOLE, RECORD_FIELDS) == ()


@pytest.mark.parametrize(
    ("field", "entry"),
    [
        ("description", replace(WHOLE, part="")),
        ("done_at", replace(WHOLE, done_at="")),
        ("done_by", replace(WHOLE, done_by="")),
        ("approved_by", replace(WHOLE, extra=WHOLE.extra[1:])),
        ("certificate", replace(WHOLE, extra=(WHOLE.extra[0], WHOLE.extra[2]))),
        ("flight_hours", replace(WHOLE, extra=WHOLE.extra[:2])),
    ],
)
def test_what_is_missing_is_named_with_its_rule(field: str, entry: EntryText) -> None:
    assert [lack.field for lack in lacks(entry, RECORD_FIELDS)] == [field]
    with pytest.raises(JournalError, match=rf"{field} is missing: 14 CFR 43\.(9|11)\(a\)"):
        refuse_incomplete(entry, RECORD_FIELDS, "entry for heron-01")


def test_a_reference_to_data_is_a_description() -> None:
    assert lacks(replace(WHOLE, part="", extra=(("reference", "sheet 4"),)), ("description",)) == ()


def test_only_what_the_settings_ask_for_is_missing() -> None:
    bare = EntryText("2026-03-14", "servo", note="new gears", done_by="R. Vale")
    assert [lack.field for lack in lacks(bare, Settings().maintenance.required)] == ["approved_by"]
    assert lacks(bare, ("description",)) == ()


def test_everything_missing_is_one_sentence() -> None:
    with pytest.raises(JournalError) as caught:
        refuse_incomplete(EntryText("", "servo"), Settings().maintenance.required, "entry for heron-01")
    assert str(caught.value).startswith(
        "entry for heron-01: description is missing: 14 CFR 43.9(a)(1) asks for a description of the work "
        "(also missing: done_at, done_by, approved_by). "
    )
