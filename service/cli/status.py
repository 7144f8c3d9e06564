"""`trimkeep status`: how the service stands, for people and for monitors."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from trimkeep.service.cli.options import fleet_command, format_option, open_fleet
from trimkeep.service.health import Health
from trimkeep.service.status import FleetStatus, Happened, fleet_status
from trimkeep.service.store.connection import open_store

EXIT_SILENT = 10


@click.command("status")
@fleet_command
@format_option("text")
@click.option(
    "--alive-within",
    type=click.IntRange(1),
    metavar="SECONDS",
    help="Leave with exit code 10 when the watcher gave no sign of life for so long.",
)
@click.pass_context
def command(
    context: click.Context, fleet: Path, state: Path | None, form: str, alive_within: int | None
) -> None:
    """Show how the service of FLEET stands: what waits, what was last read and said, room left on the disk.

    Changes nothing. The watcher's own sign of life is the file health.json in the state folder.
    """
    opened = open_fleet(fleet, state)
    found = fleet_status(open_store(opened.state), opened)
    now = datetime.now(UTC)
    if form == "json":
        click.echo(json.dumps(asdict(found), indent=1, default=_plain, sort_keys=True))
    else:
        for label, text in _lines(found, ZoneInfo(opened.time_zone), now):
            click.echo(f"{label:<14} {text}")
    if alive_within is not None and not _is_alive(found.watcher, now, alive_within):
        context.exit(EXIT_SILENT)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(type(value).__name__)


def _is_alive(watcher: Health | None, now: datetime, within_s: int) -> bool:
    if watcher is None or watcher.doing != "watching":
        return False
    return now - watcher.alive_at <= timedelta(seconds=within_s)


def _lines(found: FleetStatus, zone: ZoneInfo, now: datetime) -> list[tuple[str, str]]:
    counts = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in sorted(found.logs.items()))
    called = ", ".join(f"{count} {verdict}" for verdict, count in sorted(found.open_findings.items()))
    return [
        ("watcher", _watcher(found.watcher, zone, now)),
        ("queue", f"{_waiting(found.waiting)}, {found.being_read} being read"),
        ("logs", counts or "none yet"),
        ("last log", _happened(found.last_log, zone)),
        ("last digest", _happened(found.last_digest, zone)),
        ("last error", _happened(found.last_error, zone)),
        ("open findings", called or "none"),
        ("fleet model", f"version {found.model_version}" if found.model_version else "not fitted yet"),
        ("store", f"{_megabytes(found.store_bytes)}, {_megabytes(found.free_bytes)} left on its disk"),
        ("record's head", found.chain_head),
    ]


def _waiting(count: int | None) -> str:
    return "the logs' address cannot be listed now" if count is None else f"{count} files not read yet"


def _watcher(watcher: Health | None, zone: ZoneInfo, now: datetime) -> str:
    if watcher is None:
        return "has not run here"
    if watcher.doing != "watching":
        return f"stopped at {_time(watcher.alive_at, zone)}"
    silent_s = max((now - watcher.alive_at).total_seconds(), 0.0)
    began = _time(watcher.began_at, zone)
    return f"process {watcher.pid}, since {began}, last sign of life {silent_s:.0f} s ago"


def _happened(one: Happened | None, zone: ZoneInfo) -> str:
    return f"{_time(one.at, zone)}  {one.what}" if one is not None else "none"


def _time(at: datetime, zone: ZoneInfo) -> str:
    return at.astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")


def _megabytes(size: int) -> str:
    return f"{size / 1e6:,.1f} MB"
