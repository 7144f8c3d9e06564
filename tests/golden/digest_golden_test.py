"""The digest of a small invented fleet, word for word.

To renew: `TRIMKEEP_RENEW_GOLDEN=1 python -m pytest tests/golden/digest_golden_test.py`, then read the diff.
Drawings by matplotlib are left out of the comparison: their digits are the library's, not ours.
"""

from __future__ import annotations

import difflib
import os
import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.reports.examples import busy_week
from tests.reports.page_reading import Page
from trimkeep.reports.compose import compose_digest
from trimkeep.reports.render import render_digest

GOLDEN = Path(__file__).with_name("digest.html")
ACTUAL = Path(__file__).parents[1] / "actual" / "digest.html"
RENEW = "TRIMKEEP_RENEW_GOLDEN"


def scrubbed(html: str) -> str:
    """The page without what changes from release to release or belongs to the plotting library."""
    html = re.sub(r'(<svg class="plot"[^>]*>).*?</svg>', r"\1</svg>", html, flags=re.DOTALL)
    html = re.sub(r"<style>.*?</style>", "<style></style>", html, flags=re.DOTALL)
    html = re.sub(r"(trimkeep )\d+\.\d+\.\d+", r"\1VERSION", html)
    return re.sub(r"Made [^<]*,", "Made DATE,", html)


def small_week() -> str:
    week = busy_week()
    keep = frozenset({"heron-01", "plover-03", "knot-07"})
    return render_digest(
        compose_digest(
            replace(
                week,
                airframes=tuple(one for one in week.airframes if one.id in keep),
                findings=tuple(one for one in week.findings if set(one.airframes) <= keep),
                series=tuple(one for one in week.series if one.airframe in keep),
                flights=tuple(one for one in week.flights if one.airframe in keep),
            )
        )
    )


def test_the_digest_reads_as_agreed() -> None:
    actual = scrubbed(small_week())
    if os.environ.get(RENEW):
        if os.environ.get("CI"):
            pytest.fail(f"{RENEW} is refused in CI: renew by hand and read the diff")
        GOLDEN.write_text(actual, encoding="utf-8")
    expected = GOLDEN.read_text(encoding="utf-8")
    if actual != expected:
        ACTUAL.parent.mkdir(exist_ok=True)
        ACTUAL.write_text(actual, encoding="utf-8")
        difference = difflib.unified_diff(
            expected.splitlines(), actual.splitlines(), "golden", "actual", lineterm="", n=1
        )
        pytest.fail("\n".join(line[:300] for line in difference))


def test_the_facts_that_matter_are_in_the_golden_file() -> None:
    # A renewed file cannot hide a wrong number: these stand apart from it.
    page = Page(GOLDEN.read_text(encoding="utf-8"))
    for fact in (
        "Altitude held within 6.1\u00a0m instead of 2.4\u00a0m in level flight",
        "Since firmware 4.2.1 → 4.3.0, 6\u00a0March 2026.",
        "The change is +3.7\u00a0m, likely between +2.5\u00a0m and +4.9\u00a0m.",
        "8 flights each side.",
        "Altitude held within 2.1\u00a0m instead of 5.2\u00a0m",
        "Propellers off first.",
        "40 changes that never happened were slipped in and looked at after every flight:"
        " 2 of them were taken for real.",
    ):
        assert " ".join(fact.split()) in page.text, fact
