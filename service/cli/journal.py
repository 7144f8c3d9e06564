"""`trimkeep journal`: the maintenance record of each airframe, and adding to it."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from trimkeep.detectors.history.model import Finding, Tier, Verdict
from trimkeep.service.airframe_names import known_airframe
from trimkeep.service.cli.options import airframes_option, fleet_command, format_option, open_fleet, table
from trimkeep.service.effects import EntryEffect, Outcome, entry_effects
from trimkeep.service.finding_json import public_finding
from trimkeep.service.journal import record_work
from trimkeep.service.journal_table import KINDS, EntryText
from trimkeep.service.judging import judge
from trimkeep.service.record_fields import lacks
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.journal import JournalRow, load_journal


@click.group("journal")
def command() -> None:
    """List the maintenance record, add to it, and see whether the work worked.

    Nothing recorded is ever changed or deleted: a correction is a new row that supersedes the old one.
    """


HEADER = ["row", "airframe", "done", "kind", "work", "done by", "approved by", "standing", "missing"]


@command.command("list")
@fleet_command
@airframes_option
@click.option("--all", "everything", is_flag=True, help="Also what was superseded or withdrawn, marked so.")
@format_option("table")
def list_entries(
    fleet: Path, state: Path | None, airframes: tuple[str, ...], everything: bool, form: str
) -> None:
    """List the work recorded on the airframes of FLEET, from journal.csv and from `journal add`.

    `missing` names what a maintenance record must hold and the entry does not.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    wanted = [known_airframe(store, opened, name) for name in airframes]
    rows = [row for row in load_journal(store, wanted or None) if everything or row.standing == "current"]
    rows.sort(key=lambda row: (row.airframe, row.done_at, row.seq))
    required = opened.settings.maintenance.required
    if form == "json":
        click.echo(json.dumps([_as_json(row, required) for row in rows], indent=1, ensure_ascii=False))
    elif rows:
        click.echo(table([_cells(row, required) for row in rows], HEADER))
    else:
        click.echo(
            "Nothing is recorded. Write journal.csv in the airframe's folder, or: trimkeep journal add"
        )


def _cells(row: JournalRow, required: tuple[str, ...]) -> list[str]:
    became = " -> ".join(text for text in (row.before, row.after) if text)
    work = ": ".join(text for text in (row.part, became) if text)
    return [
        str(row.seq),
        row.airframe,
        row.done_at,
        row.kind,
        work or row.note or "-",
        row.done_by or "-",
        row.extra.get("approved_by", "-"),
        row.standing,
        ", ".join(lack.field for lack in lacks(row, required)) or "-",
    ]


def _as_json(row: JournalRow, required: tuple[str, ...]) -> dict[str, Any]:
    return {
        "row": row.seq,
        "airframe": row.airframe,
        "recorded_at": row.recorded_at.isoformat(),
        "source": row.source,
        "standing": row.standing,
        "done_at": row.done_at,
        "kind": row.kind,
        "part": row.part,
        "before": row.before,
        "after": row.after,
        "done_by": row.done_by,
        "note": row.note,
        "further": dict(sorted(row.extra.items())),
        "missing": [lack.field for lack in lacks(row, required)],
    }


