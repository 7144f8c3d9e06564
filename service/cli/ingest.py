"""`trimkeep ingest`: read what is new in a fleet folder."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from trimkeep.config.errors import LogError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.pool import PoolOf
from trimkeep.service.ingest.remeasure import remeasure
from trimkeep.service.ingest.report import IngestReport
from trimkeep.service.store.rows import LogOutcome

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

CLUSTER_HELP = "Read on the workers of this Dask scheduler (tcp://HOST:PORT) instead."
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
@click.option("--cluster", metavar="ADDRESS", help=CLUSTER_HELP)
@click.option("--quiet", is_flag=True, help="Say only what went wrong.")
@click.pass_context
def command(
    context: click.Context,
    fleet: Path,
    state: Path | None,
    workers: int | None,
    cluster: str | None,
    quiet: bool,
) -> None:
    """Read the logs of FLEET that are new; known files are not opened again.

    Exit code 4 when a log of this run could not be read.
    """
    opened = open_fleet(fleet, state)
    with (
        readers(opened, workers, cluster) as (in_work, pool),
        progress_bar("Reading logs", hidden=quiet) as bar,
    ):
        report = ingest_fleet(
            opened, workers=in_work, progress=lambda p: bar.step(p.done, p.total), pool=pool
        )
    tell(report, quiet=quiet)
    bring_up_to_date(opened, quiet=quiet)
    if report.rejected:
        context.exit(LogError.exit_code)


@contextmanager
def readers(
    fleet: FleetSettings, workers: int | None, cluster: str | None
) -> Iterator[tuple[int | None, PoolOf | None]]:
    """Logs to keep in work, and the executor that reads them; None: `ingest_fleet` decides."""
    if cluster is None:
        yield workers, None
        return
    # The engine takes half a second to load.
    from trimkeep.service.ingest.cluster import connected

    with connected(cluster, memory_mb=fleet.settings.ingest.worker_memory_mb) as there:
        yield workers or there.in_work, there.pool


def bring_up_to_date(fleet: FleetSettings, *, quiet: bool = False) -> None:
    """Measure stored flights anew where a detector is newer than its numbers; usually there are none."""
    with progress_bar("Measuring history anew", hidden=quiet) as bar:
        report = remeasure(fleet, progress=lambda p: bar.step(p.done, p.total))
    if report.logs and not quiet:
        click.echo(f"Detectors are newer than the store: {report.logs} logs were measured anew.")
    for sentence in report.failed:
        click.echo(f"Note: {sentence}", err=True)


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


class Bar:
    """A progress bar that appears with the first step."""

    def __init__(self, label: str, *, hidden: bool) -> None:
        self.label = label
        self.hidden = hidden
        self.done = 0
        self.stack = ExitStack()
        self.bar: ProgressBar[int] | None = None

    def __enter__(self) -> Bar:
        return self

    def step(self, done: int, total: int) -> None:
        """Show that `done` of `total` are through."""
        if self.hidden:
            return
        if self.bar is None:
            bar: ProgressBar[int] = click.progressbar(length=total, label=self.label, show_pos=True)
            self.bar = self.stack.enter_context(bar)
        self.bar.length = total
        self.bar.update(done - self.done)
        self.done = done

    def __exit__(self, *_: object) -> None:
        self.stack.close()


def progress_bar(label: str, *, hidden: bool = False) -> Bar:
    """A bar for use in a `with` statement."""
    return Bar(label, hidden=hidden)
