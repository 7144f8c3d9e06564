"""Headlines: a level is told with the figures of the same flight that stand behind it."""

from __future__ import annotations

from dataclasses import replace

from tests.reports.examples import busy_week
from tests.reports.page_examples import setting
from trimkeep.detectors.history.model import ChangeItem, Finding, Separating, Series, Verdict
from trimkeep.detectors.registry import DETECTORS
from trimkeep.reports.compose_pages import teller_for
from trimkeep.reports.entries import entry_view, headline
from trimkeep.reports.inputs import metric_words
from trimkeep.reports.wording import load_words

WEEK = busy_week()
METRICS = metric_words(tuple(detector.spec for detector in DETECTORS))


def series(metric: str, unit: str, value: float, flight: str = "f-1") -> Series:
    """A series of one flight."""
    like = WEEK.series[0]
    point = replace(like.points[-1], flight_id=flight, value=value, standard_error=None)
    return replace(
        like, airframe="heron-01", metric=metric, context="full_demand", unit=unit, points=(point,)
    )


def told(*those: Series) -> str:
    hazard: Finding = next(one for one in WEEK.findings if one.verdict is Verdict.ATTENTION)
    limit = replace(
        hazard,
        airframes=("heron-01",),
        metric="roll_limit_over_reach",
        context="full_demand",
        effect=None,
        evidence_flights=("f-1",),
    )
    with_metrics = replace(setting(), metrics=METRICS)
    return headline(limit, teller_for(with_metrics, those)).replace("\u00a0", " ")


def test_the_limit_and_the_reach_stand_behind_their_ratio() -> None:
    said = told(series("roll_limit_over_reach", "", 1.3), series("roll_rate_reached_dps", "deg/s", 140.0))
    # 1.3 times 140 is 182.
    assert said == (
        "The configured roll rate limit is 1.3 times the rate this airframe reaches "
        "(limit 182°/s, reached 140°/s)"
    )


def test_without_the_other_figure_of_that_flight_the_sentence_stands_alone() -> None:
    alone = told(series("roll_limit_over_reach", "", 1.3))
    assert alone == "The configured roll rate limit is 1.3 times the rate this airframe reaches"
    elsewhere = series("roll_rate_reached_dps", "deg/s", 140.0, flight="f-2")
    assert told(series("roll_limit_over_reach", "", 1.3), elsewhere) == alone


def test_what_was_done_together_comes_with_the_flights_that_would_tell_and_both_cautions() -> None:
    worse = next(one for one in WEEK.findings if one.verdict is Verdict.WORSE and one.change is not None)
    undo = ChangeItem("firmware", "", "2.0", "2.1", True)
    words = load_words()
    for flights, part in ((6, "6 times"), (None, "several airframes")):
        asked = replace(worse, separating=Separating("heron-01", (undo,), flights))
        view = entry_view((asked,), teller_for(setting(), WEEK.series), with_plot=False)
        check = view.tell_apart
        assert check is not None and part in check.text
        assert "heron-01" in check.text and "firmware 2.0 → 2.1" in check.text
        for kind in ("bench", "flight"):
            assert words.code("caution", kind) in check.caution
        assert check.defer == words.code("caution", "defer")
    plain = replace(worse, separating=None)
    assert entry_view((plain,), teller_for(setting(), WEEK.series), with_plot=False).tell_apart is None