@command.command("add")
@fleet_command
@click.argument("airframe")
@click.option("--kind", required=True, type=click.Choice(KINDS), help="What was worked on.")
@click.option("--part", default="", help="Which part, in your words: 'elevator servo'.")
@click.option(
    "--done-at", default="", help="Day or time of completion: 2026-03-14 or 2026-03-14T10:05+01:00."
)
@click.option("--done-by", default="", help="Name of the person who did the work.")
@click.option("--approved-by", default="", help="Name of the person who approved it for return to service.")
@click.option("--certificate", default="", help="Kind and number of the approver's certificate.")
@click.option("--reference", default="", help="Instructions or data the work was done by.")
@click.option("--flight-hours", default="", help="The airframe's total hours at that time.")
@click.option("--before", default="", help="What it was: part and serial, version, value.")
@click.option("--after", default="", help="What it is now: part and serial, version, value.")
@click.option("--note", default="", help="Why it was done, what was found, what was measured.")
@click.option("--replaces", type=int, help="Row that this one corrects; it stays in the record, marked.")
def add(
    fleet: Path,
    state: Path | None,
    airframe: str,
    kind: str,
    part: str,
    done_at: str,
    done_by: str,
    before: str,
    after: str,
    note: str,
    replaces: int | None,
    **further: str,
) -> None:
    """Record one piece of work on AIRFRAME of FLEET.

    Refused when it lacks what a maintenance record must hold (14 CFR 43.9(a): description, date, person,
    approver; see `maintenance.required` in the settings). Exit code 5 then.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    entry = EntryText(
        done_at=done_at.strip(),
        kind=kind,
        part=part.strip(),
        before=before.strip(),
        after=after.strip(),
        done_by=done_by.strip(),
        note=note.strip(),
        extra=tuple(sorted((name, text.strip()) for name, text in further.items() if text.strip())),
    )
    name = known_airframe(store, opened, airframe)
    seq = record_work(store, opened, name, entry, datetime.now(UTC), replaces=replaces)
    click.echo(
        f"Recorded as row {seq}. Judged with the next digest or with: trimkeep findings {opened.folder}"
    )


@command.command("effects")
@fleet_command
@airframes_option
@format_option("text")
def effects(fleet: Path, state: Path | None, airframes: tuple[str, ...], form: str) -> None:
    """Show for each piece of work on FLEET's airframes whether it worked: verdicts, flights that show it.

    A verdict speaks of everything that changed at the same time.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    wanted = [known_airframe(store, opened, name) for name in airframes]
    judge(store, opened, datetime.now(UTC))
    found = entry_effects(store, opened, wanted or None)
    if form == "json":
        click.echo(json.dumps([_effect_as_json(one) for one in found], indent=1, ensure_ascii=False))
    elif found:
        for one in found:
            click.echo("\n".join(_effect_lines(one)))
    else:
        click.echo("Nothing is recorded.")


TELLING = (Verdict.WORSE, Verdict.BETTER)


def _effect_lines(one: EntryEffect) -> list[str]:
    row = one.entry
    part = f" {row.part}" if row.part else ""
    lines = [f"{row.airframe} {row.done_at} {row.kind.replace('_', ' ')}{part} (row {row.seq})"]
    if one.outcome is Outcome.NO_FLIGHT_SINCE:
        lines.append("  open: not flown since")
    elif one.outcome is Outcome.NOT_IN_LOGS:
        lines.append(f"  the logs contradict it: {one.flights_checked} flights after it show the old state")
    else:
        lines.append(f"  flown {len(one.flights)} times since, first in {one.flights[0].id}")
    if one.together_with:
        beside = [" ".join(text for text in (item.kind, item.part) if text) for item in one.together_with]
        lines.append(f"  changed at the same time: {', '.join(dict.fromkeys(beside))}")
    for finding in one.findings:
        if finding.verdict in TELLING:
            perhaps = "" if finding.tier is Tier.CALLED else "perhaps "
            lines.append(f"  {perhaps}{_finding_line(finding)}")
    if one.outcome is Outcome.JUDGED:
        unchanged, early = one.count(Verdict.NO_MATERIAL_CHANGE), one.count(Verdict.TOO_EARLY)
        lines.append(
            f"  of {len(one.findings)} verdicts: {unchanged} no material change, {early} cannot be told yet"
        )
    elif one.outcome is Outcome.TOO_EARLY:
        needed = [finding.flights_needed for finding in one.findings if finding.flights_needed]
        more = f"; about {min(needed)} more flights are likely to settle the first" if needed else ""
        lines.append(f"  cannot be told yet{more}")
    elif one.outcome is Outcome.NOT_JUDGED:
        lines.append("  nothing that was measured before and after could be compared")
    return lines


def _finding_line(finding: Finding) -> str:
    effect = finding.effect
    scope = "fleet: " if finding.scope == "fleet" else ""
    size = f" {effect.before:.3g} -> {effect.after:.3g} {effect.unit}".rstrip() if effect else ""
    shown = f", shown by {', '.join(finding.evidence_flights)}" if finding.evidence_flights else ""
    counted = f"{finding.flights_before} + {finding.flights_after} flights"
    return f"{scope}{finding.verdict}: {finding.metric} ({finding.context}){size}, {counted}{shown}"


def _effect_as_json(one: EntryEffect) -> dict[str, Any]:
    return {
        "row": one.entry.seq,
        "airframe": one.entry.airframe,
        "done_at": one.entry.done_at,
        "kind": one.entry.kind,
        "part": one.entry.part,
        "outcome": str(one.outcome),
        "flights_since": [flight.id for flight in one.flights],
        "flights_checked": one.flights_checked,
        "together_with": [{"kind": item.kind, "part": item.part} for item in one.together_with],
        "findings": [public_finding(finding) for finding in one.findings],
    }
