"""The samples that one telemetry message sends, and the few conversions that all messages share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.identity import Circumstances, Identity
from trimkeep.sample_fleet.log_styles import LogStyle

Floats = NDArray[np.float64]
Columns = dict[str, object]


@dataclass(frozen=True, slots=True)
class Take:
    """The samples of one flight that one message sends.

    Parameters
    ----------
    flown : Flown
    rows : ndarray of int, shape (n,)
        Samples.
    identity : Identity
    circumstances : Circumstances
    style : LogStyle
    """

    flown: Flown
    rows: NDArray[np.intp]
    identity: Identity
    circumstances: Circumstances
    style: LogStyle

    def __getitem__(self, name: str) -> Floats:
        return self.flown.signals[name][self.rows]

    def radians(self, name: str) -> Floats:
        """An angle or a rate in radians."""
        return np.radians(self[name])

    def last_known(self, name: str) -> Floats:
        """The signal, or where it is unknown its last known value; before the first, that one."""
        values = self.flown.signals[name]
        known = np.flatnonzero(np.isfinite(values))
        if not known.size:
            return np.zeros(self.rows.size)
        return values[known[np.maximum(np.searchsorted(known, self.rows, side="right") - 1, 0)]]

    def shown_airspeed(self) -> Floats:
        """Airspeed as this log shows it: a dead sensor reads zero."""
        return self["cas"] if self.style.airspeed_alive else np.zeros(self.rows.size)

    @property
    def boot_s(self) -> Floats:
        """Seconds since the autopilot's start."""
        return self.flown.t_s[self.rows] + self.circumstances.awake_s

    @property
    def boot_ms(self) -> Floats:
        """Milliseconds since the autopilot's start."""
        return self.boot_s * 1e3

    @property
    def clock_us(self) -> NDArray[np.int64]:
        """Value of a `time_usec` field: since the start, or Unix time, as the style has it."""
        if self.style.times_since_boot:
            return np.rint(self.boot_s * 1e6).astype(np.int64)
        return self.unix_us

    @property
    def unix_us(self) -> NDArray[np.int64]:
        """True time, microseconds since 1970 UTC."""
        start_us = round(self.circumstances.switched_on_at.timestamp() * 1e6)
        return start_us + np.rint(self.flown.t_s[self.rows] * 1e6).astype(np.int64)

    def where(self, known: NDArray[np.bool_]) -> Take:
        """Only the samples for which `known` holds."""
        return Take(self.flown, self.rows[known], self.identity, self.circumstances, self.style)


def plain(values: Floats) -> Floats:
    """What is not known is sent as zero, as autopilots do in these fields."""
    return np.nan_to_num(values)


def degrees_1e7(values: Floats) -> Floats:
    """Degrees as the protocol's whole numbers of 1e-7 degree."""
    return values * 1e7


def signed_heading(values: Floats) -> Floats:
    """Heading within -180..180 degrees."""
    return np.mod(values + 180.0, 360.0) - 180.0
