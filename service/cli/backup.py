"""`trimkeep backup`: copy the store to another disk while the service runs."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.service.backup import make_backup
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.store.connection import open_store


@click.command("backup")
@fleet_command
@click.argument("target", type=click.Path(path_type=Path), metavar="TARGET")
def command(fleet: Path, state: Path | None, target: Path) -> None:
    """Copy the store of FLEET into the folder TARGET, also while `trimkeep watch` runs.

    Every backup is a folder of its own named by its time; decoded recordings are shared between them and
    copied once. Nothing there is ever deleted. The fleet folder itself (logs, cards, journals) is not
    copied: any copying program does.
    """
    opened = open_fleet(fleet, state)
    made = make_backup(open_store(opened.state), target.absolute(), datetime.now(UTC))
    click.echo(
        f"Backup: {made.backup.folder}, {made.backup.database_bytes / 1e6:,.1f} MB; {made.copied} of "
        f"{made.recordings} recordings were new. Bring it back with: trimkeep restore {fleet} {target}"
    )
