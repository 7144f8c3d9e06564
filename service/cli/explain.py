"""`trimkeep explain`: every number from the flights to a verdict."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.config.errors import UsageError
from trimkeep.detectors.history.explain import Explanation, explain
from trimkeep.detectors.history.model import Finding
from trimkeep.reports.cautions import separating_check
from trimkeep.reports.wording import load_words
from trimkeep.service.cli.options import fleet_command, full_id, open_fleet, table
from trimkeep.service.judging import current_model, judge
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.findings import load_findings


@click.command("explain")
@fleet_command
@click.argument("finding", metavar="ID")
def command(fleet: Path, state: Path | None, finding: str) -> None:
    """Show every number behind the finding ID of FLEET, so that a spreadsheet can work it out again.

    ID is that of `trimkeep findings`; its first characters are enough when no other begins so. First the
    flights with their weights, then the formulas with their results in order.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    now = datetime.now(UTC)
    judgement = judge(store, opened, now)
    findings = {known.id: known for known in load_findings(store)}
    one = findings[full_id(findings, finding)]
    model = current_model(store, opened, judgement.series, judgement.changes, now)
    shown = explain(one, judgement.series, judgement.changes, model, opened.settings.judge)
    if shown is None:
        raise UsageError(
            f"is a {str(one.kind).replace('_', ' ')} over {one.scope}, or has too few flights to compare",
            subject=f"finding {one.id}",
            next_step="Only a known change on one airframe has such a working; its page shows the evidence",
        )
    _print(one, shown)


def _print(one: Finding, shown: Explanation) -> None:
    click.echo(f"{one.metric} in {one.context}, {', '.join(one.airframes)}: {one.verdict}, {one.tier}")
    if one.change is not None:
        parts = "; ".join(f"{i.kind} {i.part} {i.before} -> {i.after}".strip() for i in one.change.items)
        click.echo(f"change of {one.change.at:%Y-%m-%d}: {parts}")
    if one.separating is not None:
        check = separating_check(one.separating, load_words())
        click.echo(f"{check.text}\n{check.caution_title}: {check.caution} {check.defer}")
    click.echo(
        f"scale {shown.scale}, unit {shown.unit or '1'}, fleet model {shown.model_version}, "
        f"limits {shown.limits_version}\n"
    )
    rows = [
        [
            flight.flight_id,
            "after" if flight.after else "before",
            f"{flight.value:.6g}",
            f"{flight.transformed:.6g}",
            f"{flight.conditions_part:.6g}",
            f"{flight.adjusted:.6g}",
            f"{flight.error_weight:.6g}",
            f"{flight.agreement:.6g}",
            f"{flight.pull:.6g}",
        ]
        for flight in shown.flights
    ]
    header = [
        "flight",
        "side",
        "measured",
        "on the scale",
        "by conditions",
        "adjusted",
        "error weight",
        "agreement",
        "pull",
    ]
    click.echo(table(rows, header))
    click.echo()
    if shown.slopes:
        click.echo("By conditions: each in the fleet's usual spreads from its median, times what one adds.")
        spreads = [[f.flight_id, *(f"{value:.6g}" for value in f.conditions)] for f in shown.flights]
        spreads.append(["one adds", *(f"{slope:.6g}" for _, slope in shown.slopes)])
        click.echo(table(spreads, ["flight", *(name for name, _ in shown.slopes)]))
        click.echo()
    steps = [[step.code, f"{step.result:.6g}", step.formula] for step in shown.steps]
    click.echo(table(steps, ["figure", "result", "how"]))
