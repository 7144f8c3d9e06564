"""The airframe's identity card: what `airframe.toml` and `channels.toml` say, as typed values.

Loading and checking the files is `config.load`; these are the plain types that readers and
detectors receive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Output:
    """One servo or motor output.

    Parameters
    ----------
    channel : int
        1-based, as in the log.
    port : int
        Bank of outputs, 0 for the first.
    low_us, neutral_us, high_us : float
        Pulse lengths, microseconds. A throttle has no neutral.
    throw_deg : float or None
        Surface travel to each side at full command.
    reversed : bool
        True turns the sign round.
    pitch, roll, yaw : float
        Share of each command for mixed surfaces; zero where the output has no part in it.
    """

    channel: int
    port: int = 0
    low_us: float = 1000.0
    neutral_us: float = 1500.0
    high_us: float = 2000.0
    throw_deg: float | None = None
    reversed: bool = False
    pitch: float = 0.0
    roll: float = 0.0
    yaw: float = 0.0


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """Where a table's channel comes from: value = sign * scale * column, then unit conversion.

    `unit` is the unit of the column (for example `rad`, `ft`, `kt`); None means the channel's own.
    """

    channel: str
    column: str
    unit: str | None = None
    scale: float = 1.0
    sign: int = 1


@dataclass(frozen=True, slots=True)
class AirframeCard:
    """What is known of one airframe before any log is read.

    Parameters
    ----------
    id : str
        Folder name, or `id` of airframe.toml.
    outputs : mapping of str to tuple of Output
        Function (`aileron`, `elevator`, `rudder`, `throttle`, `elevon_left`, ...) to its outputs.
    modes : mapping of int to str
        The log's own mode number to one of `config.channels.CONTROL_MODES`.
    limits : mapping of str to float
        `pitch_rate_max_dps`, `roll_rate_max_dps`, `stall_speed_mps`.
    parameter_names : mapping of str to str
        Setting (`pitch_rate_max_dps`, ...) to the name of the logged parameter that holds it.
    thresholds : mapping of str to float
        Metric to its material change, overriding the detector's description.
    columns : tuple of ColumnMap
        Channel map for tables with foreign headers.
    has_card : bool
        False when there was no airframe.toml.
    """

    id: str
    description: str = ""
    span_m: float | None = None
    mass_kg: float | None = None
    motors: int = 1
    limits: Mapping[str, float] = field(default_factory=dict)
    outputs: Mapping[str, tuple[Output, ...]] = field(default_factory=dict)
    modes: Mapping[int, str] = field(default_factory=dict)
    parameter_names: Mapping[str, str] = field(default_factory=dict)
    thresholds: Mapping[str, float] = field(default_factory=dict)
    columns: tuple[ColumnMap, ...] = ()
    has_card: bool = False
