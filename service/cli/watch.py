"""`trimkeep watch`: take in logs as they arrive, and make digests when they are due."""

from __future__ import annotations

import logging
import signal
import threading
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import click

from trimkeep.service.cli.ingest import bring_up_to_date, readers, reading_options, tell, with_logs
from trimkeep.service.cli.options import fleet_command, open_fleet
from trimkeep.service.due import DigestKeeper
from trimkeep.service.health import HealthKeeper
from trimkeep.service.ingest.report import IngestReport
from trimkeep.service.ingest.watch import watch
from trimkeep.service.outbox import Delivery
from trimkeep.service.quiet import is_quiet
from trimkeep.service.schedule import parse_schedules, repeat, start_clock
from trimkeep.service.senders import channels_of
from trimkeep.service.store.connection import open_store
from trimkeep.service.watching import Aftermath

DELIVER_EVERY_S = 15.0
# What is due is counted in days.
CLEAR_EVERY_S = 6 * 3600.0


@click.command("watch")
@fleet_command
@click.option(
    "--polling", is_flag=True, default=None, help="Look through the folder only; for network shares."
)
@reading_options
def command(
    fleet: Path,
    state: Path | None,
    polling: bool | None,
    logs: str | None,
    workers: int | None,
    cluster: str | None,
) -> None:
    """Read the logs of FLEET that are there, then each new one; alert at once, make digests on schedule.

    Runs until told to stop (Ctrl-C, or SIGTERM from a service manager): what is being read is finished first.
    """
    opened = with_logs(open_fleet(fleet, state), logs)
    schedules = parse_schedules(opened.settings.digest, opened.time_zone)
    store = open_store(opened.state)
    keeper = DigestKeeper(store, opened, schedules)
    health = HealthKeeper(opened.state, version("trimkeep"), datetime.now(UTC))
    aftermath = Aftermath(store, opened)
    # A wrong hour in the settings is told now, not in the middle of a night.
    is_quiet(opened.settings.alerts, opened.time_zone, datetime.now(UTC))
    stop = threading.Event()
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, lambda *_: stop.set())
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    click.echo(f"Watching {opened.folder}. Stop with Ctrl-C; nothing is lost.")

    def ingested(report: IngestReport) -> None:
        tell(report)
        for sentence in (*report.problems, *(one.sentence for one in report.rejected)):
            health.problem(sentence, datetime.now(UTC))
        say(aftermath.after_logs(datetime.now(UTC), report.airframes))
        for path in keeper.after_flights(len(report.flights), datetime.now(UTC)):
            click.echo(f"Digest: {path}")

    def wake() -> None:
        for path in keeper.make_due(datetime.now(UTC)):
            click.echo(f"Digest: {path}")

    def say(done: Delivery) -> None:
        if done.sent:
            click.echo(f"Alerts: {done.sent} sent.")

    def clear() -> None:
        done = aftermath.clear_due(datetime.now(UTC))
        if done is not None and done.removed:
            click.echo(f"Retention: {len(done.removed)} files removed, {done.size_bytes / 1e6:,.1f} MB.")

    def alive() -> None:
        health.alive(datetime.now(UTC))

    bring_up_to_date(opened)
    clock = start_clock(schedules, wake, opened.time_zone)
    try:
        if channels_of(opened):
            # What a crash kept from being told, and what has not arrived yet.
            say(aftermath.after_logs(datetime.now(UTC)))
            repeat(clock, lambda: say(aftermath.deliver_due(datetime.now(UTC))), DELIVER_EVERY_S)
        wake()
        if opened.settings.retention.automatic:
            clear()
            repeat(clock, clear, CLEAR_EVERY_S)
        with readers(opened, workers, cluster) as found:
            watch(
                opened,
                polling=polling,
                stop=stop,
                on_ingested=ingested,
                on_round=alive,
                progress=lambda _: alive(),
                workers=found.in_work,
                pool=found.pool,
                reads_apart=found.apart,
            )
    finally:
        clock.shutdown(wait=True)
        health.stopped(datetime.now(UTC))
    click.echo("Stopped.")
