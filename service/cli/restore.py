"""`trimkeep restore`: put a backup in the place of the store."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.service.backup import find_backup, restore_backup
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.store.audit import chain_head
from trimkeep.service.store.connection import open_store


@click.command("restore")
@fleet_command
@click.argument("target", type=click.Path(path_type=Path), metavar="TARGET")
@click.option("--at", "name", help="Name of the backup, its time; default: the newest.")
def command(fleet: Path, state: Path | None, target: Path, name: str | None) -> None:
    """Put a backup from the folder TARGET in the place of the store of FLEET, also while the service runs.

    The former database is kept beside it under another name. Logs taken in since the backup are read again
    from the fleet folder, and journal.csv is imported again; work recorded by command since then is only in
    the former database.
    """
    opened = open_fleet(fleet, state)
    backup = find_backup(target.absolute(), name)
    aside = restore_backup(opened.state, backup, datetime.now(UTC))
    kept = f" The former database is kept as {aside}." if aside else ""
    head = chain_head(open_store(opened.state))
    click.echo(f"Restored {backup.name}.{kept} Head of the record: {head}")
