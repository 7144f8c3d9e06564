"""`trimkeep serve`: the pages over HTTP, with forms to answer findings and record work."""

from __future__ import annotations

import signal
import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.config.errors import ReportError, SettingsError, UsageError
from trimkeep.service.cli.ingest import bring_up_to_date
from trimkeep.service.cli.options import fleet_command, open_fleet


@click.command("serve")
@fleet_command
def command(fleet: Path, state: Path | None) -> None:
    """Show the pages of FLEET over HTTP, until told to stop (Ctrl-C, or SIGTERM from a service manager).

    On this machine only, or behind a proxy that speaks https: see [serve] in `trimkeep settings`. Accounts
    are made with `trimkeep account`. Reads no logs: let `trimkeep watch` run beside it.
    """
    opened = open_fleet(fleet, state)
    try:
        from trimkeep.service.web.server import Server
        from trimkeep.service.web.site import make_site
    except ModuleNotFoundError as error:
        raise UsageError(
            f"needs the library {error.name}, which is not installed",
            subject="trimkeep serve",
            next_step="Install it with: pip install 'trimkeep[serve]'",
        ) from error
    site = make_site(opened, lambda: datetime.now(UTC))
    if not site.book.all() and not site.address.open_reading:
        raise SettingsError(
            "has no account yet, and nothing is shown without one",
            subject=str(opened.folder),
            next_step=f"Make one with: trimkeep account add {opened.folder} NAME --role engineer",
        )
    bring_up_to_date(opened)
    try:
        # The board is written before what it leads to; nobody should follow a link to what is not there yet.
        site.refresher.now()
    except ReportError as error:
        click.echo(f"trimkeep: {error} The pages that are there are shown.", err=True)
    server = Server(site)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    click.echo(f"Serving {opened.folder} at {server.url}. Stop with Ctrl-C.")
    server.run()
    click.echo("Stopped.")
