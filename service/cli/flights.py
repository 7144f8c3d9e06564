"""`trimkeep flights`: the flights in the store, and what became of each log."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import click

from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.options import airframes_option, fleet_command, open_fleet, table
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.flights import PlacedFlight, load_flights
from trimkeep.service.store.logs import load_log_outcomes


@click.command("flights")
@fleet_command
@airframes_option
@click.option("--logs", is_flag=True, help="List the log files and what became of each instead.")
def command(fleet: Path, state: Path | None, airframes: tuple[str, ...], logs: bool) -> None:
    """List the flights of FLEET in order of time, or with --logs what became of each log file."""
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    if logs:
        _show_logs(store, airframes)
    else:
        _show_flights(store, opened, airframes)


def _show_flights(store: Store, fleet: FleetSettings, airframes: tuple[str, ...]) -> None:
    flights = load_flights(store, airframes or None)
    if not flights:
        click.echo("No flights yet. Run: trimkeep ingest FLEET")
        return
    zone = ZoneInfo(fleet.time_zone)
    rows = [
        [
            flight.airframe,
            str(flight.order + 1),
            flight.at.astimezone(zone).strftime("%Y-%m-%d %H:%M"),
            f"{flight.main.seconds / 60:.1f}",
            flight.id,
            flight.firmware or "-",
            _remarks(flight),
            flight.main.path,
        ]
        for flight in flights
    ]
    click.echo(table(rows, ["airframe", "no", "begun", "minutes", "flight", "firmware", "remarks", "log"]))


def _remarks(flight: PlacedFlight) -> str:
    remarks = []
    if flight.main.starts_airborne:
        remarks.append("log begins in the air")
    if flight.main.ends_airborne:
        remarks.append("log ends in the air")
    if flight.clock_in_doubt:
        remarks.append("time in doubt")
    return ", ".join(remarks) or "-"


def _show_logs(store: Store, airframes: tuple[str, ...]) -> None:
    found = [one for one in load_log_outcomes(store) if not airframes or one.airframe in airframes]
    if not found:
        click.echo("No logs yet. Run: trimkeep ingest FLEET")
        return
    rows = []
    for one in found:
        remark = one.reason or (f"same content as {one.same_as}" if one.same_as else "")
        if one.superseded:
            remark = "a longer file with the same start counts instead"
        outcome = one.outcome.value if one.outcome is not None else "being read"
        rows.append([one.airframe, outcome, str(one.flights), one.path, remark])
    click.echo(table(rows, ["airframe", "outcome", "flights", "log", "remark"]))
