"""`trimkeep due`: inspections and component lives that are due, or soon will be."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from trimkeep.service.airframe_names import known_airframe
from trimkeep.service.cli.options import airframes_option, fleet_command, format_option, open_fleet, table
from trimkeep.service.store.connection import open_store
from trimkeep.service.upkeep import Standing, UpkeepItem, upkeep

EXIT_OVERDUE = 10
WORDS = {Standing.OVERDUE: "overdue", Standing.SOON: "due soon", Standing.FINE: "-"}
HEADER = ["airframe", "what", "used", "of", "left", "since", "due"]


@click.command("due")
@fleet_command
@airframes_option
@click.option("--all", "everything", is_flag=True, help="Also what is not due yet.")
@format_option("table")
@click.option("--fail-on-overdue", is_flag=True, help="Leave with exit code 10 when anything is overdue.")
@click.pass_context
def command(
    context: click.Context,
    fleet: Path,
    state: Path | None,
    airframes: tuple[str, ...],
    everything: bool,
    form: str,
    fail_on_overdue: bool,
) -> None:
    """List inspections and component lives of FLEET that are due by flights, hours or calendar.

    Intervals and lives are set under [maintenance] in fleet.toml. Only what has a log is counted; the
    person responsible for airworthiness decides.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    wanted = {known_airframe(store, opened, name) for name in airframes}
    found = [one for one in upkeep(store, opened, datetime.now(UTC)) if not wanted or one.airframe in wanted]
    pressing = [one for one in found if one.standing is not Standing.FINE]
    shown = found if everything or form == "json" else pressing
    zone = ZoneInfo(opened.time_zone)
    if form == "json":
        click.echo(json.dumps([_as_json(one) for one in shown], indent=1, ensure_ascii=False))
    elif not found:
        click.echo(
            "Nothing is set, or nothing was flown. Set intervals under [maintenance.interval_hours] and the "
            "like in fleet.toml; `trimkeep settings` lists them."
        )
    elif not shown:
        click.echo(f"Nothing is due. {len(found)} intervals and lives are watched; list them with --all.")
    else:
        click.echo(table([_cells(one, zone) for one in shown], HEADER))
    if fail_on_overdue and any(one.standing is Standing.OVERDUE for one in found):
        context.exit(EXIT_OVERDUE)


def _cells(one: UpkeepItem, zone: ZoneInfo) -> list[str]:
    what = f"{one.name}: {one.component}" if one.component else one.name
    digits = 1 if one.unit == "hours" else 0
    since = one.since.astimezone(zone).strftime("%Y-%m-%d") if one.since else "never done"
    return [
        one.airframe or "not fitted",
        what,
        f"{one.used:.{digits}f}",
        f"{one.limit:g} {one.unit}",
        f"{one.left:.{digits}f}",
        since,
        WORDS[one.standing],
    ]


def _as_json(one: UpkeepItem) -> dict[str, Any]:
    values = asdict(one) | {"left": one.left, "standing": str(one.standing)}
    return values | {"since": one.since.isoformat() if one.since else None}
