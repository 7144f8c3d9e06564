"""`trimkeep demo`: the sample fleet, from simulated flying to a digest."""

from __future__ import annotations

import os
import shutil
import time
from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.config.errors import UsageError
from trimkeep.config.load import load_fleet
from trimkeep.service.cli.ingest import progress_bar, tell
from trimkeep.service.digest import make_digest
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.store.connection import open_store

FOLDER = "trimkeep-demo"
MARK = ".made-by-trimkeep-demo"
SEED = 20260301


@click.command("demo")
@click.option(
    "--into", type=click.Path(path_type=Path), default=Path(FOLDER), show_default=True, help="Folder to make."
)
@click.option(
    "--workers", type=click.IntRange(1, 256), default=None, help="Processes; default: all processors."
)
@click.option("--seed", type=int, default=SEED, show_default=True, help="Another seed flies other weather.")
def command(into: Path, workers: int | None, seed: int) -> None:
    """Build the sample fleet, read it, judge it and write its digest.

    The fleet is simulated and its faults are planted; truth.json beside it says what they are. Only a
    folder that this command made itself is replaced.
    """
    try:
        from trimkeep.sample_fleet.make import build_fleet
        from trimkeep.sample_fleet.scenario import load_scenario
    except ModuleNotFoundError as error:
        raise UsageError(
            f"the demo needs the package {error.name}, which is not installed",
            subject="trimkeep demo",
            next_step="Install it with: pip install 'trimkeep[demo]'",
        ) from error
    workers = workers or os.cpu_count() or 1
    _clear(into)
    begun = time.monotonic()
    scenario = load_scenario()
    with progress_bar("Flying the fleet") as bar:
        built = build_fleet(into, scenario, seed=seed, workers=workers, progress=bar.step)
    (into / MARK).write_text("This folder was made by `trimkeep demo`, which may replace it.\n")
    flown = time.monotonic()
    fleet = load_fleet(built.fleet)
    with progress_bar("Reading the logs") as bar:
        report = ingest_fleet(fleet, workers=workers, progress=lambda p: bar.step(p.done, p.total))
    tell(report)
    made = make_digest(open_store(fleet.state), fleet, datetime.now(UTC))
    done = time.monotonic()
    click.echo(f"Flown in {flown - begun:.0f} s, read and judged in {done - flown:.0f} s.")
    click.echo(f"What was planted: {built.truth}")
    click.echo(f"Findings:         trimkeep findings {fleet.folder}")
    click.echo(f"Digest:           {made.path.resolve()}")
    click.echo("Open it in a browser.")


def _clear(folder: Path) -> None:
    if not folder.exists():
        folder.mkdir(parents=True)
    elif (folder / MARK).exists():
        shutil.rmtree(folder)
        folder.mkdir()
    elif any(folder.iterdir()):
        raise UsageError(
            "is there already and was not made by this command",
            subject=str(folder),
            next_step="Move it away, or name another folder with --into",
        )
    # Marked before anything is written, so that a demo that was broken off can be replaced too.
    (folder / MARK).write_text("This folder was made by `trimkeep demo`, which may replace it.\n")
