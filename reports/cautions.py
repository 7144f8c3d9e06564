"""The caution that goes with every check: no check is ever shown without one."""

from __future__ import annotations

from trimkeep.reports.views import CheckView
from trimkeep.reports.wording import Words


def check_with_caution(code: str, words: Words) -> CheckView | None:
    """The check of a code with its caution; None when the code is empty."""
    if not code:
        return None
    check = words.check(code)
    return CheckView(
        text=check.text,
        caution_title=words.code("caution", "title"),
        caution=words.code("caution", check.caution),
        defer=words.code("caution", "defer"),
    )
