"""`trimkeep`: the way in. Errors become one sentence and an exit code; a traceback never reaches a user."""

from __future__ import annotations

import importlib
import logging
import os
import sys
import tempfile
import traceback
from collections.abc import Sequence
from pathlib import Path

import click

from trimkeep.config.errors import TrimkeepError

# The matrices here have a few rows, and a log is read by one worker per core: threads of the linear algebra
# would only wait for one another, at up to twenty times the work for a fit. Read when that library is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Command name to (module, one line for --help). Modules are imported only when used: the numeric
# libraries take over a second to load, and `trimkeep --help` should not wait for them.
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "Build the sample fleet, read it, judge it and write its digest."),
    "ingest": ("ingest", "Read the logs of a fleet folder that are new."),
    "watch": ("watch", "Keep reading logs as they arrive, and make digests on schedule."),
    "digest": ("digest", "Judge the fleet and write the digest page."),
    "findings": ("findings", "List what the judge says of every change."),
    "explain": ("explain", "Show every number from the flights to a verdict."),
    "finding": ("finding", "Acknowledge, mute, resolve or reopen a finding."),
    "alert": ("alert", "Try the alert channels, list what went out, send what is due."),
    "flights": ("flights", "List the flights and what became of each log."),
    "airframe": ("airframe", "Show what an airframe consists of, today or at a date."),
    "compare": ("compare", "Show what differs between two flights, dates or airframes."),
    "inspect": ("inspect", "Measure one log by itself and write one page about it."),
    "channels": ("channels", "Show what a table holds and propose a channel map."),
    "status": ("status", "Show what waits, what was last read and said, and the room left."),
    "settings": ("settings", "Show every setting, its value and where it came from."),
    "serve": ("serve", "Show the pages over HTTP, with forms to answer findings and record work."),
    "account": ("account", "Add, list and remove the accounts of `serve`."),
    "backup": ("backup", "Copy the store to another disk while the service runs."),
    "restore": ("restore", "Put a backup in the place of the store."),
    "check": ("check", "Look for contradictions in the store and the recordings."),
    "journal": ("journal", "List the work recorded on each airframe, and record more."),
    "due": ("due", "List inspections and component lives that are due."),
    "retention": ("retention", "Show and remove what the retention settings let go."),
    "audit": ("audit", "Verify the maintenance record and compare it with the logs."),
}
EXIT_BUG = 70
EXIT_INTERRUPTED = 130


class _LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"trimkeep.service.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            raise click.UsageError(f"There is no command {args[0]}. Commands: {', '.join(COMMANDS)}.", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=(
        "Exit codes: 0 done; 1 other error; 2 wrong use; 3 settings; 4 a log could not be read; 5 journal; "
        "6 store; 7 page; 8 alert not delivered; 9 object storage not reached; 10 asked-for "
        "verdict found (findings --fail-on); 70 a fault of this program; 130 interrupted."
    ),
)
@click.version_option(package_name="trimkeep", message="trimkeep %(version)s")
@click.option("-v", "--verbose", is_flag=True, help="Log what is done, one line for each log.")
def trimkeep(verbose: bool) -> None:
    """Say for every change to an autopilot aeroplane whether it now flies worse, better or the same.

    FLEET is a folder with one folder for each airframe; the airframe's logs lie inside.
    """
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
        stream=sys.stderr,
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code."""
    sys.exit(run(sys.argv[1:] if arguments is None else list(arguments)))


def run(arguments: Sequence[str]) -> int:
    """Run one command; the exit code instead of an exception."""
    try:
        result = trimkeep.main(args=list(arguments), prog_name="trimkeep", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except TrimkeepError as error:
        click.echo(f"trimkeep: {error}", err=True)
        return error.exit_code
    except click.ClickException as error:
        error.show(sys.stderr)
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("trimkeep: interrupted; nothing was lost, run the same command again to go on.", err=True)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output (head, less) has gone: not an error, and nothing may be said on it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception:
        return _own_fault()


def _own_fault() -> int:
    handle, name = tempfile.mkstemp(prefix="trimkeep-fault-", suffix=".txt")
    with os.fdopen(handle, "w", encoding="utf-8") as stream:
        stream.write(traceback.format_exc())
    click.echo(
        f"trimkeep: this is a fault of the program, not of your files. The details are in {Path(name)}. "
        "Please send that file to the developers.",
        err=True,
    )
    return EXIT_BUG
