"""Findings for the worse that a later change has undone: the judge keeps both, a reader wants the last."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from trimkeep.detectors.history.model import Finding, Tier, Verdict

STANDING = ("open", "acknowledged")
# Most of what was lost came back: a repair that wins a third back is better, and the aeroplane still worse.
LEFT_OVER = 0.25
PutRight = Mapping[tuple[str, str], Finding]


def put_right(findings: Iterable[Finding]) -> PutRight:
    """What each airframe's findings for the worse were put right by.

    Parameters
    ----------
    findings : iterable of Finding

    Returns
    -------
    mapping
        (id of a finding called worse, airframe) to the finding called better, of a later change, whose
        level after is back at the level before, but for a quarter of the way at most. A finding over the
        fleet is put right airframe by airframe.
    """
    called = [one for one in findings if one.tier is Tier.CALLED and one.effect and one.status in STANDING]
    mended: dict[tuple[str, str, str], list[Finding]] = {}
    for one in called:
        if one.verdict is Verdict.BETTER and one.scope == "airframe" and one.change is not None:
            mended.setdefault((one.airframes[0], one.metric, one.context), []).append(one)
    found = {}
    for one in called:
        if one.verdict is Verdict.WORSE:
            for airframe in one.airframes:
                later = mended.get((airframe, one.metric, one.context), ())
                last = max((each for each in later if _undoes(each, one)), key=_moment, default=None)
                if last is not None:
                    found[one.id, airframe] = last
    return found


def still_worse(finding: Finding, airframe: str, mended: PutRight) -> bool:
    """False for what was put right on an airframe since."""
    return (finding.id, airframe) not in mended


def wholly_put_right(finding: Finding, mended: PutRight) -> bool:
    """True when it was put right on every airframe it speaks of."""
    return bool(finding.airframes) and all((finding.id, name) in mended for name in finding.airframes)


def _undoes(better: Finding, worse: Finding) -> bool:
    if (
        better.effect is None
        or worse.effect is None
        or worse.change is None
        or _moment(better) <= _moment(worse)
    ):
        return False
    lost = worse.effect.after - worse.effect.before
    left = better.effect.after - worse.effect.before
    # Past the level of before is more than right.
    return lost != 0.0 and left / lost <= LEFT_OVER


def _moment(finding: Finding) -> datetime:
    return finding.change.at if finding.change is not None else finding.opened_at
