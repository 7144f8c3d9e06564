"""`trimkeep alert` and `trimkeep finding`: trials, lists, answers with who and why."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.service.alert_servers import Mailbox, free_port, mail_server
from tests.service.told_fleet import judged, told_fleet
from trimkeep.config.errors import DeliveryError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.cli.main import run
from trimkeep.service.store.audit import load_records
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import load_findings

SETTINGS = """[alerts]
file = "alerts.jsonl"
[alerts.mail]
host = "127.0.0.1"
port = {port}
security = "none"
sender = "trimkeep@example.org"
recipients = ["officer@example.org"]
"""
BY_ANN = ["--who", "Ann", "--reason", "servo ordered"]


@pytest.fixture
def port() -> int:
    return free_port()


@pytest.fixture
def told(tmp_path: Path, port: int) -> tuple[FleetSettings, Store]:
    fleet, store = told_fleet(tmp_path, SETTINGS.format(port=port))
    judged(store)
    return fleet, store


Told = tuple[FleetSettings, Store]


def test_a_trial_goes_out_by_every_channel(told: Told, port: int, capsys: pytest.CaptureFixture[str]) -> None:
    box, folder = Mailbox(), str(told[0].folder)
    with mail_server(box, port):
        assert run(["alert", "test", folder]) == 0
    assert capsys.readouterr().out == "mail: taken\nfile: taken\n"
    [mail] = box.mails
    assert "Nothing is wrong with any aeroplane" in mail.get_content()
    assert json.loads((told[0].folder / "alerts.jsonl").read_text())["reason"] == "trial"
    # Nobody listens any more.
    assert run(["alert", "test", folder, "--channel", "mail"]) == DeliveryError.exit_code
    said = capsys.readouterr()
    assert "refused" in said.out and "channel mail: did not take the trial message" in said.err


def test_no_channel_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["alert", "test", str(tmp_path)]) == 2
    assert "has no channel for alerts. Set alerts.mail.host" in capsys.readouterr().err


def test_send_raises_and_list_shows(told: Told, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(told[0].folder)
    assert run(["alert", "list", folder]) == 0
    assert "No alerts yet." in capsys.readouterr().out
    assert run(["alert", "send", folder]) == 0
    assert "messages sent" in capsys.readouterr().out
    assert run(["alert", "list", folder, "--waiting"]) == 0


def test_answers_are_recorded_with_who_and_why(told: Told, capsys: pytest.CaptureFixture[str]) -> None:
    fleet, store = told
    folder = str(fleet.folder)
    for word, status in (
        ("acknowledge", "acknowledged"),
        ("mute", "muted"),
        ("resolve", "resolved"),
        ("reopen", "open"),
    ):
        assert run(["finding", word, folder, "f", *BY_ANN]) == 0
        assert load_findings(store)[0].status == status
    answers = [one.content for one in load_records(store) if one.kind == "finding_answered"]
    assert [one["status"] for one in answers] == ["acknowledged", "muted", "resolved", "open"]
    assert {(one["who"], one["note"]) for one in answers} == {("Ann", "servo ordered")}
    capsys.readouterr()
    assert run(["finding", "history", folder, "f1"]) == 0
    said = capsys.readouterr().out
    assert said.count("answered") == 4 and "servo ordered" in said


def test_a_mute_has_an_end(told: Told, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(told[0].folder)
    assert run(["finding", "mute", folder, "f1", *BY_ANN, "--until", "2020-01-01"]) == 2
    assert "--until: is not in the future" in capsys.readouterr().err
    assert run(["finding", "mute", folder, "f1", *BY_ANN, "--until", "2999-01-01"]) == 0
    assert run(["finding", "history", folder, "f1"]) == 0
    assert "servo ordered (until 2999-01-01)" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["nothing", *BY_ANN], "nothing: is no finding's id"),
        (["f1", "--who", " ", "--reason", "x"], "--who: is empty"),
        (["f1", "--who", "Ann", "--reason", ""], "--reason: is empty"),
    ],
)
def test_mistakes_are_one_sentence(
    told: Told, arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["finding", "resolve", str(told[0].folder), *arguments]) == 2
    assert sentence in capsys.readouterr().err


def test_an_answer_needs_a_name(told: Told, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["finding", "resolve", str(told[0].folder), "f1", "--reason", "x"]) == 2
    assert "--who" in capsys.readouterr().err
