"""`trimkeep ingest`: read what is new in a fleet folder."""

from __future__ import annotations

from pathlib import Path

import click

from trimkeep.config.errors import LogError
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.report import IngestReport, Progress
from trimkeep.service.store.rows import LogOutcome

WORDS = {
    LogOutcome.INGESTED: "read",
    LogOutcome.NO_FLIGHT: "without a flight",
    LogOutcome.DUPLICATE: "known under another name",
    LogOutcome.REJECTED: "not readable",
}


@click.command("ingest")
@fleet_command
@click.option(
    "--workers", type=click.IntRange(1, 256), help="Worker processes; default: what the settings say."
)
@click.option("--quiet", is_flag=True, help="Say only what went wrong.")
@click.pass_context
def command(
    context: click.Context, fleet: Path, state: Path | None, workers: int | None, quiet: bool
) -> None:
    """Read the logs of FLEET that are new; known files are not opened again.

    Exit code 4 when a log of this run could not be read.
    """
    opened = open_fleet(fleet, state)
    with _Bar(hidden=quiet) as bar:
        report = ingest_fleet(opened, workers=workers, progress=bar.show)
    tell(report, quiet=quiet)
    if report.rejected:
        context.exit(LogError.exit_code)


def tell(report: IngestReport, *, quiet: bool = False) -> None:
    """Print what an ingest did."""
    if not quiet:
        done = [f"{count} {WORDS[outcome]}" for outcome, count in report.counts.items() if count]
        done.append(f"{report.unchanged} unchanged")
        if report.waiting:
            done.append(f"{len(report.waiting)} still being written")
        click.echo(f"Logs: {', '.join(done)}. New flights: {len(report.flights)}.")
    for one in report.duplicates:
        where = f" of airframe {one.same_as_airframe}" if one.same_as_airframe != one.airframe else ""
        click.echo(
            f"Note: {one.path} has the same content as {one.same_as}{where}; it counts once.", err=True
        )
    for rejected in report.rejected:
        click.echo(f"Not read: {rejected.sentence}", err=True)
    for problem in report.problems:
        click.echo(f"Note: {problem}", err=True)


class _Bar:
    """A progress bar that appears with the first file and only on a terminal."""

    def __init__(self, *, hidden: bool) -> None:
        self.hidden = hidden
        self.bar: object | None = None
        self.done = 0

    def __enter__(self) -> _Bar:
        return self

    def show(self, progress: Progress) -> None:
        if self.hidden:
            return
        if self.bar is None:
            self.bar = click.progressbar(length=progress.total, label="Reading logs", show_pos=True)
            self.bar.__enter__()
        self.bar.length = progress.total  # type: ignore[attr-defined]
        self.bar.update(progress.done - self.done)  # type: ignore[attr-defined]
        self.done = progress.done

    def __exit__(self, *exception: object) -> None:
        if self.bar is not None:
            self.bar.__exit__(*exception)  # type: ignore[attr-defined]
