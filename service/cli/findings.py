"""`trimkeep findings`: what the judge says, as a table or as JSON."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.detectors.history.model import Finding, Verdict
from trimkeep.service.cli.options import fleet_command, open_fleet, table
from trimkeep.service.finding_json import public_finding
from trimkeep.service.judging import judge
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.findings import load_findings

EXIT_FOUND = 10
# Enough to tell findings apart in a list; `trimkeep finding` takes the beginning of an id.
SHOWN_ID = 10
ORDER = [Verdict.ATTENTION, Verdict.WORSE, Verdict.BETTER, Verdict.NO_MATERIAL_CHANGE, Verdict.TOO_EARLY]


@click.command("findings")
@fleet_command
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table", show_default=True)
@click.option("--airframe", "airframes", multiple=True, help="Only this airframe; may be given again.")
@click.option(
    "--verdict", "verdicts", multiple=True, type=click.Choice([str(one) for one in ORDER]), help="Only this."
)
@click.option("--all", "everything", is_flag=True, help="Also what is still too early to tell.")
@click.option(
    "--fail-on",
    type=click.Choice(["worse", "attention"]),
    multiple=True,
    help="Leave with exit code 10 when a called finding has this verdict.",
)
@click.pass_context
def command(
    context: click.Context,
    fleet: Path,
    state: Path | None,
    form: str,
    airframes: tuple[str, ...],
    verdicts: tuple[str, ...],
    everything: bool,
    fail_on: tuple[str, ...],
) -> None:
    """List what is said of every change and every flight of FLEET."""
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    judge(store, opened, datetime.now(UTC))
    found = [
        one
        for one in load_findings(store)
        if (not airframes or set(airframes) & set(one.airframes))
        and (not verdicts or one.verdict in verdicts)
        and (everything or verdicts or form == "json" or one.verdict is not Verdict.TOO_EARLY)
    ]
    found.sort(key=lambda one: (ORDER.index(one.verdict), one.tier, one.airframes, one.metric, one.context))
    if form == "json":
        click.echo(json.dumps([public_finding(one) for one in found], indent=1, sort_keys=True))
    elif found:
        click.echo(table([_row(one) for one in found], HEADER))
    else:
        click.echo("Nothing to tell yet. With --all, what is still too early to tell is listed too.")
    if any(one.tier == "called" and one.verdict in fail_on for one in found):
        context.exit(EXIT_FOUND)


FIGURES = ["before", "after", "range", "flights", "change"]
HEADER = ["id", "verdict", "tier", "airframe", "metric", "context", *FIGURES]


def _row(one: Finding) -> list[str]:
    effect = one.effect
    change = one.change
    unit = f" {effect.unit}" if effect and effect.unit else ""
    return [
        one.id[:SHOWN_ID],
        str(one.verdict),
        str(one.tier),
        ", ".join(one.airframes),
        one.metric,
        one.context,
        f"{effect.before:.3g}{unit}" if effect else "-",
        f"{effect.after:.3g}{unit}" if effect else "-",
        f"{effect.low:+.2g} to {effect.high:+.2g}" if effect else "-",
        f"{one.flights_before} + {one.flights_after}",
        f"{change.at:%Y-%m-%d} {', '.join(change.kinds)}" if change else str(one.kind).replace("_", " "),
    ]
