"""Every setting with its default, its unit and one sentence of help.

`defaults.toml` repeats the defaults for people; a test holds the two together. The settings of the
judge are in `config.judging`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from trimkeep.config.alerting import AlertSettings
from trimkeep.config.fields import setting
from trimkeep.config.judging import JudgeSettings
from trimkeep.config.log_place import LogPlaceSettings
from trimkeep.config.maintenance import MaintenanceSettings
from trimkeep.config.retention import RetentionSettings
from trimkeep.config.serve import ServeSettings


@dataclass(frozen=True, slots=True)
class IngestSettings:
    """How logs are taken in."""

    workers: int = setting(0, "Worker processes; 0 means one for each processor.", low=0, high=256)
    attempts: int = setting(3, "A log that took its worker down this many times is rejected.", low=1, high=10)
    largest_log_mb: int = setting(
        2048, "A larger file is rejected with a sentence, not read.", unit="MB", low=1
    )
    longest_s: float = setting(
        300.0, "A log that takes longer to read counts as one that took its worker down.", unit="s", low=0.1
    )
    worker_memory_mb: int = setting(
        4096,
        "Memory that reading one log may take; a log that needs more is rejected. 0 means no limit.",
        unit="MB",
        low=0,
    )


@dataclass(frozen=True, slots=True)
class WatchSettings:
    """How the folder is watched."""

    still_s: float = setting(
        5.0, "A file is taken when its size and time stood still this long.", unit="s", low=0.1, high=3600
    )
    rescan_s: float = setting(
        60.0, "The whole folder is looked through this often, events or not.", unit="s", low=1, high=86400
    )
    polling: bool = setting(False, "Look through the folder only; for network shares without events.")


@dataclass(frozen=True, slots=True)
class DigestSettings:
    """When digests are made and how far back they look."""

    schedule: tuple[str, ...] = setting(
        ("weekly",),
        "When digests are made: daily, weekly, or five cron fields, in the fleet's time zone.",
    )
    at: str = setting("06:00", "Time of day of daily and weekly digests, in the fleet's time zone.")
    weekday: str = setting(
        "mon",
        "Day of the weekly digest.",
        choices=("mon", "tue", "wed", "thu", "fri", "sat", "sun"),
    )
    after_flights: int = setting(
        0, "Make a digest after this many new flights as well; 0 means never.", low=0
    )
    trend_flights: int = setting(
        40, "Flights shown in a trend; older ones stay in the store.", unit="flights", low=5, high=1000
    )


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of one fleet folder, merged and checked."""

    name: str = setting("", "Name of the fleet, as the pages show it; empty means the folder's name.")
    time_zone: str = setting("UTC", "IANA time zone of days, digests and date-only journal entries.")
    units: str = setting("metric", "Units on pages.", choices=("metric", "imperial"))
    state: str = setting(
        ".trimkeep",
        "Folder of the store and the decoded recordings, relative to the fleet folder; set it elsewhere "
        "when the fleet folder is read-only.",
    )
    output: str = setting("digests", "Folder of the pages, relative to the fleet folder.")
    ingest: IngestSettings = field(default_factory=IngestSettings, metadata={"help": "Taking in logs."})
    logs: LogPlaceSettings = field(
        default_factory=LogPlaceSettings, metadata={"help": "Logs in object storage."}
    )
    watch: WatchSettings = field(default_factory=WatchSettings, metadata={"help": "Watching the folder."})
    digest: DigestSettings = field(default_factory=DigestSettings, metadata={"help": "Digests."})
    judge: JudgeSettings = field(default_factory=JudgeSettings, metadata={"help": "Judging changes."})
    maintenance: MaintenanceSettings = field(
        default_factory=MaintenanceSettings, metadata={"help": "The maintenance record."}
    )
    retention: RetentionSettings = field(
        default_factory=RetentionSettings, metadata={"help": "How long files are kept."}
    )
    alerts: AlertSettings = field(default_factory=AlertSettings, metadata={"help": "Alerts."})
    serve: ServeSettings = field(default_factory=ServeSettings, metadata={"help": "Pages over HTTP."})
    thresholds: Mapping[str, float] = setting(
        {}, "Metric name to what counts as a material change, in the metric's unit; overrides the default."
    )


@dataclass(frozen=True, slots=True)
class FleetSettings:
    """A fleet folder and everything that was set for it.

    Parameters
    ----------
    folder : Path
        Absolute path of the fleet folder.
    name, time_zone, units : str
    state, output : Path
        Absolute.
    settings : Settings
    origins : mapping of str to str
        Dotted setting to where its value came from (`default`, `fleet.toml line 3`,
        `environment`, `command line`).
    """

    folder: Path
    name: str
    time_zone: str
    units: str
    state: Path
    output: Path
    settings: Settings
    origins: Mapping[str, str]
