"""`trimkeep compare`: what differs between two flights, two dates of one airframe, or two airframes."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from trimkeep.config.errors import UsageError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.airframe_names import airframe_names, known_airframe
from trimkeep.service.cli.options import fleet_command, format_option, open_fleet, table
from trimkeep.service.configuration import (
    Configuration,
    Difference,
    at_flight,
    at_moment,
    compare,
    end_of,
    load_history,
)
from trimkeep.service.journal_table import parse_when
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.flights import load_flights


@click.command("compare")
@fleet_command
@click.argument("first", metavar="A")
@click.argument("second", metavar="B")
@click.option("--airframe", help="A and B are dates of this airframe: 2026-03-14, or with a time.")
@format_option("table")
def command(
    fleet: Path, state: Path | None, first: str, second: str, airframe: str | None, form: str
) -> None:
    """Show what differs between A and B: firmware, board, parts, and settings with their ratio B / A.

    A and B are flights (ids as `trimkeep flights` lists them), airframes as they are today, or with
    --airframe two dates.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    one, other = (_configuration(store, opened, text, airframe) for text in (first, second))
    found = compare(one, other)
    if form == "json":
        click.echo(json.dumps([_as_json(difference) for difference in found], indent=1, ensure_ascii=False))
    elif found:
        header = ["kind", "part", first, second, "ratio", "since", "by"]
        zone = ZoneInfo(opened.time_zone)
        click.echo(table([_cells(difference, zone) for difference in found], header))
    else:
        click.echo("No difference in firmware, board, parts or settings.")


def _configuration(store: Store, fleet: FleetSettings, text: str, airframe: str | None) -> Configuration:
    zone = fleet.time_zone
    if airframe is not None:
        history = load_history(store, zone, known_airframe(store, fleet, airframe))
        return at_moment(history, end_of(parse_when(text, text, zone), zone))
    if text in airframe_names(store, fleet):
        return at_moment(load_history(store, zone, text), datetime.now(UTC))
    for flight in load_flights(store):
        if text in {recording.id for recording in flight.recordings}:
            return at_flight(load_history(store, zone, flight.airframe), flight)
    raise UsageError(
        "is neither a flight nor an airframe",
        subject=text,
        next_step="`trimkeep flights` lists flights with their ids; for dates give --airframe as well",
    )


def _cells(one: Difference, zone: ZoneInfo) -> list[str]:
    after = one.second
    unwritten = after is not None and not after.documented
    by = "nobody wrote it down" if unwritten else after.by if after else ""
    return [
        one.kind.replace("_", " "),
        one.part or "-",
        one.first.value if one.first else "not known",
        after.value if after else "not known",
        f"{one.ratio:.4g}" if one.ratio is not None else "-",
        f"{after.since.astimezone(zone):%Y-%m-%d}" if after and after.since else "-",
        by or "-",
    ]


def _as_json(one: Difference) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "part": one.part,
        "first": one.first.value if one.first else None,
        "second": one.second.value if one.second else None,
        "ratio": one.ratio,
        "since": one.second.since.isoformat() if one.second and one.second.since else None,
        "by": one.second.by if one.second else "",
    }
