"""`trimkeep findings`: what the judge says, as a table or as JSON."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.detectors.history.model import Finding, Verdict
from trimkeep.service.cli.options import airframes_option, fleet_command, format_option, open_fleet, table
from trimkeep.service.finding_json import public_finding
from trimkeep.service.judging import judge
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.findings import load_findings

EXIT_FOUND = 10
# Enough to tell findings apart in a list; `trimkeep finding` takes the beginning of an id.
SHOWN_ID = 10
MOST_NAMED = 2
ORDER = [Verdict.ATTENTION, Verdict.WORSE, Verdict.BETTER, Verdict.NO_MATERIAL_CHANGE, Verdict.TOO_EARLY]
UNSPOKEN = (Verdict.NO_MATERIAL_CHANGE, Verdict.TOO_EARLY)


@click.command("findings")
@fleet_command
@format_option("table")
@airframes_option
@click.option(
    "--verdict", "verdicts", multiple=True, type=click.Choice([str(one) for one in ORDER]), help="Only this."
)
@click.option("--all", "everything", is_flag=True, help="Also what did not change or is too early to tell.")
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
    """List what is said of every change and every flight of FLEET.

    The table leaves out what did not change and what is still too early to tell, and counts it below;
    JSON holds everything.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    judge(store, opened, datetime.now(UTC))
    asked = [
        one
        for one in load_findings(store)
        if (not airframes or set(airframes) & set(one.airframes))
        and (not verdicts or one.verdict in verdicts)
    ]
    whole = everything or bool(verdicts) or form == "json"
    found = [one for one in asked if whole or one.verdict not in UNSPOKEN]
    found.sort(key=lambda one: (ORDER.index(one.verdict), one.tier, one.airframes, one.metric, one.context))
    if form == "json":
        click.echo(json.dumps([public_finding(one) for one in found], indent=1, sort_keys=True))
    else:
        click.echo(table([_row(one) for one in found], HEADER) if found else "Nothing is worse or better.")
        if len(found) < len(asked):
            click.echo(_left_out(asked))
    if any(one.tier == "called" and one.verdict in fail_on for one in found):
        context.exit(EXIT_FOUND)


FIGURES = ["before", "after", "range", "flights", "change"]
HEADER = ["id", "verdict", "tier", "airframe", "metric", "context", *FIGURES]


def _left_out(asked: list[Finding]) -> str:
    same, early = (sum(one.verdict is verdict for one in asked) for verdict in UNSPOKEN)
    return f"Not listed: {same} without a material change, {early} too early to tell. See them with --all."


def _row(one: Finding) -> list[str]:
    effect = one.effect
    change, kind = one.change, one.kind.replace("_", " ")
    unit = f" {effect.unit}" if effect and effect.unit else ""
    return [
        one.id[:SHOWN_ID],
        str(one.verdict),
        str(one.tier),
        ", ".join(one.airframes) if len(one.airframes) <= MOST_NAMED else f"{len(one.airframes)} airframes",
        one.metric,
        one.context,
        f"{effect.before:.3g}{unit}" if effect else "-",
        f"{effect.after:.3g}{unit}" if effect else "-",
        f"{effect.low:+.2g} to {effect.high:+.2g}" if effect else "-",
        f"{one.flights_before} + {one.flights_after}",
        f"{change.at:%Y-%m-%d} {', '.join(change.kinds) or kind}" if change else kind,
    ]
