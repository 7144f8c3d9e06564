"""`trimkeep audit`: has the maintenance record been altered, and does it agree with the logs?"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from trimkeep.config.errors import StoreDamaged, UsageError
from trimkeep.service.airframe_names import known_airframe
from trimkeep.service.airframe_record import load_airframe_record, record_begin
from trimkeep.service.audit_bundle import PAGE, bundle_files, import_bundle, write_bundle
from trimkeep.service.cli.options import airframes_option, fleet_command, format_option, open_fleet
from trimkeep.service.configuration import end_of
from trimkeep.service.journal import effective_at
from trimkeep.service.journal_table import parse_when
from trimkeep.service.record_gaps import Gap, GapKind, record_gaps
from trimkeep.service.record_page import record_page
from trimkeep.service.store.audit import NO_ROW, SHORTEST_HEAD, chain_head, load_records, verify_chain
from trimkeep.service.store.checks import contradicted_answers, contradicted_logs
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.digests import load_digests


@click.group("audit")
def command() -> None:
    """Verify the maintenance record, and compare it with the logs.

    The record is a chain of rows that are only added, each holding the hash of the one before.
    """


def _head(text: str) -> str:
    head = text.strip().lower()
    if not re.fullmatch(rf"[0-9a-f]{{{SHORTEST_HEAD},64}}", head):
        raise UsageError(
            f"is no head: it has {SHORTEST_HEAD} to 64 digits 0-9, a-f",
            subject=text,
            next_step="Copy it from the end of a digest's section on the work done, or from an export",
        )
    return head


@command.command("verify")
@fleet_command
@click.option(
    "--head",
    "heads",
    multiple=True,
    callback=lambda _context, _parameter, values: tuple(_head(value) for value in values),
    help="A head from an earlier digest or export (16 digits or more); may be given again.",
)
@click.pass_context
def verify(context: click.Context, fleet: Path, state: Path | None, heads: tuple[str, ...]) -> None:
    """Check every row of the record of FLEET, and that the heads of all earlier digests are still in it.

    Only a head that was kept outside of the store, in a printed digest or an export, shows that the whole
    record was made anew: give it with --head. Exit code 6 when anything was altered, removed or reordered.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    known = (*heads, *(one.chain_head for one in load_digests(store)))
    faults = verify_chain(store, known)
    for fault in faults:
        click.echo(f"row {fault.seq}: {fault.code}: {fault.detail}")
    logs = contradicted_logs(store)
    for log in logs:
        what = "the record says nothing of it" if log.unknown else "the record says something else of it"
        click.echo(f"{log.path}: {what}")
    answers = contradicted_answers(store)
    for seq, finding in answers:
        click.echo(f"finding {finding}: the record does not hold the answer in row {seq} of its history")
    if faults or logs or answers:
        click.echo(f"{len(faults) + len(logs) + len(answers)} faults in the record.", err=True)
        context.exit(StoreDamaged.exit_code)
    click.echo(f"{len(load_records(store))} rows, unbroken. Head: {chain_head(store)}")


EXIT_GAP = 10


