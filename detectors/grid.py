"""A flight's channels on one even time base, and the parts of it that a detector wants."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.model import Flight, FloatArray, Window
from trimkeep.detectors.numerics.resample import even_grid, sampled
from trimkeep.detectors.numerics.runs import BoolArray, inside
from trimkeep.detectors.numerics.stats import pieces_of

DEAD_SENSOR_MPS = 4.0
"""An airspeed that never passes this in the air comes from a dead sensor."""
BRIDGE_S = 2.0


@dataclass(frozen=True, slots=True)
class FlightGrid:
    """Even times over the airborne stretch.

    Parameters
    ----------
    flight : Flight
    step_s : float
        Seconds between samples.
    time_s : ndarray, shape (n,)
    """

    flight: Flight
    step_s: float
    time_s: FloatArray

    @classmethod
    def of(cls, flight: Flight, rate_hz: float) -> FlightGrid:
        """The grid with `rate_hz` samples per second."""
        step_s = 1.0 / rate_hz
        time_s = flight.kept.get(("grid", step_s), lambda: even_grid(flight.start_s, flight.end_s, step_s))
        return cls(flight, step_s, time_s)

    def get(self, name: str, max_gap_s: float = BRIDGE_S, *, average: bool = True) -> FloatArray:
        """A channel on the grid, shape (n,); all NaN when the flight lacks it. `average`: see `on_grid`."""
        if not self.flight.has(name):
            return np.full(self.time_s.shape, np.nan)
        return sampled(self.flight, name, self.time_s, max_gap_s, average=average)

    def inside(self, windows: Iterable[Window]) -> BoolArray:
        """True in the windows, shape (n,)."""
        return inside(self.time_s, list(windows))

    def pieces(self, value: FloatArray, windows: Iterable[Window], min_seconds: float) -> list[FloatArray]:
        """The gapless parts of a series inside the windows."""
        flag = self.inside(windows).astype(np.float64)
        # Two windows that touch no sample between them still count as two.
        return pieces_of(value, flag, max(round(min_seconds / self.step_s), 2))


def live_airspeed(flight: Flight) -> bool:
    """False where there is no airspeed or its sensor is dead (reads zero, or never moves)."""
    return flight.kept.get("live_airspeed", lambda: _live_airspeed(flight))


def _live_airspeed(flight: Flight) -> bool:
    if not flight.has("airspeed_mps"):
        return False
    value = flight.channel("airspeed_mps").value
    value = value[np.isfinite(value)]
    if value.size < 2:
        return False
    return bool(np.percentile(value, 90) > DEAD_SENSOR_MPS and np.ptp(value) > 0.2)
