"""Arguments and options that several commands share."""

from __future__ import annotations

import getpass
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import click

from trimkeep.config.errors import UsageError
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings

Command = Callable[..., Any]


def fleet_command(function: Command) -> Command:
    """Add `FLEET` and `--state`."""
    function = click.option(
        "--state",
        type=click.Path(path_type=Path),
        default=None,
        help="Folder of the store; default: what fleet.toml says, else .trimkeep in the fleet folder.",
    )(function)
    return click.argument("fleet", type=click.Path(path_type=Path), metavar="FLEET")(function)


def airframes_option(function: Command) -> Command:
    """Add `--airframe`, which may be given again."""
    return click.option(
        "--airframe", "airframes", multiple=True, help="Only this airframe; may be given again."
    )(function)


def format_option(for_people: str) -> Callable[[Command], Command]:
    """Add `--format`: `for_people` (`table` or `text`) by default, or `json`."""
    return click.option(
        "--format",
        "form",
        type=click.Choice([for_people, "json"]),
        default=for_people,
        show_default=True,
        help="For people or for programs.",
    )


def open_fleet(fleet: Path, state: Path | None) -> FleetSettings:
    """Settings of the fleet folder a command was given."""
    return load_fleet(fleet, state=state)


def user_name() -> str:
    """Who gives the command, by the system's word; empty where it knows none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        # A container's user need not have a name.
        return ""


def table(rows: list[list[str]], header: list[str]) -> str:
    """Columns padded to their widest cell; the last one is left as it is."""
    widths = [max(len(row[k]) for row in [header, *rows]) for k in range(len(header))]
    lines = []
    for row in [header, ["-" * width for width in widths], *rows]:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def full_id(known: Iterable[str], wanted: str) -> str:
    """The finding's id that begins so; a few letters are enough while they are unique.

    Raises
    ------
    UsageError
        None begins so, or several do and none of them is exactly `wanted`.
    """
    ids = list(known)
    found = [name for name in ids if name == wanted] or [name for name in ids if name.startswith(wanted)]
    if len(found) == 1 and wanted:
        return found[0]
    raise UsageError(
        "begins more than one finding's id" if found and wanted else "is no finding's id",
        subject=wanted or "ID",
        next_step="`trimkeep findings FLEET` lists the findings with their ids",
    )
