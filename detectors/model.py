"""The words of the project as plain data: recording, flight, segment, detector, observation.

Everything is frozen. Times inside a recording are seconds (float64) from the recording's start;
wall time is only ever an aware UTC datetime. Arrays inside are not to be written to.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.kept import Kept

FloatArray = NDArray[np.float64]
Window = tuple[float, float]
"""Start and end of a stretch, seconds from the recording's start."""


class ClockSource(StrEnum):
    """What the recording's wall time rests on, from best to worst."""

    SATELLITE = "satellite"
    RECEIVER = "receiver"
    METADATA = "metadata"
    FILE_NAME = "file_name"
    FILE_TIME = "file_time"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Channel:
    """One logged quantity on its own time base.

    Parameters
    ----------
    time_s : ndarray of float64, shape (n,)
        Seconds from the recording's start, not decreasing.
    value : ndarray of float64, shape (n,)
        Unit of the channel's name. NaN means the log said "not known".
    of_times : Kept, optional
        What follows from the times alone; channels on the same times may share it.
    """

    time_s: FloatArray
    value: FloatArray
    of_times: Kept = field(default_factory=Kept, repr=False, compare=False)

    def between(self, start_s: float, end_s: float) -> Channel:
        """The samples with start_s <= time <= end_s, as views (nothing is copied)."""
        part, time_s, of_times = self.of_times.get(
            ("cut", start_s, end_s), lambda: _cut(self.time_s, start_s, end_s)
        )
        return Channel(time_s, self.value[part], of_times)

    @property
    def rate_hz(self) -> float:
        """Median sample rate, Hz; 0 with fewer than two samples."""
        return self.of_times.get("rate_hz", lambda: _rate_hz(self.time_s))


def _cut(time_s: FloatArray, start_s: float, end_s: float) -> tuple[slice, FloatArray, Kept]:
    """The place of the samples from start_s to end_s, their times, and what will be kept of those."""
    first, last = np.searchsorted(time_s, (start_s, np.nextafter(end_s, np.inf)))
    return slice(first, last), time_s[first:last], Kept()


def _rate_hz(time_s: FloatArray) -> float:
    if time_s.size < 2:
        return 0.0
    step = float(np.median(np.diff(time_s)))
    if step > 0.0:
        return 1.0 / step
    span = float(time_s[-1] - time_s[0])
    return (time_s.size - 1) / span if span > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class ParameterReading:
    """One parameter value seen in the log. A parameter that moves in flight has several."""

    time_s: float
    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Text:
    """A message the autopilot sent; severity after RFC 5424, 0 worst."""

    time_s: float
    severity: int
    text: str


