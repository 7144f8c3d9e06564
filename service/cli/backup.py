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
@click.option(
    "--without-accounts",
    is_flag=True,
    help="Leave the accounts of `trimkeep serve` out (hashes of passwords).",
)
def command(fleet: Path, state: Path | None, target: Path, without_accounts: bool) -> None:
    """Copy the store of FLEET into the folder TARGET, also while `trimkeep watch` runs.

    Every backup is a folder of its own named by its time, with the database and the accounts of `serve`;
    decoded recordings are shared between them and copied once. Nothing there is ever deleted. The fleet
    folder itself (logs, cards, journals) is not copied: any copying program does.
    """
    opened = open_fleet(fleet, state)
    made = make_backup(
        open_store(opened.state), target.absolute(), datetime.now(UTC), with_accounts=not without_accounts
    )
    accounts = "with the accounts" if made.backup.accounts_sha256 else "no accounts in it"
    click.echo(
        f"Backup: {made.backup.folder}, {made.backup.database_bytes / 1e6:,.1f} MB, {accounts}; "
        f"{made.copied} of {made.recordings} recordings were new. "
        f"Bring it back with: trimkeep restore {fleet} {target}"
    )
