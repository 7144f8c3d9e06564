"""`trimkeep audit`: has the maintenance record been altered?"""

from __future__ import annotations

from pathlib import Path

import click

from trimkeep.config.errors import StoreDamaged
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.store.audit import chain_head, load_records, verify_chain
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.digests import load_digests


@click.group("audit")
def command() -> None:
    """Verify the maintenance record: rows that are only added, each holding the hash of the one before."""


@command.command("verify")
@fleet_command
@click.option(
    "--head", "heads", multiple=True, help="A head printed in an earlier digest; may be given again."
)
@click.pass_context
def verify(context: click.Context, fleet: Path, state: Path | None, heads: tuple[str, ...]) -> None:
    """Check every row of the record of FLEET, and that the heads of all earlier digests are still in it.

    Exit code 6 when anything was altered, removed or reordered.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    known = (*heads, *(one.chain_head for one in load_digests(store)))
    faults = verify_chain(store, known)
    for fault in faults:
        click.echo(f"row {fault.seq}: {fault.code}: {fault.detail}")
    if faults:
        click.echo(f"{len(faults)} faults in the record.", err=True)
        context.exit(StoreDamaged.exit_code)
    click.echo(f"{len(load_records(store))} rows, unbroken. Head: {chain_head(store)}")
