"""What the pages behind the digest are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from trimkeep.detectors.history.model import Change, Finding, Series
from trimkeep.detectors.model import FloatArray
from trimkeep.reports.inputs import AirframeRow, FlightRow, Links, MaintenanceRow, MetricWords, UnitSystem


@dataclass(frozen=True, slots=True)
class Setting:
    """What every page needs to know of the fleet and of the moment."""

    fleet_name: str
    time_zone: str
    units: UnitSystem
    now: datetime
    metrics: Mapping[str, MetricWords]
    links: Links = field(default_factory=Links)
    versions: Mapping[str, str] = field(default_factory=dict)
    language: str = "en"


@dataclass(frozen=True, slots=True)
class BoardInput:
    """Every airframe at a glance."""

    setting: Setting
    airframes: tuple[AirframeRow, ...]
    findings: tuple[Finding, ...]
    series: tuple[Series, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class AirframeInput:
    """One airframe: all of its series, changes, work and flights, oldest first."""

    setting: Setting
    airframe: AirframeRow
    findings: tuple[Finding, ...]
    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    flights: tuple[FlightRow, ...]
    maintenance: tuple[MaintenanceRow, ...] = ()


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel of one flight, a stretch that shows the finding.

    `time_s` and `value` (and `asked`, what the autopilot asked for) have one length; NaN is a gap.
    `channel` is a channel's name (`altitude_m`), `unit` its unit.
    """

    side: Literal["before", "after"]
    channel: str
    unit: str
    at: datetime | None
    time_s: FloatArray
    value: FloatArray
    asked: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Power of one channel before and after, over frequency (Hz), in unit squared per Hz."""

    channel: str
    unit: str
    frequency_hz: FloatArray
    before: FloatArray | None
    after: FloatArray | None


@dataclass(frozen=True, slots=True)
class FindingInput:
    """One finding with its evidence; `no_traces_because` says so in a sentence where it is known."""

    setting: Setting
    finding: Finding
    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    traces: tuple[Trace, ...] = ()
    spectra: tuple[Spectrum, ...] = ()
    no_traces_because: str = ""
