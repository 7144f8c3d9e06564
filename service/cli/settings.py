"""`trimkeep settings`: every setting, its value, where it came from and what it means."""

from __future__ import annotations

from functools import reduce
from pathlib import Path
from typing import Any

import click

from trimkeep.config.load import setting_names
from trimkeep.service.cli.options import fleet_command, open_fleet


@click.command("settings")
@fleet_command
def command(fleet: Path, state: Path | None) -> None:
    """Show every setting of FLEET, its value, where the value came from, and what it means."""
    opened = open_fleet(fleet, state)
    for dotted, item in setting_names().items():
        value = reduce(getattr, dotted.split("."), opened.settings)
        unit = f" {item.metadata['unit']}" if item.metadata.get("unit") else ""
        click.echo(f"{dotted} = {_shown(value)}{unit}   ({opened.origins[dotted]})")
        choices = item.metadata.get("choices") or ()
        allowed = f" One of: {', '.join(choices)}." if choices else ""
        click.echo(f"    {item.metadata.get('help', '')}{allowed}")


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "[" + ", ".join(f'"{part}"' for part in value) + "]"
    return f'"{value}"' if isinstance(value, str) else str(value)
