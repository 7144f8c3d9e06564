"""`trimkeep account`: who may read the served pages, and who may write."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from trimkeep.config.errors import UsageError
from trimkeep.service.cli.options import Command, fleet_command, open_fleet, table, user_name
from trimkeep.service.store.connection import open_store
from trimkeep.service.web.accounts import (
    Role,
    add_account,
    change_credential,
    find_account,
    load_accounts,
    remove_account,
)
from trimkeep.service.web.passwords import hash_password, hash_token, make_token


@click.group("account")
def command() -> None:
    """Add, list and remove the accounts of `trimkeep serve`.

    A reader sees the pages; an engineer also answers findings and records work. Making and removing an
    account is a row of the audit chain.
    """


def _credential_options(function: Command) -> Command:
    """`--password-file FILE` or `--token`; the password itself is never an option's value."""
    by_file = click.option(
        "--password-file",
        type=click.Path(path_type=Path, allow_dash=True),
        help="File that holds the password and nothing else; - reads it from standard input. Default: ask.",
    )
    by_token = click.option(
        "--token", "by_token", is_flag=True, help="Make a token for a program, and show it once."
    )
    return by_file(by_token(function))


@command.command("add")
@fleet_command
@click.argument("name")
@click.option(
    "--role",
    required=True,
    type=click.Choice([str(role) for role in Role]),
    help="What it may do: reader sees the pages, engineer also writes.",
)
@_credential_options
def add(
    fleet: Path, state: Path | None, name: str, role: str, password_file: Path | None, by_token: bool
) -> None:
    """Make an account called NAME in FLEET; what it writes stands under that name."""
    store = open_store(open_fleet(fleet, state).state)
    if find_account(load_accounts(store.state), name) is not None:
        raise UsageError(
            "has an account already", subject=name, next_step="Remove it first, or choose another"
        )
    credential, token = _credential(password_file, by_token)
    made = add_account(store, name, Role(role), credential, by=user_name(), now=datetime.now(UTC))
    click.echo(f"{made.name} has an account as {made.role} now.")
    _show(token)


@command.command("password")
@fleet_command
@click.argument("name")
@_credential_options
def password(fleet: Path, state: Path | None, name: str, password_file: Path | None, by_token: bool) -> None:
    """Give the account NAME of FLEET another password or token; who is logged in with it must log in anew."""
    store = open_store(open_fleet(fleet, state).state)
    credential, token = _credential(password_file, by_token)
    changed = change_credential(store, name, credential, by=user_name(), now=datetime.now(UTC))
    click.echo(f"{changed.name} has a new {'token' if by_token else 'password'}.")
    _show(token)


@command.command("remove")
@fleet_command
@click.argument("name")
def remove(fleet: Path, state: Path | None, name: str) -> None:
    """Take the account NAME of FLEET away; what it wrote stays."""
    gone = remove_account(open_store(open_fleet(fleet, state).state), name, by=user_name())
    click.echo(f"{gone.name} has no account any more.")


@command.command("list")
@fleet_command
def list_accounts(fleet: Path, state: Path | None) -> None:
    """List the accounts of FLEET."""
    accounts = load_accounts(open_fleet(fleet, state).state)
    if not accounts:
        click.echo("No accounts. Make one with: trimkeep account add FLEET NAME --role engineer")
        return
    rows = [
        [one.name, str(one.role), "token" if one.by_token else "password", one.made_at, one.changed_at]
        for one in accounts
    ]
    click.echo(table(rows, ["name", "role", "logs in by", "made", "changed"]))


def _credential(password_file: Path | None, by_token: bool) -> tuple[str, str]:
    """The hash to keep, and the token to show, empty for a password."""
    if by_token:
        if password_file is not None:
            raise UsageError(
                "goes with a password only", subject="--password-file", next_step="Leave it or --token away"
            )
        token = make_token()
        return hash_token(token), token
    return hash_password(_password(password_file)), ""


def _password(file: Path | None) -> str:
    if file is None:
        asked: str = click.prompt("Password", hide_input=True, confirmation_prompt="Again", err=True)
        return asked
    if str(file) == "-":
        return sys.stdin.readline().rstrip("\r\n")
    try:
        return file.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            "cannot be read", subject=str(file), next_step="Give a text file that holds the password only"
        ) from error


def _show(token: str) -> None:
    if token:
        click.echo(f"Its token, shown this once: {token}")
        click.echo("A program sends it in the header: Authorization: Bearer TOKEN")
