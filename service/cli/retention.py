"""`trimkeep retention`: what the settings let go, what is kept and why; and removing what is due."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from trimkeep.config.errors import UsageError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.options import fleet_command, format_option, open_fleet, user_name
from trimkeep.service.made_again import bring_back, find_removed
from trimkeep.service.removing import Cleared, clear_due
from trimkeep.service.retention import KeptFile, RetentionPlan, Why, plan_retention, setting_text
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.removals import load_removed_recordings


@click.command("retention")
@fleet_command
@click.option(
    "--apply", "apply_", is_flag=True, help="Remove what is due, each file with its row in the record."
)
@click.option("--who", help="Who asks for it, for the record; default: the user who gives the command.")
@click.option(
    "--bring-back",
    "wanted",
    metavar="LOG",
    help="Read a LOG again whose recording was removed: its path in the fleet folder, or a flight's id.",
)
@click.option("--all", "show_all", is_flag=True, help="List also what is too young to go.")
@format_option("text")
def command(
    fleet: Path,
    state: Path | None,
    apply_: bool,
    who: str | None,
    wanted: str | None,
    show_all: bool,
    form: str,
) -> None:
    """Show what of FLEET is due to go by the settings of [retention], what it frees, and what is kept.

    Without settings everything is kept for ever. Only decoded recordings, digests and pages can go: they are
    made from the logs, which are never touched, and neither is anything in the store: the maintenance record,
    the flights, their figures and what was said of them. Nothing is changed unless --apply is given.
    """
    opened = open_fleet(fleet, state)
    store = open_store(opened.state)
    now, by = datetime.now(UTC), (who or user_name()).strip()
    if wanted is not None:
        removal = find_removed(store, wanted)
        path = bring_back(store, opened, removal)
        click.echo(f"{removal.file.log_path} was read again: {path}")
        return
    if apply_ and not by:
        raise UsageError("is empty", subject="--who", next_step="The record needs a name")
    done = clear_due(store, opened, now, by) if apply_ else None
    plan = done.plan if done else plan_retention(store, opened, now)
    if form == "json":
        click.echo(json.dumps(_as_json(store, opened, plan, done), indent=1, ensure_ascii=False))
        return
    for line in _lines(store, opened, plan, done, show_all=show_all):
        click.echo(line)


KINDS = {"recording": "decoded recordings", "digest": "digests", "page": "pages"}
WORDS = {
    Why.BEING_READ: "its log is being read just now",
    Why.FINDING: "cited by finding {}, which is not resolved",
    Why.ALERT: "cited by finding {}, which alerted and is not resolved",
    Why.PAGE: "drawn on {}",
    Why.NEWEST: "among the newest flights of {}",
    Why.NO_LOG: "its log is not there as it was read: it could not be made again",
    Why.SHOWN: "shown today",
    Why.LINKED: "{} leads to it",
}


def _lines(
    store: Store, fleet: FleetSettings, plan: RetentionPlan, done: Cleared | None, *, show_all: bool
) -> list[str]:
    zone = ZoneInfo(fleet.time_zone)
    settings = fleet.settings.retention
    lines = [_kept_for(fleet, "recordings_days"), _kept_for(fleet, "pages_days")]
    lines.append(
        "What is due is removed by `trimkeep watch` as well as by --apply."
        if settings.automatic
        else "What is due is removed only when --apply is given."
    )
    if done is not None and done.settled:
        lines.append(f"{done.settled} removals that had been broken off were brought to their end first.")
    listed = plan.due if done is None else tuple(one for one in plan.due if one not in done.kept_after_all)
    title = "Due" if done is None else "Removed"
    lines.append(f"{title}: {_sizes(listed)}.")
    lines += [f"  {_name(one)}, of {one.since.astimezone(zone):%Y-%m-%d}, {_mb(one)}" for one in listed]
    if done is not None and done.kept_after_all:
        lines.append(
            "Kept after all, because the log has changed, is being read, or the file cannot be removed:"
        )
        lines += [f"  {_name(one)}" for one in done.kept_after_all]
    if plan.held:
        lines.append(f"Old enough to go, and kept ({len(plan.held)}):")
        lines += [f"  {_name(one)}: {WORDS[one.why].format(one.detail)}" for one in plan.held]
    young = [one for one in plan.files if one.why in (Why.YOUNG, Why.FOR_EVER)]
    lines.append(f"Not old enough, or kept for ever: {_sizes(young)}.")
    if show_all:
        lines += [f"  {_name(one)}, of {one.since.astimezone(zone):%Y-%m-%d}, {_mb(one)}" for one in young]
    removed = load_removed_recordings(store)
    if removed:
        lines.append(
            f"Recordings removed so far: {len(removed)}. One is made again from its log with "
            "--bring-back LOG, and by itself when a page needs it."
        )
    if done is None and plan.due:
        lines.append(f"Nothing was removed. Do it with: trimkeep retention {fleet.folder} --apply")
    return lines


def _kept_for(fleet: FleetSettings, name: str) -> str:
    days = float(getattr(fleet.settings.retention, name))
    what = "Decoded recordings" if name == "recordings_days" else "Digests and pages"
    how_long = f"are kept {days:g} days" if days else "are kept for ever"
    return f"{what} {how_long}: {setting_text(fleet, name)}."


def _sizes(files: Sequence[KeptFile]) -> str:
    if not files:
        return "nothing"
    counts = [
        f"{count} {words if count != 1 else words.removesuffix('s')}"
        for kind, words in KINDS.items()
        if (count := sum(one.what == kind for one in files))
    ]
    return f"{', '.join(counts)}, {sum(one.size_bytes for one in files) / 1e6:,.1f} MB"


def _name(one: KeptFile) -> str:
    return f"recording of {one.log_path}" if one.what == "recording" else one.name


def _mb(one: KeptFile) -> str:
    return f"{one.size_bytes / 1e6:,.1f} MB"


def _as_json(store: Store, fleet: FleetSettings, plan: RetentionPlan, done: Cleared | None) -> dict[str, Any]:
    return {
        "settings": {name: setting_text(fleet, name) for name in ("recordings_days", "pages_days")},
        "automatic": fleet.settings.retention.automatic,
        "files": [
            {
                "what": one.what,
                "name": one.name,
                "log": one.log_path or None,
                "airframe": one.airframe or None,
                "bytes": one.size_bytes,
                "since": one.since.isoformat(),
                "why": str(one.why),
                "by": one.detail or None,
            }
            for one in plan.files
        ],
        "removed": None if done is None else [one.name for one in done.removed],
        "kept_after_all": None if done is None else [one.name for one in done.kept_after_all],
        "removed_so_far": [
            {
                "log": one.file.log_path,
                "at": one.at.isoformat(),
                "row": one.seq,
                "sha256": one.file.sha256,
                "bytes": one.file.size_bytes,
                "setting": one.file.setting,
                "who": one.who,
            }
            for one in load_removed_recordings(store).values()
        ],
    }
