"""`trimkeep digest`: judge the fleet and write the digest page."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from trimkeep.service.cli.ingest import bring_up_to_date
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.digest import make_digest
from trimkeep.service.store.connection import open_store


@click.command("digest")
@fleet_command
@click.option(
    "--days", type=click.IntRange(1, 3660), help="Flights of so many days; default: the whole history."
)
def command(fleet: Path, state: Path | None, days: int | None) -> None:
    """Judge FLEET as the store knows it and write the digest, one HTML file.

    Reads no logs: run `trimkeep ingest` before it, or let `trimkeep watch` run.
    """
    opened = open_fleet(fleet, state)
    bring_up_to_date(opened)
    now = datetime.now(UTC)
    start = now - timedelta(days=days) if days else None
    made = make_digest(open_store(opened.state), opened, now, period_start=start)
    click.echo(f"Digest: {made.path}")
    pages = made.pages
    click.echo(f"Pages behind it: {len(pages.written)} written, {pages.unchanged} unchanged.")
    click.echo(
        f"{len(made.judgement.findings)} findings, {made.called} called. "
        f"List them with: trimkeep findings {opened.folder}"
    )
