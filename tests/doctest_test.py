"""Every example in a docstring runs and gives what it says."""

import doctest
import importlib

import pytest

from tests.architecture_test import FILES, ROOT

MODULES = [
    "trimkeep." + ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for path in FILES
    if ">>>" in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_hold(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert result.attempted > 0
    assert result.failed == 0
