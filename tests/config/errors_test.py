"""Every error says which file, what is wrong and what to do, and survives the trip from a worker."""

import pickle
import re
from pathlib import Path

import pytest

from trimkeep.config import errors
from trimkeep.config.errors import LogError, TrimkeepError, UnreadableLog

KINDS = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, TrimkeepError)]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_an_error_pickles_with_all_three_parts(kind: type[TrimkeepError]) -> None:
    error = kind("ends in the middle of a record", subject="a.tlog byte 12", next_step="Copy it again")
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is kind
    assert str(back) == "a.tlog byte 12: ends in the middle of a record. Copy it again."
    assert (back.subject, back.message, back.next_step) == (error.subject, error.message, error.next_step)


def test_slugs_are_unique_and_log_errors_share_an_exit_code() -> None:
    assert len({kind.slug for kind in KINDS}) == len(KINDS)
    assert {kind.exit_code for kind in KINDS if issubclass(kind, LogError)} == {UnreadableLog.exit_code}


def test_the_readme_of_the_settings_names_every_error() -> None:
    page = (Path(__file__).parents[2] / "config" / "README.md").read_text(encoding="utf-8")
    for kind in KINDS:
        assert re.search(rf"`{kind.slug}`", page), f"config/README.md does not name {kind.slug}"
