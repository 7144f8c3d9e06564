"""`trimkeep check`: contradictions in the store, the recordings and the maintenance record."""

from __future__ import annotations

from pathlib import Path

import click

from trimkeep.config.errors import StoreDamaged
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.integrity import check_store
from trimkeep.service.store.connection import open_store


@click.command("check")
@fleet_command
@click.option("--all", "read_all", is_flag=True, help="Read every recording to its end; takes minutes.")
@click.pass_context
def command(context: click.Context, fleet: Path, state: Path | None, read_all: bool) -> None:
    """Look for contradictions in the store of FLEET. Changes nothing.

    Exit code 6 when there are any.
    """
    opened = open_fleet(fleet, state)
    found = check_store(open_store(opened.state), read_all=read_all)
    for one in found:
        click.echo(f"{one.code}: {one.subject}: {one.detail}")
    if found:
        click.echo(f"{len(found)} contradictions.", err=True)
        context.exit(StoreDamaged.exit_code)
    click.echo("No contradictions.")
