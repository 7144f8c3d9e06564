"""One autopilot's messages with their times: what the functions that make channels draw from."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from trimkeep.detectors.model import Channel, FloatArray
from trimkeep.service.readers.tlog_clock import Clock, ordered, unwrapped
from trimkeep.service.readers.tlog_log import DecodedLog, Sender

_SAME_CLOCK_S = 0.5
"""A message's own clock that stays this near the time since boot is the time since boot."""
_LOOSE_S = 2.0
"""Own times that wander further from the reception times are not believed."""
_OFFSET_BLOCK = 64


@dataclass(frozen=True, slots=True)
class Messages:
    """All messages of one kind and sender: times and records, both of shape (n,)."""

    time_s: FloatArray
    data: NDArray[np.void]

    def __len__(self) -> int:
        return self.data.size

    def column(self, name: str, scale: float = 1.0) -> FloatArray:
        """A field as float64, scaled."""
        values = self.data[name].astype(np.float64)
        if scale != 1.0:
            values *= scale
        return values

    def valid(self, name: str, invalid: int, scale: float = 1.0) -> FloatArray:
        """A field as float64, NaN where it holds the value that means "not known"."""
        values = self.column(name, scale)
        values[self.data[name] == invalid] = np.nan
        return values

    def channel(self, values: FloatArray) -> Channel:
        """Values on this message's time base."""
        return Channel(self.time_s, values)

    def only(self, which: NDArray[np.bool_]) -> Messages:
        """The messages that a mask picks."""
        return self if which.all() else Messages(self.time_s[which], self.data[which])


@dataclass(frozen=True, slots=True)
class Source:
    """The log as seen from one autopilot."""

    log: DecodedLog
    sender: Sender
    clock: Clock
    _kept: dict[tuple[str, Sender], Messages] = field(default_factory=dict)

    def get(self, message: str, sender: Sender | None = None) -> Messages:
        """All messages of that name from the autopilot, or from another sender; maybe none."""
        who = self.sender if sender is None else sender
        if (message, who) not in self._kept:
            data = self.log.decode(message, who)
            self._kept[message, who] = Messages(self._times(message, who, data), data)
        return self._kept[message, who]

    def _times(self, message: str, who: Sender, data: NDArray[np.void]) -> FloatArray:
        places = self.log.places(message, who)
        names = data.dtype.names or ()
        if who != self.sender or not data.size:
            return self.clock.received(self.log, places)
        if "time_boot_ms" in names and self.clock.has_boot_time and data["time_boot_ms"].any():
            return self.clock.since_boot(unwrapped(data["time_boot_ms"], 1e3), places)
        received = self.clock.received(self.log, places)
        own = next((name for name in ("time_boot_ms", "time_usec") if name in names), None)
        if own is None or data.size < 2 or not data[own].any():
            return received
        return self._own_clock(unwrapped(data[own], 1e3 if own == "time_boot_ms" else 1e6), received, places)

    def _own_clock(self, own_s: FloatArray, received_s: FloatArray, places: NDArray[np.intp]) -> FloatArray:
        """Reception times without their jitter, by the message's own clock, whatever its zero."""
        if (np.diff(own_s) < -_LOOSE_S).any():
            return received_s
        if self.clock.has_boot_time:
            direct = self.clock.since_boot(own_s, places)
            if abs(float(np.median(received_s - direct))) < _SAME_CLOCK_S:
                return direct
        blocks = [np.median(part, axis=1) for part in _stretches(received_s - own_s)]
        centres = [part.mean(axis=1) for part in _stretches(own_s)]
        time = own_s + np.interp(own_s, np.concatenate(centres), np.concatenate(blocks))
        if float(np.percentile(np.abs(received_s - time), 95)) > _LOOSE_S:
            return received_s
        return ordered(time)


def _stretches(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The values in stretches of one block or somewhat more, one a row: the longer ones, then the shorter.

    As `numpy.array_split` cuts them, but an hour at 50 Hz has thousands and a loop over them is slow.
    """
    n_stretches = max(values.size // _OFFSET_BLOCK, 1)
    length, n_longer = divmod(values.size, n_stretches)
    edge = n_longer * (length + 1)
    return values[:edge].reshape(n_longer, length + 1), values[edge:].reshape(-1, length)
