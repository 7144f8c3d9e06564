"""A recording's channels in the air on one even grid, as they would be read with another channel map.

For the physics check of the map: what is wrong there must not decide what is looked at, so nothing here
rests on a unit or a sign.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from trimkeep.config.channels import CHANNELS
from trimkeep.detectors.model import Channel, FloatArray, Recording
from trimkeep.detectors.numerics.agreement import Answer
from trimkeep.detectors.numerics.circular import unwrap
from trimkeep.detectors.numerics.resample import even_grid, held, on_grid, running_mean
from trimkeep.detectors.numerics.runs import BoolArray

STEP_S = 0.25
LONGEST_S = 1200.0
"""Twenty minutes tell every unit and sign; a survey's hours would only cost time."""
MOVING_SHARE = 0.4
"""Of the fastest: below it the aeroplane is landing, rolling or standing."""
METRES_PER_DEGREE = 111_195.0
GAP_S = 2.0
SLOWEST_FLIGHT = 4.0
"""Of any unit of speed; slower than the slowest aeroplane in kilometres an hour read as metres a second."""
VELOCITIES = ("velocity_north_mps", "velocity_east_mps")
SPEEDS = (*VELOCITIES, "groundspeed_mps", "satellite_speed_mps", "airspeed_mps")


@dataclass(frozen=True, slots=True)
class Frame:
    """A recording's channels in the air on an even grid, as they would be read with another map.

    Parameters
    ----------
    recording : Recording
    time_s : ndarray, shape (n,)
    moving : ndarray of bool, shape (n,)
    read_as : mapping of str to (source channel, factor)
        Where a channel is to be taken from instead, and what its values are to be multiplied with.
    """

    recording: Recording
    time_s: FloatArray
    moving: BoolArray
    read_as: Mapping[str, tuple[str, float]] = field(default_factory=dict)
    _kept: dict[tuple[str, str, float], FloatArray] = field(default_factory=dict)

    @classmethod
    def of(cls, recording: Recording) -> Frame:
        """The first twenty minutes from where the aeroplane begins to move."""
        time_s = even_grid(0.0, max(recording.duration_s, 0.0), STEP_S)
        moving = _moving(recording, time_s)
        if not moving.any():
            moving = np.ones(time_s.shape, dtype=bool)
        first = int(np.argmax(moving))
        part = slice(first, first + int(LONGEST_S / STEP_S))
        return cls(recording, time_s[part], moving[part])

    def with_map(self, read_as: Mapping[str, tuple[str, float]]) -> Frame:
        """The same recording read by another map."""
        return Frame(self.recording, self.time_s, self.moving, read_as, self._kept)

    def has(self, *names: str) -> bool:
        """True when the recording holds all the channels."""
        return all(name in self.recording.channels for name in names)

    def get(self, name: str) -> FloatArray:
        """A channel on the grid, NaN where unknown or not moving; all NaN when it is not there."""
        source, factor = self.read_as.get(name, (name, 1.0))
        key = (name, source, factor)
        if key not in self._kept:
            self._kept[key] = self._read(name, source, factor)
        return self._kept[key]

    def _read(self, name: str, source: str, factor: float) -> FloatArray:
        channel = self.recording.channels.get(source)
        if channel is None:
            return np.full(self.time_s.shape, np.nan)
        channel = channel.between(self.time_s[0] - GAP_S, self.time_s[-1] + GAP_S)
        value = channel.value * factor
        if CHANNELS[name].discrete:
            found = held(Channel(channel.time_s, value), self.time_s)
        else:
            # Turns are taken out after the factor: only then is a full turn 360.
            value = unwrap(value) if CHANNELS[name].wraps else value
            found = on_grid(Channel(channel.time_s, value), self.time_s, GAP_S)
        return np.where(self.moving, found, np.nan)

    def raw(self, name: str) -> FloatArray:
        """A channel's own samples, angles with their jumps; empty when it is not there."""
        source, factor = self.read_as.get(name, (name, 1.0))
        channel = self.recording.channels.get(source)
        if channel is None:
            return np.empty(0)
        return channel.between(self.time_s[0], self.time_s[-1]).value * factor

    @property
    def flies(self) -> bool:
        """False for a log in which nothing moved faster than a walk, whatever unit its speeds are in.

        On the ground courses are noise and an accelerometer feels nothing but the tail's angle.
        """
        speeds = [np.abs(self.get(name)) for name in SPEEDS]
        fastest = [float(np.nanmax(speed)) for speed in speeds if np.isfinite(speed).any()]
        return not fastest or max(fastest) > SLOWEST_FLIGHT

    def live(self, name: str) -> FloatArray:
        """Like `get`; all NaN where the channel stands still, as a dead sensor does."""
        value = self.get(name)
        known = value[np.isfinite(value)]
        return value if known.size and np.ptp(known) > 0.0 else np.full(value.shape, np.nan)


