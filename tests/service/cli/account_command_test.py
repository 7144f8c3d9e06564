"""`trimkeep account` and what `trimkeep serve` refuses before it listens."""

from __future__ import annotations

import io
import os
import re
import socket
from pathlib import Path

import click
import pytest

from tests.service.small_logs import fleet_in
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli import account as account_command
from trimkeep.service.cli.main import run
from trimkeep.service.store.audit import load_records, verify_chain
from trimkeep.service.store.connection import open_store
from trimkeep.service.web.accounts import load_accounts
from trimkeep.service.web.passwords import password_fits, token_fits

Capture = pytest.CaptureFixture[str]
PASSWORD = "seven quiet herons"


@pytest.fixture
def fleet(tmp_path: Path) -> FleetSettings:
    return fleet_in(tmp_path)


@pytest.fixture
def secret(tmp_path: Path) -> str:
    (tmp_path / "secret").write_text(f"{PASSWORD}\n", encoding="utf-8")
    return str(tmp_path / "secret")


def account(fleet: FleetSettings, what: str, *rest: str) -> int:
    return run(["account", what, str(fleet.folder), *rest])


def test_no_option_takes_the_password_itself() -> None:
    options = {
        (name, option.opts[0]): option
        for name, one in account_command.command.commands.items()
        for option in one.params
        if isinstance(option, click.Option)
    }
    assert [key for key in options if "password" in key[1]] == [
        ("add", "--password-file"),
        ("password", "--password-file"),
    ]


def test_an_account_is_made_listed_changed_and_removed(
    fleet: FleetSettings, secret: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert account(fleet, "list") == 0
    assert "No accounts" in capsys.readouterr().out
    assert account(fleet, "add", "R. Vale", "--role", "engineer", "--password-file", secret) == 0
    assert account(fleet, "list") == 0
    said = capsys.readouterr().out
    assert re.search(r"^R\. Vale +engineer +password ", said, re.MULTILINE) and PASSWORD not in said
    monkeypatch.setattr("sys.stdin", io.StringIO("another long password\n"))
    assert account(fleet, "password", "r. vale", "--password-file", "-") == 0
    [vale] = load_accounts(fleet.state)
    assert password_fits("another long password", vale.credential)
    assert account(fleet, "remove", "R. Vale") == 0
    assert load_accounts(fleet.state) == ()
    store = open_store(fleet.state)
    kinds = ["account_added", "account_credential_changed", "account_removed"]
    assert [one.kind for one in load_records(store)] == kinds
    assert "scrypt" not in "".join(one.body for one in load_records(store))
    assert verify_chain(store) == ()
    assert run(["audit", "verify", str(fleet.folder)]) == 0


def test_the_password_is_asked_for_twice_and_not_shown(
    fleet: FleetSettings, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    monkeypatch.setattr("click.termui.hidden_prompt_func", lambda text: asked.append(text) or PASSWORD)
    assert account(fleet, "add", "Ann", "--role", "reader") == 0
    assert [text.strip(": ") for text in asked] == ["Password", "Again"]
    said = capsys.readouterr()
    assert PASSWORD not in said.out + said.err


def test_a_token_is_shown_once(fleet: FleetSettings, capsys: Capture) -> None:
    assert account(fleet, "add", "monitor", "--role", "reader", "--token") == 0
    found = re.search(r"tk_[\w-]{43}", capsys.readouterr().out)
    [kept] = load_accounts(fleet.state)
    assert found and token_fits(found.group(), kept.credential) and found.group() not in kept.credential


@pytest.mark.parametrize(
    ("rest", "sentence"),
    [
        (["Ann", "--role", "pilot", "--token"], "'pilot' is not one of"),
        (["Ann", "--token"], "--role"),
        ([" ", "--role", "reader", "--token"], "NAME: is no name"),
        (["Ann", "--role", "reader", "--password-file", "nowhere"], "nowhere: cannot be read"),
        (["Ann", "--role", "reader", "--password-file", os.devnull], "password: has 0 characters"),
        (["Ann", "--role", "reader", "--password-file", "x", "--token"], "goes with a password only"),
    ],
)
def test_mistakes_are_one_sentence(
    fleet: FleetSettings, rest: list[str], sentence: str, capsys: Capture
) -> None:
    assert account(fleet, "add", *rest) == 2
    assert sentence in capsys.readouterr().err
    assert load_accounts(fleet.state) == ()


def test_two_accounts_of_one_name_are_refused_before_a_password_is_asked(
    fleet: FleetSettings, secret: str, capsys: Capture
) -> None:
    assert account(fleet, "add", "Ann", "--role", "reader", "--password-file", secret) == 0
    assert account(fleet, "add", "ann", "--role", "reader") == 2
    assert "has an account already" in capsys.readouterr().err
    assert account(fleet, "remove", "Bob") == 2
    assert "Ann" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ("", "has no account yet"),
        ('[serve]\nhost = "0.0.0.0"\n', "in the clear"),
        ('[serve]\nhost = "0.0.0.0"\nreading_without_login = true\n', "in the clear"),
        ('[serve]\npublic_url = "https://x.example"\nreading_without_login = true\n', "only for loopback"),
    ],
)
def test_serving_what_is_not_safe_is_refused(
    tmp_path: Path, settings: str, sentence: str, capsys: Capture
) -> None:
    fleet = fleet_in(tmp_path, settings)
    assert run(["serve", str(fleet.folder)]) == 3
    said = capsys.readouterr().err
    assert sentence in said and said.count("\n") == 1


def test_a_port_that_is_taken_is_said(tmp_path: Path, capsys: Capture) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        fleet = fleet_in(tmp_path, f"[serve]\nreading_without_login = true\nport = {port}\n")
        assert run(["serve", str(fleet.folder)]) == 3
    assert "cannot be listened at (Address already in use)" in capsys.readouterr().err
