"""`trimkeep alert`: try the channels, list what went out, send what is due."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from trimkeep.config.errors import DeliveryError, UsageError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.alerts import raise_alerts, trial_message
from trimkeep.service.cli.options import fleet_command, open_fleet, table
from trimkeep.service.judging import judge
from trimkeep.service.message import message_from_json
from trimkeep.service.outbox import deliver, try_now
from trimkeep.service.senders import SENDERS, channels_of
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.outbox import load_outbox


@click.group("alert", help="Alerts: try the channels, list what went out, send what is due.")
def command() -> None:
    """Alerts."""


@command.command("test")
@fleet_command
@click.option(
    "--channel",
    "wanted",
    multiple=True,
    type=click.Choice(sorted(SENDERS)),
    help="Only this channel; may be given again.",
)
def test(fleet: Path, state: Path | None, wanted: tuple[str, ...]) -> None:
    """Send a trial message by every channel that FLEET has switched on, at once.

    Exit code 8 when one of them did not take it.
    """
    opened = open_fleet(fleet, state)
    channels = [name for name in _channels(opened) if not wanted or name in wanted]
    now = datetime.now(UTC)
    failed = []
    for name in channels:
        error = try_now(trial_message(opened, now), name, opened, now)
        click.echo(f"{name}: {'taken' if error is None else error}")
        failed += [name] if error is not None else []
    if failed or not channels:
        raise DeliveryError(
            "did not take the trial message" if failed else "is not switched on",
            subject=f"channel {', '.join(failed or wanted)}",
            next_step="Correct [alerts] in fleet.toml; `trimkeep settings` shows what each line means",
        )


def _channels(fleet: FleetSettings) -> tuple[str, ...]:
    channels = channels_of(fleet)
    if not channels:
        raise UsageError(
            "has no channel for alerts",
            subject=str(fleet.folder / "fleet.toml"),
            next_step="Set alerts.mail.host and recipients, alerts.webhook.url, or alerts.file",
        )
    return channels


@command.command("list")
@fleet_command
@click.option("--waiting", is_flag=True, help="Only what has not arrived yet.")
def list_alerts(fleet: Path, state: Path | None, waiting: bool) -> None:
    """List the alerts of FLEET with what became of each."""
    opened = open_fleet(fleet, state)
    zone = ZoneInfo(opened.time_zone)
    rows = [
        [
            f"{one.queued_at.astimezone(zone):%Y-%m-%d %H:%M}",
            one.channel,
            one.state,
            str(one.attempts),
            message_from_json(one.body).subject,
            one.last_error,
        ]
        for one in load_outbox(open_store(opened.state))
        if not waiting or one.state in ("waiting", "failing")
    ]
    if rows:
        click.echo(table(rows, ["raised", "channel", "state", "tries", "subject", "last error"]))
    else:
        click.echo("No alerts wait." if waiting else "No alerts yet.")


@command.command("send")
@fleet_command
def send(fleet: Path, state: Path | None) -> None:
    """Judge FLEET, raise what is new and deliver what is due; `trimkeep watch` does this by itself."""
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    now = datetime.now(UTC)
    _channels(opened)
    raised = raise_alerts(store, opened, judge(store, opened, now), now)
    done = deliver(store, opened, now)
    click.echo(
        f"{len(raised)} findings newly told; {done.sent} messages sent, "
        f"{done.failed} to be tried again, {done.given_up} given up."
    )
