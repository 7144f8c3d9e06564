"""`trimkeep finding`: a person's answer to a finding, recorded with who and when."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from trimkeep.config.errors import UsageError
from trimkeep.detectors.history.model import Status
from trimkeep.service.answers import Answer, give_answer
from trimkeep.service.cli.options import Command, fleet_command, full_id, open_fleet, table
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.findings import load_finding_events, load_findings


@click.group("finding", help="Answer a finding: acknowledge, mute, resolve, reopen; or show its history.")
def command() -> None:
    """Answers to findings."""


def _answer(function: Command) -> Command:
    """`FLEET ID --who NAME --reason TEXT`."""
    reason = click.option("--reason", required=True, help="Why, in a few words; kept with the answer.")
    who = click.option("--who", required=True, help="Name of the person who says so; kept with the answer.")
    return fleet_command(click.argument("finding_id", metavar="ID")(who(reason(function))))


@command.command("acknowledge")
@_answer
def acknowledge(fleet: Path, state: Path | None, finding_id: str, who: str, reason: str) -> None:
    """Say that the finding ID of FLEET was seen; it stays listed and alerts only if it grows worse."""
    _record(fleet, state, finding_id, "acknowledged", who, reason)


@command.command("mute")
@_answer
@click.option(
    "--until",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Day from which it is open again, in the fleet's time zone; default: until it is reopened.",
)
def mute(
    fleet: Path, state: Path | None, finding_id: str, who: str, reason: str, until: datetime | None
) -> None:
    """Say no more of the finding ID of FLEET for a while."""
    _record(fleet, state, finding_id, "muted", who, reason, until.date() if until else None)


@command.command("resolve")
@_answer
def resolve(fleet: Path, state: Path | None, finding_id: str, who: str, reason: str) -> None:
    """Say that the finding ID of FLEET is settled; a later flight that shows it still opens it again."""
    _record(fleet, state, finding_id, "resolved", who, reason)


@command.command("reopen")
@_answer
def reopen(fleet: Path, state: Path | None, finding_id: str, who: str, reason: str) -> None:
    """Take back an earlier answer to the finding ID of FLEET."""
    _record(fleet, state, finding_id, "open", who, reason)


@command.command("history")
@fleet_command
@click.argument("finding_id", metavar="ID")
def history(fleet: Path, state: Path | None, finding_id: str) -> None:
    """Show what was said of the finding ID of FLEET, and when."""
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    zone = ZoneInfo(opened.time_zone)
    events = load_finding_events(store, _known_id(store, finding_id))
    rows = [
        [
            f"{one.at.astimezone(zone):%Y-%m-%d %H:%M}",
            one.kind,
            one.verdict,
            one.tier,
            one.status,
            one.who,
            " ".join(one.note.split()),
        ]
        for one in events
    ]
    click.echo(table(rows, ["at", "what", "verdict", "tier", "status", "who", "note"]))


def _record(
    fleet: Path,
    state: Path | None,
    finding_id: str,
    status: Status,
    who: str,
    reason: str,
    until: date | None = None,
) -> None:
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    now = datetime.now(UTC)
    answer = Answer(status, who, reason, until)
    try:
        one = _known_id(store, finding_id)
        finding = give_answer(store, opened, one, answer, now)
    except UsageError as error:
        if error.subject not in ("who", "reason", "until"):
            raise
        raise UsageError(error.message, subject=f"--{error.subject}", next_step=error.next_step) from error
    names = ", ".join(finding.airframes)
    click.echo(f"{one} ({names}, {finding.metric}) is now {status}; recorded for {who.strip()}.")


def _known_id(store: Store, wanted: str) -> str:
    """Among all findings, also those whose change is gone: an answer to them stays on record."""
    return full_id((one.id for one in load_findings(store, with_gone=True)), wanted)
