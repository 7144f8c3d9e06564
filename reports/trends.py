"""Series to trends: the large plot of a finding and the small line of dots of a figure."""

from __future__ import annotations

from itertools import pairwise
from statistics import median

from trimkeep.detectors.history.model import Finding, Series, SeriesPoint
from trimkeep.reports.foreign import anchor, plain
from trimkeep.reports.teller import Teller, capital
from trimkeep.reports.views import SparkView, TrendLevel, TrendMark, TrendPoint, TrendView

PLOT_FLIGHTS = 60
SPARK_FLIGHTS = 40
DRIFT_END = 2


def trend_view(series: Series, finding: Finding | None, teller: Teller) -> TrendView:
    """The large plot of a series, with the levels of a finding where there is one."""
    points = series.points[-PLOT_FLIGHTS:]
    odd = frozenset(finding.down_weighted) if finding else frozenset()
    spread = _typical_step(points)
    levels = _levels(points, finding, series, teller) if finding else ()
    marks = _marks(points, series.airframe, finding, teller)
    metric = teller.metric(series.metric)
    unit = teller.fmt.unit_label(series.unit, metric=series.metric)
    figure = teller.figure(series.metric, series.context)
    return TrendView(
        key=anchor("plot", f"{series.airframe}/{series.metric}/{series.context}"),
        title=teller.words.sentence(
            "plot_trend", figure=figure, airframe=plain(series.airframe), n=len(points)
        ),
        description=_description(points, finding, series, teller),
        axis=f"{metric.title} ({unit})" if unit else metric.title,
        verdict=finding.verdict.value if finding else "",
        points=tuple(_point(point, series, spread, point.flight_id in odd, teller) for point in points),
        marks=marks,
        levels=levels,
    )


def _point(point: SeriesPoint, series: Series, spread: float | None, odd: bool, teller: Teller) -> TrendPoint:
    fmt = teller.fmt
    error = point.standard_error
    scale = fmt.to_shown(1.0, series.unit, metric=series.metric) - fmt.to_shown(
        0.0, series.unit, metric=series.metric
    )
    return TrendPoint(
        order=point.order,
        value=fmt.to_shown(point.value, series.unit, metric=series.metric),
        error=0.0 if error is None else error * scale,
        day_text=fmt.short_day(point.at),
        value_text=fmt.quantity(point.value, series.unit, spread=spread, metric=series.metric),
        error_text="–"
        if error is None
        else "±" + fmt.quantity(error, series.unit, spread=error, metric=series.metric),
        odd=odd,
    )


def boundary_order(finding: Finding, points: tuple[SeriesPoint, ...]) -> int | None:
    """Order of the first flight after what the finding is about; None when it is outside the points."""
    if finding.change is not None and finding.scope == "airframe":
        return finding.change.first_order
    if 0 < finding.flights_after < len(points):
        return points[-finding.flights_after].order
    return None


def _levels(
    points: tuple[SeriesPoint, ...], finding: Finding, series: Series, teller: Teller
) -> tuple[TrendLevel, ...]:
    effect = finding.effect
    boundary = boundary_order(finding, points)
    if effect is None or boundary is None or not points:
        return ()

    def shown(value: float) -> float:
        return teller.fmt.to_shown(value, series.unit, metric=series.metric)

    levels: list[TrendLevel] = []
    earlier = [point.order for point in points if point.order < boundary][-max(finding.flights_before, 1) :]
    later = [point.order for point in points if point.order >= boundary][: max(finding.flights_after, 1)]
    if finding.kind == "drift":
        # It is nowhere level: where it came from stands at its start, where it has got to at its end.
        later = [point.order for point in points][-DRIFT_END:]
    if earlier:
        level = shown(effect.before)
        levels.append(TrendLevel(earlier[0], earlier[-1], level, level, level))
    if later:
        levels.append(
            TrendLevel(
                later[0],
                later[-1],
                shown(effect.after),
                shown(effect.before + effect.low),
                shown(effect.before + effect.high),
            )
        )
    return tuple(levels)


def _marks(
    points: tuple[SeriesPoint, ...], airframe: str, finding: Finding | None, teller: Teller
) -> tuple[TrendMark, ...]:
    if not points:
        return ()
    first, last = points[0].order, points[-1].order
    cited = finding.change.id if finding and finding.change else None
    inside = [change for change in teller.changes.get(airframe, ()) if first < change.first_order <= last]
    return tuple(
        TrendMark(
            order=change.first_order,
            number=number,
            text=f"{capital(teller.change(change))}, {teller.fmt.short_day(change.at)}",
            cited=change.id == cited,
        )
        for number, change in enumerate(inside, start=1)
    )


def _description(
    points: tuple[SeriesPoint, ...], finding: Finding | None, series: Series, teller: Teller
) -> str:
    if not points:
        return teller.words.text("none")
    values = [point.value for point in points]
    spread = _typical_step(points)

    def say(value: float) -> str:
        return teller.fmt.quantity(value, series.unit, spread=spread, metric=series.metric)

    parts = [
        teller.words.sentence("plot_range", low=say(min(values)), high=say(max(values)), last=say(values[-1]))
    ]
    if finding and finding.effect and finding.change:
        parts.append(
            teller.words.sentence(
                "plot_trend_levels",
                before=say(finding.effect.before),
                after=say(finding.effect.after),
                change=teller.change(finding.change),
            )
        )
    return " ".join(parts)


def spark_view(series: Series, verdict: str, teller: Teller) -> SparkView:
    """The last flights of a figure as a small line of dots."""
    points = series.points[-SPARK_FLIGHTS:]
    orders = {point.order: index for index, point in enumerate(points)}
    values = tuple(point.value for point in points)
    spread = _typical_step(points)

    def say(value: float) -> str:
        return teller.fmt.quantity(value, series.unit, spread=spread, metric=series.metric)

    return SparkView(
        values=values,
        marks=tuple(
            orders[change.first_order]
            for change in teller.changes.get(series.airframe, ())
            if orders.get(change.first_order, 0) > 0
        ),
        verdict=verdict,
        name=teller.words.sentence(
            "spark_name",
            figure=teller.figure(series.metric, series.context),
            n=len(points),
            low=say(min(values)),
            high=say(max(values)),
            last=say(values[-1]),
        ),
    )


def usual_and_last(series: Series, teller: Teller) -> tuple[str, str]:
    """Median of the flights shown and the last one, as text."""
    points = series.points[-SPARK_FLIGHTS:]
    spread = _typical_step(points)
    return (
        teller.fmt.quantity(
            median(point.value for point in points), series.unit, spread=spread, metric=series.metric
        ),
        teller.fmt.quantity(points[-1].value, series.unit, spread=spread, metric=series.metric),
    )


def _typical_step(points: tuple[SeriesPoint, ...]) -> float | None:
    """Typical flight-to-flight step: what decides how many digits a single flight's figure deserves."""
    if len(points) < 3:
        return None
    steps = [abs(later.value - earlier.value) for earlier, later in pairwise(points)]
    step = median(steps)
    return step if step > 0.0 else None
