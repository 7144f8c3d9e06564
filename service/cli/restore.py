"""`trimkeep restore`: put a backup in the place of the store."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.service.backup import find_backup, restore_backup
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.store.audit import chain_head
from trimkeep.service.store.connection import open_store

ACCOUNTS = {
    "restored": "The accounts are those of the backup.",
    "kept": "The accounts stayed as they were.",
    "none": "There are no accounts, neither here nor in the backup.",
}


@click.command("restore")
@fleet_command
@click.argument("target", type=click.Path(path_type=Path), metavar="TARGET")
@click.option("--at", "name", help="Name of the backup, its time; default: the newest.")
@click.option(
    "--accounts-too",
    is_flag=True,
    help="Put the backup's accounts in the place of those that are there.",
)
def command(fleet: Path, state: Path | None, target: Path, name: str | None, accounts_too: bool) -> None:
    """Put a backup from the folder TARGET in the place of the store of FLEET, also while the service runs.

    The former database is kept beside it under another name. Logs taken in since the backup are read again
    from the fleet folder, and journal.csv is imported again; work recorded by command since then is only in
    the former database. Accounts that are there stay as they are, unless --accounts-too is given; in an empty
    state folder those of the backup are put, so that people can log in.
    """
    opened = open_fleet(fleet, state)
    backup = find_backup(target.absolute(), name)
    done = restore_backup(opened.state, backup, datetime.now(UTC), replace_accounts=accounts_too)
    kept = f" The former database is kept as {done.aside}." if done.aside else ""
    head = chain_head(open_store(opened.state))
    click.echo(f"Restored {backup.name}.{kept} {ACCOUNTS[done.accounts]} Head of the record: {head}")
