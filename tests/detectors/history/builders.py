"""Histories made in one line, so that the tests read as cases."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from trimkeep.detectors.history.model import Change, ChangeItem, Series, SeriesPoint
from trimkeep.detectors.history.span_scans import Place, SpanScan, likeliest_place
from trimkeep.detectors.history.spans import Span
from trimkeep.detectors.history.steps_unknown import Scan
from trimkeep.detectors.model import Better, Scale

START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)


def flown_at(order: int) -> datetime:
    """One flight a day."""
    return START + timedelta(days=order)


def history(
    values: Sequence[float],
    *,
    airframe: str = "heron-01",
    metric: str = "altitude_error_rms_m",
    context: str = "held_level",
    family: str = "altitude_hold",
    better: Better = "lower",
    scale: Scale = "linear",
    matters: float = 0.5,
    attention: float | None = None,
    wind: Sequence[float] | None = None,
    errors: Sequence[float] | None = None,
    first_order: int = 0,
) -> Series:
    """A series with one value per flight; `wind` are wind speeds, m/s."""
    points = tuple(
        SeriesPoint(
            f"{airframe}-{first_order + k}",
            first_order + k,
            flown_at(first_order + k),
            float(value),
            None if errors is None else float(errors[k]),
            600.0,
            {} if wind is None else {"wind_mps": float(wind[k])},
        )
        for k, value in enumerate(values)
    )
    return Series(airframe, "d", family, metric, context, "m", better, scale, matters, points, attention)


def change(
    first_order: int, *kinds: str, airframe: str = "heron-01", after: str = "2.1", part: str = ""
) -> Change:
    """A documented change before the flight of that order."""
    items = tuple(ChangeItem(kind, part or kind, "2.0", after, True) for kind in kinds or ("firmware",))
    return Change(f"{airframe}:{first_order}", airframe, flown_at(first_order), first_order, items)


def place_of(found: Scan) -> Place:
    """Where the first series of a scan has its likeliest step or drift, when no change is known."""
    flights = found.gross.shape[1]
    span = Span(history([0.0] * flights), 0, tuple(range(flights)), ())
    return likeliest_place(SpanScan.of(found, 0, 0.0), span, 0)
