"""The caution that goes with every check: no check is ever shown without one."""

from __future__ import annotations

from trimkeep.detectors.history.model import Separating
from trimkeep.reports.foreign import plain
from trimkeep.reports.teller import said_items
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


def separating_check(separating: Separating, words: Words) -> CheckView:
    """The flights that would tell apart what was done together: hands on the aeroplane, then a flight."""
    said = {"airframe": plain(separating.airframe), "undo": said_items(separating.undo, words)}
    parts = [words.sentence("tell_apart", **said)]
    if separating.flights is None:
        parts.append(words.sentence("tell_apart_never"))
    else:
        parts.append(words.sentence("tell_apart_flights", n=separating.flights))
    return CheckView(
        text=" ".join(parts),
        caution_title=words.code("caution", "title"),
        caution=f"{words.code('caution', 'bench')} {words.code('caution', 'flight')}",
        defer=words.code("caution", "defer"),
    )