@dataclass(frozen=True, slots=True)
class Note:
    """Something odd about a recording that a person may want to know, as a code with values.

    Codes: `cut_off` (bytes read, bytes in file), `skipped_bytes` (count), `foreign_sender`
    (system, component, frames), `clock_jump` (seconds), `bad_checksum` (frames),
    `mode_unmapped` (mode number, seconds), `outputs_unmapped` (channels), `column_unmapped` (names),
    `no_card`, `implausible_year` (year, or read_as), `receiver_clock` (seconds ahead of satellite time),
    `line_against_physics` (file, line as it should be, channel, because), `channel_against_physics` (channel,
    because).
    """

    code: str
    values: Mapping[str, float | int | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Recording:
    """One decoded log.

    Parameters
    ----------
    source : str
        Name of the file, for messages only.
    reader, reader_version : str, int
        Which reader made it.
    duration_s : float
        Last sample's time.
    start_utc : datetime or None
        Aware UTC of time zero; None when it cannot be justified.
    clock : ClockSource
        What start_utc rests on.
    channels : mapping of str to Channel
        By the names of config.channels.CHANNELS. Raw outputs, before the card's mapping, are
        kept too as `output_<port>_<channel>_us`.
    firmware, board : str or None
        As the log states them.
    parameters : tuple of ParameterReading
        Every reading whose value differs from the one before, ordered by time.
    texts : tuple of Text
    notes : tuple of Note
    """

    source: str
    reader: str
    reader_version: int
    duration_s: float
    channels: Mapping[str, Channel]
    start_utc: datetime | None = None
    clock: ClockSource = ClockSource.NONE
    firmware: str | None = None
    board: str | None = None
    parameters: tuple[ParameterReading, ...] = ()
    texts: tuple[Text, ...] = ()
    notes: tuple[Note, ...] = ()
    kept: Kept = field(default_factory=Kept, init=False, repr=False, compare=False)


Phase = Literal["climb", "level", "turn", "descent", "ground"]


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a flight in one control mode and one phase."""

    start_s: float
    end_s: float
    mode: str
    phase: Phase

    @property
    def seconds(self) -> float:
        """Length, seconds."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Flight:
    """One airborne stretch inside a recording.

    `channel` gives the samples of the airborne stretch only; what happened on the ground before
    and after is in `recording`. What detectors share is in `kept`; a flight made by `replace` begins anew.
    """

    recording: Recording
    card: AirframeCard
    number: int
    start_s: float
    end_s: float
    segments: tuple[Segment, ...]
    starts_airborne: bool = False
    ends_airborne: bool = False
    kept: Kept = field(default_factory=Kept, init=False, repr=False, compare=False)

    @property
    def seconds(self) -> float:
        """Airborne time, seconds."""
        return self.end_s - self.start_s

    def has(self, name: str) -> bool:
        """True when the channel has at least two samples in the air."""
        return name in self.recording.channels and self.channel(name).time_s.size >= 2

    def channel(self, name: str) -> Channel:
        """The airborne samples of a channel. KeyError when the recording lacks it."""
        return self.between(name, self.start_s, self.end_s)

    def between(self, name: str, start_s: float, end_s: float) -> Channel:
        """The samples of a channel with start_s <= time <= end_s; one cut serves all on the same times."""
        whole = self.recording.channels[name]
        of_times = self.kept.of(whole.time_s, "times", Kept)
        return Channel(whole.time_s, whole.value, of_times).between(start_s, end_s)


Better = Literal["lower", "higher", "nearer_zero", "none"]
Scale = Literal["log", "linear"]


@dataclass(frozen=True, slots=True)
class Metric:
    """One figure a detector can give.

    Parameters
    ----------
    name, title, unit : str
        `altitude_error_rms_m`-style name with the unit last; title for people.
    better : str
        Which way is better; `none` for context only (never judged).
    matters : float
        Smallest change worth a person's time, in the unit; `[thresholds]` overrides it.
    matters_why : str
        The reason for `matters`, fixed before anything is scored against it.
    scale : str
        Scale on which flight-to-flight noise is even: `log` for positive, skewed figures.
    attention : float or None
        Level of the metric at which one flight alone is a finding (`attention`), no history needed.
    """

    name: str
    title: str
    unit: str
    better: Better
    matters: float
    matters_why: str
    scale: Scale = "log"
    attention: float | None = None


@dataclass(frozen=True, slots=True)
class DetectorSpec:
    """What a detector is, as data: the checks, the docs and the digest are made from it."""

    id: str
    version: int
    title: str
    family: str
    metrics: tuple[Metric, ...]
    needs: frozenset[str] = frozenset()
    uses: frozenset[str] = frozenset()
    modes: frozenset[str] = frozenset()
    min_rate_hz: float = 0.0
    min_seconds: float = 0.0
    evidence: tuple[str, ...] = ()
    measures: str = ""
    formula: str = ""
    source: str = ""
    cannot_tell: str = ""
    needs_any: tuple[frozenset[str], ...] = ()
    """Groups of channels; at least one of each group is needed besides `needs`."""

    def metric(self, name: str) -> Metric:
        """The metric of that name. KeyError when there is none."""
        for metric in self.metrics:
            if metric.name == name:
                return metric
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Observation:
    """One metric of one flight in one context.

    Parameters
    ----------
    metric, context : str
        Context is one of the detector's own words, e.g. `held_level`, `held_turn`, `pilot_flown`.
    value : float
        In the metric's unit; always finite.
    standard_error : float or None
        Same unit, from the effective number of samples; None where it is not defined.
    seconds : float
        Data behind it.
    windows : tuple of (start_s, end_s)
        The stretches that show it.
    """

    metric: str
    context: str
    value: float
    standard_error: float | None
    seconds: float
    windows: tuple[Window, ...] = ()


class Reason(StrEnum):
    """Why something was not measured."""

    MISSING_CHANNEL = "missing_channel"
    RATE_TOO_LOW = "rate_too_low"
    TOO_SHORT = "too_short"
    MODE_ABSENT = "mode_absent"
    NO_EXCITATION = "no_excitation"
    UNDEFINED = "undefined"


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """An answer, not an error: what could not be computed, and why."""

    reason: Reason
    detail: str = ""


class Outcome(StrEnum):
    """How a detector ended on one flight."""

    MEASURED = "measured"
    NOT_MEASURED = "not_measured"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class DetectorRun:
    """What one detector said of one flight; `reason` and `detail` say why where it did not measure."""

    detector: str
    version: int
    outcome: Outcome
    observations: tuple[Observation, ...] = ()
    reason: str | None = None
    detail: str = ""


Observe = Callable[[Flight], "list[Observation] | NotMeasured"]


@dataclass(frozen=True, slots=True)
class Detector:
    """A description and the function that does what it says."""

    spec: DetectorSpec
    observe: Observe