@command.command("gaps")
@fleet_command
@airframes_option
@format_option("text")
@click.option("--fail-on-gap", is_flag=True, help="Leave with exit code 10 when there is any.")
@click.pass_context
def gaps(
    context: click.Context,
    fleet: Path,
    state: Path | None,
    airframes: tuple[str, ...],
    form: str,
    fail_on_gap: bool,
) -> None:
    """List what FLEET's logs show and the journal does not, what the journal says and the logs contradict,
    and entries that lack what a maintenance record must hold.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    wanted = [known_airframe(store, opened, name) for name in airframes]
    found = record_gaps(store, opened, wanted or None)
    if form == "json":
        click.echo(json.dumps([_gap_as_json(gap) for gap in found], indent=1, ensure_ascii=False))
    elif found:
        zone = ZoneInfo(opened.time_zone)
        for kind, title in GAP_TITLES.items():
            of_kind = [gap for gap in found if gap.kind is kind]
            if of_kind:
                click.echo(f"{title} ({len(of_kind)}):")
                for gap in of_kind:
                    click.echo(f"  {_gap_sentence(gap, zone)}")
    else:
        click.echo("The record and the logs agree, and no entry lacks anything.")
    if found and fail_on_gap:
        context.exit(EXIT_GAP)


GAP_TITLES = {
    GapKind.NOT_IN_JOURNAL: "In the logs, and nobody wrote it down",
    GapKind.NOT_IN_LOGS: "In the journal, and the logs still show the old state",
    GapKind.INCOMPLETE: "Entries that lack something",
}


def _gap_sentence(gap: Gap, zone: ZoneInfo) -> str:
    at = gap.at.astimezone(zone)
    kind = gap.work.replace("_", " ")
    what = " ".join(text for text in (kind, gap.part) if text)
    became = " -> ".join(text for text in (gap.before, gap.after) if text)
    times = f" (ratio {gap.ratio:.4g})" if gap.ratio is not None else ""
    told = f"{gap.airframe} {at:%Y-%m-%d}: {what}{f': {became}{times}' if became else ''}"
    if gap.kind is GapKind.NOT_IN_JOURNAL:
        with_it = " and ".join(kind.replace("_", " ") for kind in gap.together_with)
        beside = f", together with {with_it} that is written down" if with_it else ""
        return f"{told}. First seen in flight {gap.flight}{beside}."
    if gap.kind is GapKind.NOT_IN_LOGS:
        return f"{told} (row {gap.row}). {gap.flights_checked} flights after it show no change."
    missing = ", ".join(f"{lack.field} ({lack.rule.rule})" for lack in gap.missing)
    return f"{told} (row {gap.row}). Missing: {missing}."


def _gap_as_json(gap: Gap) -> dict[str, Any]:
    return {
        "kind": str(gap.kind),
        "airframe": gap.airframe,
        "at": gap.at.isoformat(),
        "work": gap.work,
        "part": gap.part,
        "before": gap.before,
        "after": gap.after,
        "ratio": gap.ratio,
        "row": gap.row,
        "flight": gap.flight or None,
        "flights_checked": gap.flights_checked,
        "together_with": list(gap.together_with),
        "missing": [{"field": lack.field, "rule": lack.rule.rule} for lack in gap.missing],
    }


@command.command("export")
@fleet_command
@click.argument("airframe")
@click.option("--from", "first", help="First day or time of the period; default: when the record begins.")
@click.option("--to", "last", help="Last day (its end) or time of the period; default: now.")
@click.option(
    "--output", "folder", required=True, type=click.Path(path_type=Path), help="New folder for the files."
)
def export(
    fleet: Path, state: Path | None, airframe: str, first: str | None, last: str | None, folder: Path
) -> None:
    """Write the record of AIRFRAME for an auditor: tables, JSON, a page to print and sign, and the chain.

    The chain is one for the whole fleet and is written whole, so that the head in the export can be worked
    out again from it.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    name = known_airframe(store, opened, airframe)
    zone, now = opened.time_zone, datetime.now(UTC)
    end = end_of(parse_when(last, "--to", zone), zone) if last else now
    start = (
        effective_at(parse_when(first, "--from", zone), zone)
        if first
        else record_begin(store, name, zone, end)
    )
    if start > end:
        raise UsageError("begins after it ends", subject="the period", next_step="Give an earlier --from")
    record = load_airframe_record(store, opened, name, start, end)
    files = bundle_files(record, opened.name, zone, now) | {PAGE: record_page(record, opened, now)}
    write_bundle(files, folder.absolute())
    click.echo(
        f"Export: {folder}, {len(record.entries)} entries and {len(record.flights)} flights. "
        f"Head: {record.head}"
    )


@command.command("import")
@fleet_command
@click.argument("export", type=click.Path(path_type=Path), metavar="EXPORT")
@click.option(
    "--head",
    "heads",
    multiple=True,
    callback=lambda _context, _parameter, values: tuple(_head(value) for value in values),
    help="A head from elsewhere that must be in it (16 digits or more); may be given again.",
)
def import_(fleet: Path, state: Path | None, export: Path, heads: tuple[str, ...]) -> None:
    """Verify an EXPORT and put its record, bit for bit, into FLEET's store, which must have none yet.

    The logs are not in it: with them in the fleet folder, `trimkeep ingest` measures them again.
    """
    opened = open_fleet(fleet, state)
    records = import_bundle(open_store(opened.state), export.absolute(), heads)
    click.echo(f"{len(records)} rows, unbroken. Head: {records[-1].sha256 if records else NO_ROW}")