@dataclass(frozen=True, slots=True)
class Relation:
    """One thing physics says; `channels` are those whose reading can change the answer."""

    name: str
    channels: tuple[str, ...]
    ask: Callable[[Frame], Answer]


def _moving(recording: Recording, time_s: FloatArray) -> BoolArray:
    for name in ("groundspeed_mps", "satellite_speed_mps", "velocity_north_mps", "airspeed_mps"):
        channel = recording.channels.get(name)
        if channel is None:
            continue
        speed = np.abs(on_grid(channel, time_s, GAP_S))
        if name == "velocity_north_mps" and "velocity_east_mps" in recording.channels:
            speed = np.hypot(speed, on_grid(recording.channels["velocity_east_mps"], time_s, GAP_S))
        known = speed[np.isfinite(speed)]
        if known.size and np.ptp(known) > 0.0:
            # Whatever the unit is.
            return speed > MOVING_SHARE * float(np.percentile(known, 99.0))
    return np.ones(time_s.shape, dtype=bool)


def mean_of(value: FloatArray, seconds: float) -> FloatArray:
    """Running mean that stays unknown where the value is."""
    width = 2 * round(0.5 * seconds / STEP_S) + 1
    return np.where(np.isfinite(value), running_mean(value, width), np.nan)


def rate_of(value: FloatArray, seconds: float = 1.0) -> FloatArray:
    """Change per second over a centred span; NaN at the ends."""
    half = round(0.5 * seconds / STEP_S)
    rate = np.full(value.shape, np.nan)
    if value.size > 2 * half:
        rate[half : value.size - half] = (value[2 * half :] - value[: value.size - 2 * half]) / (
            2 * half * STEP_S
        )
    return rate


def delayed(value: FloatArray, samples: int) -> FloatArray:
    """What was there some samples of the grid ago; NaN where nothing was."""
    return np.concatenate((np.full(min(samples, value.size), np.nan), value[:-samples]))


def body_rate(frame: Frame, axis: int) -> FloatArray:
    """Body rate that the attitude's derivatives demand, deg/s; axis 0 roll, 1 pitch, 2 yaw."""
    bank_deg, pitch_deg = frame.get("bank_deg"), frame.get("pitch_deg")
    bank, pitch = np.radians(bank_deg), np.radians(pitch_deg)
    if frame.has("heading_deg"):
        turn = rate_of(frame.get("heading_deg"))
    else:
        turn = np.where(np.abs(bank_deg) < 10.0, 0.0, np.nan)
    if axis == 0:
        return rate_of(bank_deg) - np.nan_to_num(turn * np.sin(pitch))
    if axis == 1:
        return rate_of(pitch_deg) * np.cos(bank) + turn * np.cos(pitch) * np.sin(bank)
    return -rate_of(pitch_deg) * np.sin(bank) + turn * np.cos(pitch) * np.cos(bank)


def track(frame: Frame, source: str) -> tuple[FloatArray, FloatArray]:
    """Ground velocity north and east by `velocity`, `course`, `satellite` or `position`, m/s."""
    if source == "velocity":
        return frame.get(VELOCITIES[0]), frame.get(VELOCITIES[1])
    if source == "position":
        latitude = frame.get("latitude_deg")
        north = rate_of(latitude) * METRES_PER_DEGREE
        east = rate_of(frame.get("longitude_deg")) * METRES_PER_DEGREE * np.cos(np.radians(latitude))
        return north, east
    prefix = "satellite_" if source == "satellite" else ""
    speed = frame.get(f"{prefix}speed_mps" if prefix else "groundspeed_mps")
    way = np.radians(frame.get(f"{prefix}course_deg"))
    return speed * np.cos(way), speed * np.sin(way)


TRACKS: dict[str, tuple[str, ...]] = {
    "velocity": VELOCITIES,
    "course": ("groundspeed_mps", "course_deg"),
    "satellite": ("satellite_speed_mps", "satellite_course_deg"),
    "position": ("latitude_deg", "longitude_deg"),
}


def way_of(frame: Frame, source: str) -> FloatArray:
    """Direction of the track, deg without jumps."""
    north, east = track(frame, source)
    return unwrap(np.degrees(np.arctan2(east, north)))
