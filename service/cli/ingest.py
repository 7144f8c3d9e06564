"""`trimkeep ingest`: read what is new in a fleet folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from trimkeep.config.errors import LogError, LogStorageError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.ingest.pool import PoolOf
from trimkeep.service.ingest.remeasure import remeasure
from trimkeep.service.ingest.report import IngestReport
from trimkeep.service.store.rows import LogOutcome

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

LOGS_HELP = "Read logs from there (s3://BUCKET/PART) instead of FLEET; default: what the settings say."
CLUSTER_HELP = "Read on the workers of this Dask scheduler (tcp://HOST:PORT) instead."
WORDS = {
    LogOutcome.INGESTED: "read",
    LogOutcome.NO_FLIGHT: "without a flight",
    LogOutcome.DUPLICATE: "known under another name",
    LogOutcome.REJECTED: "not readable",
}


def reading_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add what says where logs lie and who reads them: `--logs`, `--workers`, `--cluster`."""
    for option in (
        click.option("--cluster", metavar="ADDRESS", help=CLUSTER_HELP),
        click.option(
            "--workers", type=click.IntRange(1, 256), help="Worker processes; default: what the settings say."
        ),
        click.option("--logs", metavar="ADDRESS", help=LOGS_HELP),
    ):
        function = option(function)
    return function


@dataclass(frozen=True, slots=True)
class Readers:
    """Logs to keep in work and the executor that reads them, None where `ingest_fleet` decides.

    `apart`: they are on other machines.
    """

    in_work: int | None
    pool: PoolOf | None
    apart: bool


@click.command("ingest")
@fleet_command
@reading_options
@click.option("--quiet", is_flag=True, help="Say only what went wrong.")
@click.pass_context
def command(
    context: click.Context,
    fleet: Path,
    state: Path | None,
    logs: str | None,
    workers: int | None,
    cluster: str | None,
    quiet: bool,
) -> None:
    """Read the logs of FLEET that are new; known files are not opened again.

    Exit code 4 when a log of this run could not be read, 9 when one could not be fetched.
    """
    opened = with_logs(open_fleet(fleet, state), logs)
    with (
        readers(opened, workers, cluster) as found,
        progress_bar("Reading logs", hidden=quiet) as bar,
    ):
        report = ingest_fleet(
            opened,
            workers=found.in_work,
            progress=lambda p: bar.step(p.done, p.total),
            pool=found.pool,
            reads_apart=found.apart,
        )
    tell(report, quiet=quiet)
    bring_up_to_date(opened, quiet=quiet)
    if report.rejected:
        context.exit(LogError.exit_code)
    if report.unreachable:
        context.exit(LogStorageError.exit_code)


def with_logs(fleet: FleetSettings, address: str | None) -> FleetSettings:
    """The fleet with its logs at an address given by hand; None leaves what the settings say."""
    if address is None:
        return fleet
    logs = replace(fleet.settings.logs, address=address)
    origins = {**fleet.origins, "logs.address": "command line"}
    return replace(fleet, settings=replace(fleet.settings, logs=logs), origins=origins)


@contextmanager
def readers(fleet: FleetSettings, workers: int | None, cluster: str | None) -> Iterator[Readers]:
    """Who reads logs, for the length of the block."""
    if cluster is None:
        yield Readers(workers, None, apart=False)
        return
    # The engine takes half a second to load.
    from trimkeep.service.ingest.cluster import connected

    with connected(cluster, memory_mb=fleet.settings.ingest.worker_memory_mb) as there:
        yield Readers(workers or there.in_work, there.pool, apart=True)


def bring_up_to_date(fleet: FleetSettings, *, quiet: bool = False) -> None:
    """Measure stored flights anew where a detector is newer than its numbers; usually there are none."""
    with progress_bar("Measuring history anew", hidden=quiet) as bar:
        report = remeasure(fleet, progress=lambda p: bar.step(p.done, p.total))
    if report.logs and not quiet:
        click.echo(f"Detectors are newer than the store: {report.logs} logs were measured anew.")
    for sentence in report.failed:
        click.echo(f"Note: {sentence}", err=True)
    if report.removed:
        # One sentence, however many: it is said again by every command until the logs are back.
        click.echo(
            f"Note: {len(report.removed)} logs keep figures of earlier detectors. The first of them: "
            f"{report.removed[0]}",
            err=True,
        )


def tell(report: IngestReport, *, quiet: bool = False) -> None:
    """Print what an ingest did."""
    if not quiet:
        done = [f"{count} {WORDS[outcome]}" for outcome, count in report.counts.items() if count]
        done.append(f"{report.unchanged} unchanged")
        if report.waiting:
            done.append(f"{len(report.waiting)} still being written")
        if report.unreachable:
            done.append(f"{len(report.unreachable)} out of reach for now")
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
