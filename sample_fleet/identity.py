"""Who an invented aeroplane is, and the circumstances in which one log of it was written."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

MODE_WORDS: tuple[str, ...] = (
    "manual",
    "rate",
    "attitude",
    "altitude_hold",
    "cruise",
    "mission",
    "safe_recovery",
)
"""Control modes in the order of `Flown`'s mode numbers."""


@dataclass(frozen=True, slots=True)
class ServoOutput:
    """One output of the autopilot.

    Parameters
    ----------
    moves : str
        `elevator`, `aileron`, `rudder` or `throttle`.
    channel : int
        1-based.
    reversed : bool
        True: a longer pulse is a negative command.
    low_us, neutral_us, high_us : float
        Pulse lengths, microseconds.
    throw_deg : float
        Travel to each side; without meaning for a throttle.
    """

    moves: str
    channel: int
    reversed: bool = False
    low_us: float = 1000.0
    neutral_us: float = 1500.0
    high_us: float = 2000.0
    throw_deg: float = 20.0

    def pulse_us(self, command: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pulse length for a command (-1..1, throttle 0..1), shape kept.

        Examples
        --------
        >>> ServoOutput("elevator", 2, reversed=True).pulse_us(np.array([0.5])).tolist()
        [1250.0]
        """
        if self.moves == "throttle":
            return self.low_us + command * (self.high_us - self.low_us)
        turned = -command if self.reversed else command
        upward = self.high_us - self.neutral_us
        downward = self.neutral_us - self.low_us
        return self.neutral_us + turned * np.where(turned > 0.0, upward, downward)


@dataclass(frozen=True, slots=True)
class Identity:
    """An airframe as its card describes it.

    Parameters
    ----------
    id : str
        Folder name.
    model : str
        Flight model that flies it.
    description, board : str
    span_m, mass_kg : float
    motors, cells : int
    stall_speed_mps, pitch_rate_max_dps, roll_rate_max_dps : float
    outputs : tuple of ServoOutput
    mode_numbers : tuple of int
        The autopilot's own number for each of `MODE_WORDS`.
    system : int
        Sender's number in telemetry.
    protocol : int
        Version of the telemetry protocol it speaks.
    board_number, serial : int
        As AUTOPILOT_VERSION reports them.
    heights_above_home : bool
        True: it states its wanted altitude above the take-off place.
    """

    id: str
    model: str
    description: str
    board: str
    span_m: float
    mass_kg: float
    motors: int
    cells: int
    stall_speed_mps: float
    pitch_rate_max_dps: float
    roll_rate_max_dps: float
    outputs: tuple[ServoOutput, ...]
    mode_numbers: tuple[int, ...]
    system: int = 1
    protocol: int = 2
    board_number: int = 1
    serial: int = 1
    heights_above_home: bool = False


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What one log went through.

    Parameters
    ----------
    switched_on_at : datetime
        Aware UTC; the true instant of `Flown.t_s == 0`.
    firmware : tuple of int
        Version the autopilot runs.
    awake_s : float
        Seconds between the autopilot's start and the first sample.
    clock_error_s : float
        Receiver's clock minus true time.
    keep : tuple of float
        Seconds from switch-on that reached the file.
    garbage_spots : int
        Places at which bytes that belong to no packet stand in the file.
    cut_bytes : int
        Bytes missing from the end of the file.
    """

    switched_on_at: datetime
    firmware: tuple[int, int, int]
    awake_s: float = 20.0
    clock_error_s: float = 0.0
    keep: tuple[float, float] = field(default=(-np.inf, np.inf))
    garbage_spots: int = 0
    cut_bytes: int = 0

    @property
    def firmware_text(self) -> str:
        """Version as people write it."""
        return ".".join(str(part) for part in self.firmware)
