"""Faults that one flight shows by itself: a hazard, out of trim, a limit above reach.

They need no history and no statistics beyond the flight's own standard error. One that stands in most
of the newest flights is called even where each flight alone leaves a doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.model import Finding, Series, SeriesPoint, Tier, Verdict
from trimkeep.detectors.model import Better


def beyond(value: float, level: float, better: Better) -> bool:
    """Whether a value is at or past the level that asks for attention.

    Examples
    --------
    >>> beyond(-0.3, 0.2, "nearer_zero"), beyond(5.0, 8.0, "lower"), beyond(5.0, 8.0, "higher")
    (True, False, True)
    """
    if better == "higher":
        return value <= level
    if better == "nearer_zero":
        return abs(value) >= level
    return value >= level


def _surely_beyond(point: SeriesPoint, level: float, better: Better) -> bool:
    error = point.standard_error or 0.0
    if better == "higher":
        return point.value + error <= level
    if better == "nearer_zero":
        return abs(point.value) - error >= level
    return point.value - error >= level


def judge_single_flights(
    series: Sequence[Series], settings: JudgeSettings, make_id: Callable[..., str]
) -> list[Finding]:
    """Findings that stand in the newest flights.

    Parameters
    ----------
    series : sequence of Series
        Those without an `attention` level are passed over.
    settings : JudgeSettings
        `attention_flights`: how many of the newest flights are looked at.
    make_id : callable
        Stable id from words.

    Returns
    -------
    list of Finding
        Kind `condition_of_flight`, verdict `attention`; one for each metric and context in which
        the newest flight, or most of the newest ones, lie past the level.
    """
    findings = []
    for one in series:
        if one.attention is None or not one.points:
            continue
        newest = one.points[-settings.attention_flights :]
        shown = [p for p in newest if beyond(p.value, one.attention, one.better)]
        if not shown or (shown[-1] is not newest[-1] and 2 * len(shown) <= len(newest)):
            continue
        sure = any(_surely_beyond(p, one.attention, one.better) for p in shown)
        findings.append(
            Finding(
                id=make_id(one.airframe, one.metric, one.context, "condition_of_flight", ""),
                scope="airframe",
                airframes=(one.airframe,),
                metric=one.metric,
                family=one.family,
                context=one.context,
                kind="condition_of_flight",
                verdict=Verdict.ATTENTION,
                tier=Tier.CALLED if sure or len(shown) >= 2 else Tier.WATCH,
                change=None,
                effect=None,
                flights_before=0,
                flights_after=len(shown),
                flights_needed=0,
                e_value=None,
                opened_at=_standing_since(one, shown[0]).at,
                updated_at=newest[-1].at,
                evidence_flights=tuple(p.flight_id for p in reversed(shown)),
            )
        )
    return findings


def _standing_since(series: Series, shown: SeriesPoint) -> SeriesPoint:
    """First flight of the unbroken run past the level that leads up to `shown`."""
    assert series.attention is not None
    since = shown
    for point in reversed([p for p in series.points if p.order < shown.order]):
        if not beyond(point.value, series.attention, series.better):
            break
        since = point
    return since
