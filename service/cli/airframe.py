"""`trimkeep airframe`: what one airframe consists of, today, at a date or in a flight."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from trimkeep.service.airframe_names import known_airframe
from trimkeep.service.cli.options import fleet_command, format_option, open_fleet, table
from trimkeep.service.configuration import Configuration, Item, at_flight, at_moment, end_of, load_history
from trimkeep.service.journal_table import parse_when
from trimkeep.service.store.connection import open_store


@click.command("airframe")
@fleet_command
@click.argument("airframe")
@click.option(
    "--at",
    "when",
    help="Day (its end) or time, as 2026-03-14 or 2026-03-14T10:05+01:00; or one of its flights, by its id.",
)
@click.option("--parameters", is_flag=True, help="List every parameter, not only those that ever changed.")
@format_option("table")
def command(
    fleet: Path, state: Path | None, airframe: str, when: str | None, parameters: bool, form: str
) -> None:
    """Show firmware, board, parts and parameters of AIRFRAME, since when each is so, and by whom.

    Firmware, board and parameters are what the logs state; parts are what the journal says was fitted.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    name = known_airframe(store, opened, airframe)
    zone = opened.time_zone
    history = load_history(store, zone, name)
    flight = next((one for one in history.flights if when in {r.id for r in one.recordings}), None)
    if flight is not None:
        found = at_flight(history, flight)
    else:
        at = end_of(parse_when(when, "--at", zone), zone) if when else datetime.now(UTC)
        found = at_moment(history, at)
    if form == "json":
        click.echo(json.dumps(_as_json(found), indent=1, ensure_ascii=False))
        return
    last = found.flight
    local = ZoneInfo(zone)
    flown = f"last flight {last.at.astimezone(local):%Y-%m-%d %H:%M} ({last.id})" if last else "not flown yet"
    click.echo(f"{name}: {found.flights} flights, {found.hours:.1f} h, {flown}")
    shown = [item for item in found.items if parameters or _is_told(item)]
    click.echo(table([_cells(item, local) for item in shown], ["kind", "part", "is", "since", "by"]))
    hidden = len(found.items) - len(shown)
    if hidden:
        click.echo(f"{hidden} parameters never changed by hand; list them with --parameters.")


def _is_told(item: Item) -> bool:
    return item.kind != "parameters" or (item.since is not None and not item.by_itself)


def _cells(item: Item, zone: ZoneInfo) -> list[str]:
    since = item.since.astimezone(zone).strftime("%Y-%m-%d %H:%M") if item.since else "the first log"
    if item.by_itself:
        since = "changes by itself"
    by = item.by or ("-" if item.documented else "nobody wrote it down")
    return [item.kind.replace("_", " "), item.part or "-", item.value, since, by]


def _as_json(found: Configuration) -> dict[str, Any]:
    return {
        "airframe": found.airframe,
        "at": found.at.isoformat(),
        "flight": found.flight.id if found.flight else None,
        "flights": found.flights,
        "hours": found.hours,
        "items": [
            {
                "kind": item.kind,
                "part": item.part,
                "is": item.value,
                "since": item.since.isoformat() if item.since else None,
                "by": item.by,
                "documented": item.documented,
                "by_itself": item.by_itself,
            }
            for item in found.items
        ],
    }
