"""`airframe.toml` and `channels.toml` into an `AirframeCard`, checked key by key."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from trimkeep.config.airframe import AirframeCard, ColumnMap, Output
from trimkeep.config.channels import CHANNELS, CONTROL_MODES
from trimkeep.config.errors import SettingsError
from trimkeep.config.settings import FleetSettings
from trimkeep.config.toml_text import is_there, nearest, place, read_toml
from trimkeep.config.units import UNITS

CARD_FILE = "airframe.toml"
COLUMNS_FILE = "channels.toml"
PLAIN_KEYS = ("id", "description", "span_m", "mass_kg", "motors")
TABLES = ("limits", "outputs", "modes", "parameters", "thresholds")
LIMITS = ("pitch_rate_max_dps", "roll_rate_max_dps", "stall_speed_mps")
# Surfaces with one meaning, and the two halves of a mixed pair; each may be one output or a list.
SURFACES: dict[str, tuple[float, float, float]] = {
    "elevator": (1.0, 0.0, 0.0),
    "aileron": (0.0, 1.0, 0.0),
    "rudder": (0.0, 0.0, 1.0),
    "throttle": (0.0, 0.0, 0.0),
}
MIXED_PREFIXES = ("elevon_", "vtail_", "flaperon_")


def airframe_folders(fleet: FleetSettings) -> tuple[Path, ...]:
    """Folders of the fleet that hold one airframe each, by name.

    Hidden folders, the state and the output folder are left out.
    """
    apart = {fleet.state, fleet.output}
    found = []
    for entry in sorted(fleet.folder.iterdir()):
        if entry.name.startswith((".", "~")) or not entry.is_dir():
            continue
        if entry.absolute() not in apart:
            found.append(entry)
    return tuple(found)


def load_card(fleet: FleetSettings, folder: Path) -> AirframeCard:
    """The identity card of one airframe.

    Parameters
    ----------
    fleet : FleetSettings
        Its thresholds stand behind the airframe's own; its folder may hold a common channels.toml.
    folder : Path
        The airframe's folder.

    Raises
    ------
    SettingsError
        Unknown key, wrong type or value, with the file and the line.
    """
    columns = _load_columns(folder / COLUMNS_FILE) or _load_columns(fleet.folder / COLUMNS_FILE)
    path = folder / CARD_FILE
    if not is_there(path):
        return AirframeCard(id=folder.name, thresholds=fleet.settings.thresholds, columns=columns)
    data, text = read_toml(path)
    source = _Source(path, text)
    for key in data:
        if key not in PLAIN_KEYS and key not in TABLES:
            raise source.error(key, f"there is no key {key}", nearest(key, [*PLAIN_KEYS, *TABLES]))
    return AirframeCard(
        id=source.text_of(data, "id", folder.name),
        description=source.text_of(data, "description", ""),
        span_m=source.positive(data, "span_m"),
        mass_kg=source.positive(data, "mass_kg"),
        motors=source.whole("motors", source.positive(data, "motors") or 1),
        limits=source.numbers(data, "limits", LIMITS),
        outputs=_outputs(source, data.get("outputs", {})),
        modes=_modes(source, data.get("modes", {})),
        parameter_names=_parameter_names(source, data.get("parameters", {})),
        thresholds={**fleet.settings.thresholds, **_thresholds(source, data)},
        columns=columns,
        has_card=True,
    )


class _Source:
    """One file with its text, for complaints that name the line."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.text = text

    def error(self, dotted: str, what: str, next_step: str) -> SettingsError:
        return SettingsError(what, subject=place(self.path, self.text, dotted), next_step=next_step)

    def text_of(self, data: Mapping[str, Any], key: str, default: str) -> str:
        value = data.get(key, default)
        if not isinstance(value, str):
            raise self.error(key, f"{key} is {value!r}, not text", "Put it in quotes")
        if key == "id" and not value.strip():
            raise self.error(key, "id is empty", "Name the airframe, or leave the line out")
        return value

    def number(self, dotted: str, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(dotted, f"{dotted} is {value!r}, not a number", "Write a number without quotes")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise self.error(dotted, f"{dotted} is no finite number", "Write a number that can be measured")
        return number

    def whole(self, dotted: str, value: Any) -> int:
        number = self.number(dotted, value)
        if number != int(number):
            raise self.error(dotted, f"{dotted} is {number:g}", "It is a whole number")
        return int(number)

    def positive(self, data: Mapping[str, Any], key: str) -> float | None:
        if key not in data:
            return None
        value = self.number(key, data[key])
        if value <= 0.0:
            raise self.error(key, f"{key} is {value:g}", "It must be above zero")
        return value

    def table(self, value: Any, name: str) -> Mapping[str, Any]:
        if not isinstance(value, dict):
            raise self.error(name, f"{name} is {value!r}, not a table", f"Write it as a section [{name}]")
        return value

    def numbers(
        self, data: Mapping[str, Any], name: str, allowed: tuple[str, ...] | None
    ) -> dict[str, float]:
        table = self.table(data.get(name, {}), name)
        for key in table:
            if allowed is not None and key not in allowed:
                raise self.error(
                    f"{name}.{key}", f"there is no {name} key {key}", nearest(key, list(allowed))
                )
        return {key: self.number(f"{name}.{key}", value) for key, value in table.items()}


def _thresholds(source: _Source, data: Mapping[str, Any]) -> dict[str, float]:
    thresholds = source.numbers(data, "thresholds", None)
    for name in thresholds:
        source.positive(data["thresholds"], name)
    return thresholds


def _outputs(source: _Source, data: Any) -> dict[str, tuple[Output, ...]]:
    outputs: dict[str, tuple[Output, ...]] = {}
    for name, entry in source.table(data, "outputs").items():
        dotted = f"outputs.{name}"
        if name not in SURFACES and not name.startswith(MIXED_PREFIXES):
            allowed = [*SURFACES, "elevon_left", "elevon_right", "vtail_left", "vtail_right"]
            raise source.error(dotted, f"there is no surface {name}", nearest(name, allowed))
        entries = entry if isinstance(entry, list) else [entry]
        outputs[name] = tuple(_output(source, dotted, name, one) for one in entries)
    return outputs


def _output(source: _Source, dotted: str, name: str, entry: Any) -> Output:
    table = source.table(entry, dotted)
    known = [item.name for item in fields(Output)]
    for key in table:
        if key not in known:
            raise source.error(dotted, f"{dotted} has no key {key}", nearest(key, known))
    if "channel" not in table:
        raise source.error(dotted, f"{dotted} has no channel", "Give the output's number, counted from 1")
    shares = dict(zip(("pitch", "roll", "yaw"), SURFACES.get(name, (0.0, 0.0, 0.0)), strict=True))
    values: dict[str, Any] = {**shares}
    for key, value in table.items():
        if key == "reversed":
            values[key] = bool(value)
        elif key in ("channel", "port"):
            values[key] = source.whole(dotted, value)
        else:
            values[key] = source.number(dotted, value)
    output = Output(**values)
    if not 1 <= output.channel <= 32 or output.port < 0:
        raise source.error(dotted, f"{dotted} has channel {output.channel}", "Outputs count from 1")
    if output.low_us >= output.high_us:
        raise source.error(
            dotted, f"{dotted} has low_us not below high_us", "Swap them and set reversed = true instead"
        )
    if name.startswith(MIXED_PREFIXES) and not (output.pitch or output.roll or output.yaw):
        raise source.error(dotted, f"{dotted} has no share", "Give pitch, roll or yaw")
    return output


def _modes(source: _Source, data: Any) -> dict[int, str]:
    modes: dict[int, str] = {}
    for key, value in source.table(data, "modes").items():
        dotted = f"modes.{key}"
        # A number of more digits is none that any log holds, and Python refuses to read some thousand.
        if not (key.isascii() and key.removeprefix("-").isdigit() and len(key) < 12):
            raise source.error(dotted, f"mode number {key!r} is not a whole number", "Use the log's number")
        if value not in CONTROL_MODES:
            raise source.error(
                dotted, f"{value!r} is no control mode", nearest(str(value), list(CONTROL_MODES))
            )
        modes[int(key)] = value
    return modes


def _parameter_names(source: _Source, data: Any) -> dict[str, str]:
    names = source.table(data, "parameters")
    for key, value in names.items():
        if not isinstance(value, str):
            raise source.error(f"parameters.{key}", f"{value!r} is not a name", "Put the name in quotes")
    return dict(names)


def _load_columns(path: Path) -> tuple[ColumnMap, ...]:
    if not is_there(path):
        return ()
    data, text = read_toml(path)
    source = _Source(path, text)
    for key in data:
        if key != "channels":
            raise source.error(key, f"there is no key {key}", "Everything stands in the section [channels]")
    table = source.table(data.get("channels", {}), "channels")
    return tuple(_column(source, name, entry) for name, entry in table.items())


def _column(source: _Source, name: str, entry: Any) -> ColumnMap:
    dotted = f"channels.{name}"
    extra = ("time_s", "time_utc")
    if name not in CHANNELS and name not in extra and not name.startswith("output_"):
        raise source.error(dotted, f"there is no channel {name}", nearest(name, [*CHANNELS, *extra]))
    table = source.table({"column": entry} if isinstance(entry, str) else entry, dotted)
    for key in table:
        if key not in ("column", "unit", "scale", "sign"):
            raise source.error(dotted, f"{dotted} has no key {key}", "Use column, unit, scale and sign")
    if not isinstance(table.get("column"), str):
        raise source.error(dotted, f"{dotted} has no column", 'Name the header, such as column = "Pitch"')
    unit = table.get("unit")
    if unit is not None and (not isinstance(unit, str) or unit not in UNITS):
        raise source.error(dotted, f"{unit!r} is no unit known here", nearest(str(unit), list(UNITS)))
    sign = source.number(dotted, table.get("sign", 1))
    if sign not in (1.0, -1.0):
        raise source.error(dotted, f"sign is {sign:g}", "It is 1 or -1")
    scale = source.number(dotted, table.get("scale", 1.0))
    return ColumnMap(name, table["column"], unit, scale, int(sign))
