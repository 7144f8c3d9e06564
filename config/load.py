"""Defaults, then fleet.toml, then the environment, then the command line: merged and checked."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, get_origin, get_type_hints
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from trimkeep.config.errors import SettingsError, UsageError
from trimkeep.config.settings import FleetSettings, Settings
from trimkeep.config.toml_text import is_there, nearest, place, read_toml

ENVIRONMENT_PREFIX = "TRIMKEEP_"


@dataclass(frozen=True, slots=True)
class _Given:
    """One value that somebody set, and where."""

    value: Any
    subject: str
    origin: str


def load_fleet(
    folder: Path,
    *,
    state: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> FleetSettings:
    """Settings of a fleet folder.

    Parameters
    ----------
    folder : Path
        The fleet folder; it must exist.
    state : Path or None
        `--state` of the command line; wins over everything.
    environment : mapping or None
        Variables such as `TRIMKEEP_WATCH_STILL_S`; None means the process's own.

    Raises
    ------
    UsageError
        The folder is missing.
    SettingsError
        Unknown key, wrong type or value out of range, with file and line.
    """
    if not folder.is_dir():
        raise UsageError(
            "is not a folder",
            subject=str(folder),
            next_step="Give the fleet folder: the one that holds a folder for each airframe",
        )
    folder = folder.resolve()
    given = _from_file(folder / "fleet.toml")
    given.update(_from_environment(os.environ if environment is None else environment))
    if state is not None:
        given["state"] = _Given(str(state.absolute()), "--state", "command line")
    origins: dict[str, str] = {}
    settings = _build(Settings, "", given, origins)
    _check_zone(settings.time_zone, given)
    for name in ("state", "output"):
        _check_folder(folder, name, getattr(settings, name), given)
    return FleetSettings(
        folder=folder,
        name=settings.name or folder.name,
        time_zone=settings.time_zone,
        units=settings.units,
        state=(folder / settings.state).absolute(),
        output=(folder / settings.output).absolute(),
        settings=settings,
        origins=origins,
    )


# Worked out from text every time; a class's are always the same.
_hints = cache(get_type_hints)


def setting_names(kind: type = Settings, prefix: str = "") -> dict[str, Field[Any]]:
    """Every dotted setting with its dataclass field, in the order they are documented."""
    names: dict[str, Field[Any]] = {}
    hints = _hints(kind)
    for item in fields(kind):
        dotted = f"{prefix}{item.name}"
        if is_dataclass(hints[item.name]):
            names.update(setting_names(hints[item.name], dotted + "."))
        else:
            names[dotted] = item
    return names


def _from_file(path: Path) -> dict[str, _Given]:
    if not is_there(path):
        return {}
    data, text = read_toml(path)
    given: dict[str, _Given] = {}
    for dotted, value in _flatten(data):
        where = place(path, text, dotted)
        _check_known(dotted, where)
        given[dotted] = _Given(value, where, where.replace(str(path.parent) + os.sep, ""))
    return given


def _flatten(data: Mapping[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    known = setting_names()
    flat: list[tuple[str, Any]] = []
    for key, value in data.items():
        dotted = f"{prefix}{key}"
        if isinstance(value, dict) and dotted not in known:
            flat.extend(_flatten(value, dotted + ".") or [(dotted, value)])
        else:
            flat.append((dotted, value))
    return flat


def _check_known(dotted: str, where: str) -> None:
    known = list(setting_names())
    if dotted in known:
        return
    section = dotted.rsplit(".", 1)[0] + "." if "." in dotted else ""
    near = [name for name in known if name.startswith(section)] or known
    raise SettingsError(f"there is no setting {dotted}", subject=where, next_step=nearest(dotted, near))


def _from_environment(environment: Mapping[str, str]) -> dict[str, _Given]:
    given: dict[str, _Given] = {}
    for dotted, item in setting_names().items():
        variable = ENVIRONMENT_PREFIX + dotted.replace(".", "_").upper()
        raw = environment.get(variable)
        if raw is not None and not _is_table(item):
            given[dotted] = _Given(_parse(raw, item), f"environment variable {variable}", "environment")
    return given


def _is_table(item: Field[Any]) -> bool:
    """A table of names and numbers has no form as one variable."""
    return item.default is MISSING


def _parse(raw: str, item: Field[Any]) -> Any:
    sample = item.default
    if isinstance(sample, bool):
        return {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}.get(
            raw.strip().lower(), raw
        )
    if isinstance(sample, int | float):
        try:
            return type(sample)(raw)
        except ValueError:
            return raw
    if isinstance(sample, tuple):
        return [part.strip() for part in raw.split(";") if part.strip()]
    return raw


def _build(kind: type, prefix: str, given: Mapping[str, _Given], origins: dict[str, str]) -> Any:
    hints = _hints(kind)
    values: dict[str, Any] = {}
    for item in fields(kind):
        dotted, hint = f"{prefix}{item.name}", hints[item.name]
        if is_dataclass(hint):
            values[item.name] = _build(hint, dotted + ".", given, origins)  # type: ignore[arg-type]
        elif dotted in given:
            values[item.name] = _checked(dotted, given[dotted], hint, item)
            origins[dotted] = given[dotted].origin
        else:
            origins[dotted] = "default"
    return kind(**values)


def _checked(dotted: str, given: _Given, hint: Any, item: Field[Any]) -> Any:
    value = _typed(dotted, given, hint)
    low, high = item.metadata.get("low"), item.metadata.get("high")
    choices = item.metadata.get("choices") or ()
    for part in value if isinstance(value, tuple) else (value,):
        if choices and part not in choices:
            raise _wrong(dotted, given, f"{part!r} is not one of " + ", ".join(choices))
    if (low is not None and value < low) or (high is not None and value > high):
        bounds = f"at least {low}" if high is None else f"between {low} and {high}"
        unit = f" {item.metadata['unit']}" if item.metadata.get("unit") else ""
        raise _wrong(dotted, given, f"{value} is out of range; it must be {bounds}{unit}")
    return value


def _typed(dotted: str, given: _Given, hint: Any) -> Any:
    value, origin = given.value, get_origin(hint)
    if hint is bool or hint is str:
        good = isinstance(value, hint)
    elif hint is int:
        good = isinstance(value, int) and not isinstance(value, bool)
    elif hint is float:
        good = _is_number(value)
        value = float(value) if good else value
    elif origin is tuple:
        value = [value] if isinstance(value, str) else value
        good = isinstance(value, list) and all(isinstance(part, str) for part in value)
        value = tuple(value) if good else value
    else:
        good = isinstance(value, dict) and all(_is_number(part) and part > 0 for part in value.values())
        value = {key: float(part) for key, part in value.items()} if good else value
    if not good:
        raise _wrong(dotted, given, f"{value!r} is not {_kind_in_words(hint)}")
    return value


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number of hundreds of digits
        return False


def _kind_in_words(hint: Any) -> str:
    words = {bool: "true or false", str: "text in quotes", int: "a whole number", float: "a number"}
    if hint in words:
        return words[hint]
    return "a list of texts" if get_origin(hint) is tuple else "a table of names and numbers above zero"


def _wrong(dotted: str, given: _Given, what: str) -> SettingsError:
    return SettingsError(
        f"setting {dotted}: {what}",
        subject=given.subject,
        next_step="Correct the value; `trimkeep settings` lists every setting and what it means",
    )


def _check_folder(fleet: Path, name: str, text: str, given: Mapping[str, _Given]) -> None:
    """The state and output folders are never read for logs, so neither may hold the fleet itself."""
    good = bool(text.strip()) and "\0" not in text
    if good and not fleet.is_relative_to(Path(os.path.normpath(fleet / text))):
        return
    raise SettingsError(
        f"setting {name}: {text!r} is no folder of its own",
        subject=given[name].subject if name in given else "defaults",
        next_step="Name a folder below the fleet folder, or one elsewhere",
    )


def _check_zone(name: str, given: Mapping[str, _Given]) -> None:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise SettingsError(
            f"setting time_zone: there is no time zone {name!r}",
            subject=given["time_zone"].subject if "time_zone" in given else "defaults",
            next_step='Use an IANA name such as "Europe/Lisbon" or "UTC"',
        ) from error
