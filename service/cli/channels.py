"""`trimkeep channels`: what a table holds, and a channel map for what is unknown."""

from __future__ import annotations

from pathlib import Path

import click

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import load_card
from trimkeep.config.errors import UsageError
from trimkeep.config.load import load_fleet
from trimkeep.service.channel_text import channels_text


@click.command("channels")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
def command(file: Path) -> None:
    """Show what the table FILE (.csv or .parquet) holds, and propose a channel map for unknown headers.

    Where the numbers contradict each other (a wrong unit, sign or pair of columns), the lines to change
    are printed; of another log those of its outputs.

    Save the proposed lines as channels.toml in the airframe's folder, or in the fleet folder for all.
    """
    if not file.is_file():
        raise UsageError("is not a file", subject=str(file), next_step="Give one log, .csv or .parquet")
    click.echo(channels_text(file, _card_of(file)))


def _card_of(file: Path) -> AirframeCard:
    """The card of the airframe's folder the file lies in; an empty one elsewhere."""
    folder = file.resolve().parent
    if (folder / "airframe.toml").exists() or (folder / "channels.toml").exists():
        return load_card(load_fleet(folder.parent), folder)
    return AirframeCard(id=folder.name)
