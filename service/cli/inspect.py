"""`trimkeep inspect`: one log, no store: what it shows, what could not be measured and why, one page."""

from __future__ import annotations

from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import click

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import CARD_FILE, COLUMNS_FILE, load_card
from trimkeep.config.errors import UsageError
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.reports.inputs import metric_words
from trimkeep.reports.page_inputs import Setting
from trimkeep.reports.page_views import FlightPage
from trimkeep.reports.render import render_inspect
from trimkeep.service.cli.options import table
from trimkeep.service.inspecting import SPEC_BY_ID, InspectedFlight, inspect_log, page_of
from trimkeep.service.page_file import fingerprint, made_from, write_page


@click.command("inspect")
@click.argument("log", type=click.Path(path_type=Path), metavar="LOG")
@click.option(
    "--airframe-folder",
    "folder",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Folder with the airframe.toml to read it by; default: the folder the log lies in, or one above it.",
)
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File of the page; default: the log's name with .html, in the current directory.",
)
@click.option("--flight", "number", type=click.IntRange(1), help="Which flight; default: the longest one.")
def command(log: Path, folder: Path | None, output: Path | None, number: int | None) -> None:
    """Measure one LOG by itself and write one HTML page about it. No store and no fleet folder are needed."""
    if not log.is_file():
        raise UsageError("is not a file", subject=str(log), next_step="Give one log: .tlog, .csv or .parquet")
    card, fleet = _card_of(log, folder)
    page_path = output or Path(f"{log.name}.html")
    _refuse_foreign(page_path)
    recording, flights = inspect_log(log, card)
    if not flights:
        click.echo(
            f"{log.name}: {recording.duration_s:.0f} s of log, and nothing in it flew. No page is made."
        )
        return
    _list_flights(flights)
    chosen = _choose(flights, number, log)
    page = page_of(chosen, _setting(fleet, card))
    _tell(page)
    write_page(page_path, render_inspect(page), fingerprint("inspect"))
    click.echo(f"Page: {page_path}")


def _card_of(log: Path, folder: Path | None) -> tuple[AirframeCard, FleetSettings | None]:
    """The card the log is read by, and the settings of the fleet folder around it."""
    above = [folder.resolve()] if folder is not None else list(log.resolve().parents)[:3]
    for one in above:
        if folder is not None or (one / CARD_FILE).exists() or (one / COLUMNS_FILE).exists():
            fleet = load_fleet(one.parent)
            return load_card(fleet, one), fleet
    return AirframeCard(id=""), None


def _refuse_foreign(path: Path) -> None:
    if path.exists() and made_from(path) is None:
        raise UsageError(
            "is there already and was not made by this command",
            subject=str(path),
            next_step="Move it away, or name another file with --output",
        )


def _setting(fleet: FleetSettings | None, card: AirframeCard) -> Setting:
    return Setting(
        fleet_name=fleet.name if fleet else card.id,
        time_zone=fleet.time_zone if fleet else "UTC",
        units="imperial" if fleet and fleet.units == "imperial" else "metric",
        now=datetime.now(UTC),
        metrics=metric_words(tuple(SPEC_BY_ID.values())),
        versions={"trimkeep": version("trimkeep")},
    )


def _list_flights(flights: tuple[InspectedFlight, ...]) -> None:
    for one in flights:
        flight = one.flight
        odd = [
            name.replace("_", " ") for name in ("starts_airborne", "ends_airborne") if getattr(flight, name)
        ]
        remarks = f" ({', '.join(odd)})" if odd else ""
        click.echo(
            f"Flight {flight.number}: {flight.start_s:.0f} s to {flight.end_s:.0f} s, "
            f"{flight.seconds / 60.0:.1f} min{remarks}"
        )


def _choose(flights: tuple[InspectedFlight, ...], number: int | None, log: Path) -> InspectedFlight:
    if number is None:
        return max(flights, key=lambda one: one.flight.seconds)
    for one in flights:
        if one.flight.number == number:
            return one
    raise UsageError(
        f"has no flight {number}", subject=log.name, next_step=f"It has {len(flights)}, numbered from 1"
    )


def _tell(page: FlightPage) -> None:
    """The page's figures as tables, in the page's words."""
    click.echo(f"\n{page.head.counts}\n")
    click.echo(
        table([[row.mode, row.phase, row.time_spent] for row in page.flown], ["mode", "phase", "time"])
    )
    rows = [[row.title, row.value, row.uncertainty, row.behind] for one in page.detectors for row in one.rows]
    if rows:
        click.echo("\n" + table(rows, ["figure", "value", "uncertainty", "data behind it"]))
    if page.unmeasured:
        missing = [[row.title, row.reason] for row in page.unmeasured]
        click.echo("\n" + table(missing, ["not measured", "why not"]))
    for note in page.notes:
        click.echo(f"Note: {note}")
    click.echo("")
    for entry in page.entries:
        click.echo(f"{entry.verdict_word}: {entry.headline}.")
        if entry.causes:
            cause = entry.causes[0]
            click.echo(f"  Most likely: {cause.name} ({cause.likely}).")
            if cause.check:
                click.echo(f"  {cause.check.text} {cause.check.caution} {cause.check.defer}")
    if not page.entries:
        click.echo(
            "Nothing in this flight needs a hand by itself; a change shows only against other flights."
        )
