"""A person with a phone logs in, reads, answers, records, logs out: a real server and a real browser."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.end_to_end.driven_browser import DrivenBrowser
from tests.reports.browser import BROWSER, PHONE_WIDTH
from tests.service.told_fleet import NOW, judged, told_fleet
from trimkeep.service.store.audit import load_records, verify_chain
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import load_findings
from trimkeep.service.store.journal import load_journal
from trimkeep.service.web.accounts import Role, add_account
from trimkeep.service.web.passwords import hash_password, hash_token

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
PASSWORD = "seven quiet herons"
TOKEN = "tk_for-the-monitor"
COMMAND = "import sys; from trimkeep.service.cli.main import main; main(sys.argv[1:])"


@dataclass
class Served:
    """A server in a process of its own."""

    url: str
    store: Store
    process: subprocess.Popen[str]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """One for all tests here; the last of them ends it."""
    fleet, store = told_fleet(tmp_path_factory.mktemp("served"))
    judged(store)
    add_account(store, "R. Vale", Role.ENGINEER, hash_password(PASSWORD), by="root", now=NOW)
    add_account(store, "monitor", Role.READER, hash_token(TOKEN), by="root", now=NOW)
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, "serve", str(fleet.folder)],
        env={**os.environ, "TRIMKEEP_SERVE_PORT": "0"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    line = next((one for one in process.stdout if one.startswith("Serving ")), "")
    try:
        assert line, process.stderr.read() if process.stderr else ""
        yield Served(line.split(" at ")[1].split(". Stop")[0], store, process)
    finally:
        process.kill()
        process.communicate()


def ask(url: str, **headers: str) -> tuple[int, str]:
    request = urllib.request.Request(url, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


def test_a_person_with_a_phone(server: Served, tmp_path: Path) -> None:
    with DrivenBrowser(tmp_path / "profile") as browser:
        page = browser.go(server.url)
        assert browser.url.startswith(f"{server.url}login") and page.headings == []
        browser.type("#name", "r. vale")
        browser.type("#password", "not the password")
        assert "do not belong together" in browser.follow("button").text
        browser.type("#password", PASSWORD)
        page = browser.follow("button")
        assert browser.url == f"{server.url}pages/board.html" and "R. Vale, engineer" in page.text
        assert browser.width == PHONE_WIDTH

        page = browser.follow('.open a[href^="finding-"]')
        page = browser.follow('.desk a[href^="/answer/"]')
        assert browser.width == PHONE_WIDTH
        browser.click('input[value="acknowledged"]')
        browser.type("#reason", "servo <ordered>")
        page = browser.follow("button")
        assert "Your answer is recorded" in page.text and browser.width == PHONE_WIDTH

        page = browser.follow('.masthead a[href^="board"], .desk a[href="/"]')
        page = browser.follow('.who a[href^="airframe-"]')
        page = browser.follow('.desk a[href^="/record/"]')
        assert browser.width == PHONE_WIDTH
        browser.put('option[value="servo"]', "selected", "")
        browser.type("#part", "elevator servo")
        browser.put("#done_on", "value", "2026-03-18")
        browser.type("#approved_by", "M. Orchard")
        page = browser.follow("button")
        assert "Recorded as row" in page.text
        page = browser.follow('.desk a[href="/account"]')
        assert "Logged in as R. Vale, engineer" in page.text
        page = browser.follow("button")
        assert browser.url == f"{server.url}login"
        assert "Log in" in browser.go(f"{server.url}pages/board.html").text
        # A status of 401 after the wrong password is all that the console has to say; and, when it is in time
        # for it, that the logout had the browser clear its cache, as asked.
        cleared = f"Clear-Site-Data header on '{server.url}account': Cleared data types: \"cache\"."
        assert [one for one in browser.console if "401" not in one and one != cleared] == []
        assert [one for one in browser.requested if not one.startswith(server.url)] == []

    [finding] = [one for one in load_findings(server.store, with_gone=True) if one.id == "f1"]
    [row] = load_journal(server.store)
    assert finding.status == "acknowledged"
    assert (row.done_by, row.extra["approved_by"], row.extra["recorded_by"]) == (
        "R. Vale",
        "M. Orchard",
        "R. Vale",
    )
    answered, recorded = load_records(server.store)[-2:]
    assert (answered.content["who"], answered.content["note"]) == ("R. Vale", "servo <ordered>")
    assert recorded.kind == "journal_added" and verify_chain(server.store) == ()


def test_the_real_server_keeps_its_door(server: Served) -> None:
    board = f"{server.url}pages/board.html"
    assert ask(board, Authorization=f"Bearer {TOKEN}")[0] == 200
    assert ask(board, Authorization="Bearer wrong")[0] == 401
    assert ask(board, Host="elsewhere.example")[0] == 400
    for path in ("../.trimkeep/accounts.json", "pages/..%2f..%2f.trimkeep%2faccounts.json", "accounts.json"):
        status, text = ask(f"{server.url}{path}", Authorization=f"Bearer {TOKEN}")
        assert status == 404 and "scrypt" not in text
    server.process.send_signal(signal.SIGTERM)
    out, err = server.process.communicate(timeout=60)
    assert server.process.returncode == 0 and out.endswith("Stopped.\n") and "Traceback" not in err
