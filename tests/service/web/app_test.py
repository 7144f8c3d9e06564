"""The served pages: who sees what, who may write, and what every answer carries."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.reports.page_reading import Page
from tests.service.web.served import (
    AIRFRAME,
    ENGINEER_TOKEN,
    FINDING,
    HOST,
    PASSWORD,
    READER_TOKEN,
    WORK,
    Served,
    bearer,
    log_in,
    send,
    served,
    token_in,
)
from trimkeep.service.store.audit import load_records, verify_chain
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.findings import load_findings
from trimkeep.service.store.journal import load_journal
from trimkeep.service.web.accounts import Role, add_account, remove_account
from trimkeep.service.web.app import make_app
from trimkeep.service.web.site import make_site

BOARD = "/pages/board.html"


@pytest.fixture
def here(tmp_path: Path) -> Served:
    return served(tmp_path)


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Served:
    """One for all tests that only look."""
    return served(tmp_path_factory.mktemp("still"))


@pytest.mark.parametrize(
    "address",
    ["/", BOARD, f"/pages/{FINDING}.html", "/latest.html", f"/answer/{FINDING}", "/account", "/no-such"],
)
def test_nothing_is_shown_without_a_login(still: Served, address: str) -> None:
    answer = still.client().get(address, base_url=HOST)
    assert answer.status_code == 303
    assert answer.headers["Location"].startswith("/login?to=")
    assert still.client().post(address, base_url=HOST, data=WORK).status_code == 401


def test_a_login_leads_to_the_page_that_was_asked_for(still: Served) -> None:
    client = still.client()
    wanted = client.get(BOARD, base_url=HOST).headers["Location"]
    assert wanted == "/login?to=pages/board.html"
    answer = log_in(client, "  aNN ", PASSWORD, "pages/board.html")
    assert (answer.status_code, answer.headers["Location"]) == (303, BOARD)
    page = Page(client.get(BOARD, base_url=HOST).text)
    assert page.problems == []
    assert "Ann, engineer" in page.text


@pytest.mark.parametrize(
    "to",
    ["//elsewhere.example", "https://elsewhere.example/", "../x", "pages/../x", "\\\\x", "a/b/c", "x\r\nSet"],
)
def test_a_login_leads_nowhere_else(still: Served, to: str) -> None:
    client = still.client()
    form = {"token": token_in(client.get("/login", base_url=HOST)), "name": "Ann", "password": PASSWORD}
    answer = client.post("/login", base_url=HOST, query_string={"to": to}, data=form)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/")


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(still: Served) -> None:
    cookies = log_in(still.client(), "Ann", PASSWORD).headers.getlist("Set-Cookie")
    [login] = [one for one in cookies if one.startswith("trimkeep=")]
    assert {"HttpOnly", "SameSite=Lax", "Path=/", "Max-Age=43200"} <= set(re.split("; ?", login))


def test_behind_a_proxy_cookies_are_for_https_and_its_path_only(tmp_path: Path) -> None:
    there = served(tmp_path, '[serve]\npublic_url = "https://pages.example.org/fleet"\n')
    client, base = there.client(), "https://pages.example.org"
    answer = client.get("/fleet/pages/board.html", base_url=base)
    assert answer.headers["Location"] == "/fleet/login?to=pages/board.html"
    token = token_in(client.get("/fleet/login", base_url=base))
    form = {"token": token, "name": "Ann", "password": PASSWORD}
    answer = client.post("/fleet/login?to=pages/board.html", base_url=base, data=form)
    assert answer.headers["Location"] == "/fleet/pages/board.html"
    [login] = [one for one in answer.headers.getlist("Set-Cookie") if one.startswith("__Secure-trimkeep=")]
    assert {"Secure", "HttpOnly", "Path=/fleet"} <= set(re.split("; ?", login))
    assert client.get("/fleet/pages/board.html", base_url=base).status_code == 200
    assert client.get("/pages/board.html", base_url=base).status_code == 404
    assert client.get("/fleetx/pages/board.html", base_url=base).status_code == 404
    assert client.get("/fleet/pages/board.html", base_url="https://127.0.0.1").status_code == 400


@pytest.mark.parametrize(
    "host", ["elsewhere.example", "127.0.0.1.elsewhere.example", "localhost:80@x", "[::2]"]
)
def test_another_sites_name_is_not_answered(still: Served, host: str) -> None:
    client = still.logged_in("Ann")
    assert client.get(BOARD, base_url=HOST, headers={"Host": host}).status_code == 400


@pytest.mark.parametrize("address", [BOARD, "/login", "/no-such", "/latest.html", f"/record/{AIRFRAME}"])
def test_every_answer_carries_the_headers(still: Served, address: str) -> None:
    for client in (still.client(), still.logged_in("Ann")):
        headers = client.get(address, base_url=HOST).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert "script" not in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cache-Control"] == "private, no-cache"


def test_an_answer_stands_in_the_chain_under_the_accounts_name(here: Served) -> None:
    client = here.logged_in("ann")
    page = client.get(f"/pages/{FINDING}.html", base_url=HOST)
    assert f"/answer/{FINDING}" in Page(page.text).hrefs
    form = client.get(f"/answer/{FINDING}", base_url=HOST)
    assert Page(form.text).problems == [] and "heron-01: Altitude held within" in Page(form.text).text
    answer = send(client, f"/answer/{FINDING}", status="acknowledged", reason="servo ordered", who="Somebody")
    assert (answer.status_code, answer.headers["Location"]) == (303, f"/pages/{FINDING}.html")
    record = load_records(here.store)[-1]
    assert (record.kind, record.content["who"], record.content["note"]) == (
        "finding_answered",
        "Ann",
        "servo ordered",
    )
    assert load_findings(here.store)[0].status == "acknowledged"
    shown = [client.get(f"/pages/{FINDING}.html", base_url=HOST).text for _ in range(2)]
    assert ["Your answer is recorded" in text for text in shown] == [True, False]
    assert verify_chain(here.store) == ()


def test_a_mute_has_a_reason_and_an_end(here: Served) -> None:
    client = here.logged_in("Ann")
    address = f"/answer/{FINDING}"
    for form, sentence in (
        ({"reason": "", "until": "2026-04-01"}, "Why is empty"),
        ({"reason": "windy", "until": "2026-03-01"}, "Muted until is not in the future"),
        ({"reason": "windy", "until": "tomorrow"}, "Muted until is no day"),
        ({"reason": "windy", "until": "9999-12-31"}, "Muted until is too far ahead"),
        ({"reason": "w" * 2001, "until": ""}, "too long"),
    ):
        refused = send(client, address, status="muted", **form)
        assert refused.status_code == 422
        page = Page(refused.text)
        assert sentence in page.text and page.problems == []
        # What was filled in is still there.
        assert form["reason"] in refused.text
    assert send(client, address, status="sold", reason="x").status_code == 422
    assert load_findings(here.store)[0].status == "open"
    assert send(client, address, status="muted", reason="windy", until="2026-04-01").status_code == 303
    assert load_findings(here.store)[0].status == "muted"
    assert load_records(here.store)[-1].content["note"] == "windy (until 2026-04-01)"


def test_work_is_recorded_with_who_wrote_it_down(here: Served) -> None:
    client = here.logged_in("Ann")
    assert f"/record/{AIRFRAME}" in Page(client.get(f"/pages/{AIRFRAME}.html", base_url=HOST).text).hrefs
    form = client.get(f"/record/{AIRFRAME}", base_url=HOST)
    assert Page(form.text).problems == [] and 'value="Ann"' in form.text
    answer = send(client, f"/record/{AIRFRAME}", **WORK, done_time="10:05", recorded_by="Somebody")
    assert (answer.status_code, answer.headers["Location"]) == (303, f"/pages/{AIRFRAME}.html")
    [row] = load_journal(here.store)
    assert (row.airframe, row.done_at, row.done_by) == ("heron-01", "2026-03-18T10:05+00:00", "R. Vale")
    assert dict(row.extra) == {"approved_by": "M. Orchard", "recorded_by": "Ann"}
    assert load_records(here.store)[-1].content["extra"]["recorded_by"] == "Ann"
    corrected = send(client, f"/record/{AIRFRAME}", **{**WORK, "part": "rudder servo"}, replaces=str(row.seq))
    assert corrected.status_code == 303
    assert [one.standing for one in load_journal(here.store)] == ["superseded", "current"]


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"approved_by": ""}, "approved_by is missing"),
        ({"kind": "sorcery"}, "What was worked on is not chosen"),
        ({"done_on": "2026-04-18"}, "lies ahead"),
        ({"done_on": "someday"}, "is no date"),
        ({"flight_hours": "many"}, "is no number of hours"),
        ({"replaces": "first"}, "Row that this one corrects is no row's number"),
        ({"replaces": "77"}, "row 77 is no entry of this airframe"),
    ],
)
def test_work_that_does_not_stand_is_refused_in_a_sentence(
    still: Served, changed: dict[str, str], sentence: str
) -> None:
    refused = send(still.logged_in("Ann"), f"/record/{AIRFRAME}", **{**WORK, **changed})
    assert refused.status_code == 422
    assert sentence in Page(refused.text).text
    assert load_journal(still.store) == ()


def test_a_form_without_the_right_token_is_refused(still: Served) -> None:
    client, other = still.logged_in("Ann"), still.logged_in("Ann")
    theirs = token_in(other.get(f"/record/{AIRFRAME}", base_url=HOST))
    for token in ({}, {"token": ""}, {"token": "0" * 64}, {"token": theirs}, {"token": "\u00e9"}):
        for address in (f"/record/{AIRFRAME}", f"/answer/{FINDING}", "/account"):
            answer = client.post(address, base_url=HOST, data={**WORK, "reason": "x", **token})
            assert answer.status_code == 403
            assert "send it again" in answer.text
    assert load_journal(still.store) == ()
    assert client.get(BOARD, base_url=HOST).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://elsewhere.example"},
        {"Origin": "http://[bad"},
    ],
)
def test_a_form_sent_from_another_site_is_refused_even_with_the_token(
    still: Served, headers: dict[str, str]
) -> None:
    client = still.logged_in("Ann")
    token = token_in(client.get(f"/record/{AIRFRAME}", base_url=HOST))
    form = {**WORK, "token": token}
    answer = client.post(f"/record/{AIRFRAME}", base_url=HOST, data=form, headers=headers)
    assert answer.status_code == 403
    assert load_journal(still.store) == ()


def test_a_login_form_of_another_browser_is_refused(still: Served) -> None:
    theirs = token_in(still.client().get("/login", base_url=HOST))
    client = still.client()
    client.get("/login", base_url=HOST)
    form = {"token": theirs, "name": "Ann", "password": PASSWORD}
    assert client.post("/login", base_url=HOST, data=form).status_code == 403


def test_a_reader_reads_and_does_not_write(still: Served) -> None:
    client = still.logged_in("Bob")
    page = Page(client.get(f"/pages/{FINDING}.html", base_url=HOST).text)
    assert "Bob, reader" in page.text and not [one for one in page.hrefs if "answer" in one]
    token = token_in(client.get("/account", base_url=HOST))
    for address in (f"/answer/{FINDING}", f"/record/{AIRFRAME}"):
        assert client.get(address, base_url=HOST).status_code == 403
        form = {**WORK, "status": "resolved", "reason": "x", "token": token}
        assert client.post(address, base_url=HOST, data=form).status_code == 403
    assert load_journal(still.store) == () and load_findings(still.store)[0].status == "open"


def test_a_wrong_password_is_throttled(here: Served) -> None:
    client = here.client()
    assert [log_in(client, "Ann", f"guess number {n}").status_code for n in range(6)] == [401] * 5 + [429]
    right = log_in(client, "Ann", PASSWORD)
    assert right.status_code == 429 and int(right.headers["Retry-After"]) > 60
    assert "15 minutes" in right.text
    # Somebody else at the same address, and she herself from another one, are not shut out.
    assert log_in(here.client(), "Bob", PASSWORD).status_code == 303
    elsewhere = here.client()
    elsewhere.environ_base = {"REMOTE_ADDR": "192.0.2.7"}
    assert log_in(elsewhere, "Ann", PASSWORD).status_code == 303
    here.clock.forward(minutes=15)
    assert log_in(client, "Ann", PASSWORD).status_code == 303


def test_an_unknown_name_and_a_wrong_password_read_alike(here: Served) -> None:
    texts = []
    for name in ("Nobody", "Ann", "monitor"):
        answer = log_in(here.client(), name, READER_TOKEN)
        assert answer.status_code == 401
        texts.append(re.sub(r'value="[^"]*"', "", answer.text))
    assert len(set(texts)) == 1


def test_a_login_ends(here: Served) -> None:
    def open_to(client: object) -> bool:
        return bool(client.get(BOARD, base_url=HOST).status_code == 200)  # type: ignore[attr-defined]

    ann, bob = here.logged_in("Ann"), here.logged_in("Bob")
    remove_account(here.store, "Bob", by="root")
    assert (open_to(ann), open_to(bob)) == (True, False)
    here.clock.forward(hours=11.9)
    assert open_to(ann)
    here.clock.forward(hours=0.2)
    assert not open_to(ann)
    ann = here.logged_in("Ann")
    left = send(ann, "/account")
    assert (left.status_code, left.headers["Clear-Site-Data"]) == (303, '"cache"')
    assert not open_to(ann)


def test_a_program_reads_and_writes_with_its_token(here: Served) -> None:
    client = here.client()
    board = client.get(BOARD, base_url=HOST, headers=bearer(READER_TOKEN))
    assert board.status_code == 200 and "monitor, reader" in Page(board.text).text
    address = f"/record/{AIRFRAME}"
    assert client.post(address, base_url=HOST, data=WORK, headers=bearer(READER_TOKEN)).status_code == 403
    made = client.post(address, base_url=HOST, data=WORK, headers=bearer(ENGINEER_TOKEN))
    assert (made.status_code, made.mimetype) == (201, "text/plain")
    [row] = load_journal(here.store)
    assert row.extra["recorded_by"] == "workshop" and f"row {row.seq}." in made.text
    missing = client.get("/pages/x.html", base_url=HOST, headers=bearer(READER_TOKEN))
    assert (missing.status_code, missing.mimetype) == (404, "text/plain")
    refused = client.post(address, base_url=HOST, data={"kind": "servo"}, headers=bearer(ENGINEER_TOKEN))
    assert refused.status_code == 422 and refused.mimetype == "text/plain"
    for wrong in ("tk_", "", "tk_engineer-for-test", PASSWORD):
        answer = client.get(BOARD, base_url=HOST, headers=bearer(wrong))
        assert (answer.status_code, answer.headers["WWW-Authenticate"]) == (401, "Bearer")
    # A token is no cookie, and a wrong one is not made good by one.
    ann = here.logged_in("Ann")
    assert ann.get(BOARD, base_url=HOST, headers=bearer("wrong")).status_code == 401


@pytest.mark.parametrize(
    "path",
    [
        "/pages/../fleet.toml",
        "/pages/..%2f..%2f.trimkeep%2faccounts.json",
        "/pages/%2e%2e/%2e%2e/fleet.toml",
        "/../.trimkeep/accounts.json",
        "/accounts.json",
        "/.trimkeep/accounts.json",
        "/pages/board.html%00.html",
        "/pages/notes.html",
        "/pages/finding-linked-abcdef.html",
        "/pages/.board.html.1-1.part",
        "/digest-2026-01-01T0000.html/..",
        "//etc/passwd",
        "/pages//etc/passwd",
        "/answer/..%2fx",
        "/record/finding-f1-3f524c",
    ],
)
def test_nothing_but_pages_is_ever_served(here: Served, path: str, tmp_path: Path) -> None:
    folder = here.fleet.output / "pages"
    (folder / "notes.html").write_text("<p>mine</p>")
    (folder / "finding-linked-abcdef.html").symlink_to(here.fleet.state / "accounts.json")
    client = here.logged_in("Ann")
    answer = client.get(path, base_url=HOST)
    if answer.status_code == 308:
        answer = client.get(answer.headers["Location"], base_url=HOST)
    assert answer.status_code == 404
    assert "scrypt" not in answer.text and "mine" not in answer.text


def test_too_much_is_not_read(still: Served) -> None:
    client = still.logged_in("Ann")
    answer = client.post(f"/record/{AIRFRAME}", base_url=HOST, data={**WORK, "note": "x" * 70_000})
    assert answer.status_code == 413 and "Nothing was saved" in answer.text
    assert load_journal(still.store) == ()


def test_odd_methods_and_addresses_get_an_answer(still: Served) -> None:
    client = still.logged_in("Ann")
    assert client.delete(BOARD, base_url=HOST).status_code == 405
    assert client.head(BOARD, base_url=HOST).status_code == 200
    assert client.get("/answer/finding-gone-000000", base_url=HOST).status_code == 404
    assert client.get("/", base_url=HOST).headers["Location"] == BOARD


def test_a_page_that_did_not_change_is_not_sent_again(still: Served) -> None:
    client = still.logged_in("Ann")
    first = client.get(BOARD, base_url=HOST)
    again = client.get(BOARD, base_url=HOST, headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.text) == (304, "")


def test_reading_is_open_on_loopback_only_where_it_was_asked_for(tmp_path: Path) -> None:
    there = served(tmp_path, "[serve]\nreading_without_login = true\n")
    client = there.client()
    page = Page(client.get(f"/pages/{FINDING}.html", base_url=HOST).text)
    assert f"/login?to=pages/{FINDING}.html" in page.hrefs
    assert client.get("/answer/x", base_url=HOST).status_code == 303
    assert client.post(f"/record/{AIRFRAME}", base_url=HOST, data=WORK).status_code == 401
    # Somebody put a proxy in front: it is not only this machine any more.
    for name in ("X-Forwarded-For", "Forwarded", "Via"):
        assert client.get(BOARD, base_url=HOST, headers={name: "192.0.2.7"}).status_code == 303


def test_a_store_that_stays_in_use_is_said(here: Served) -> None:
    hasty = replace(here.site, store=Store(here.store.state, patience_s=0.1))
    client = make_app(hasty).test_client()
    assert log_in(client, "Ann", PASSWORD).status_code == 303
    with unit_of_work(here.store):
        assert client.get(BOARD, base_url=HOST).status_code == 200
        answer = client.get(f"/answer/{FINDING}", base_url=HOST)
    assert answer.status_code == 503 and "Nothing was saved" in answer.text
    assert client.get(f"/answer/{FINDING}", base_url=HOST).status_code == 200


def test_a_fault_of_ours_is_a_page_without_its_details(here: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("secret detail")

    client = here.logged_in("Ann")
    monkeypatch.setattr("trimkeep.service.web.form_routes.load_findings", fail)
    answer = client.get(f"/answer/{FINDING}", base_url=HOST)
    assert answer.status_code == 500 and "fault of the program" in answer.text
    assert "secret" not in answer.text and answer.headers["X-Frame-Options"] == "DENY"


def test_an_accounts_file_that_cannot_be_trusted_lets_nobody_in(here: Served) -> None:
    client = here.logged_in("Ann")
    add_account(here.store, "Eve", Role.READER, "x", by="root", now=here.clock())
    (here.fleet.state / "accounts.json").chmod(0o644)
    assert client.get(BOARD, base_url=HOST).status_code == 500


def test_without_pages_it_says_so(here: Served) -> None:
    client = here.logged_in("Ann")
    (here.fleet.output / "pages" / "board.html").unlink()
    answer = client.get("/", base_url=HOST)
    assert answer.status_code == 503 and "No pages yet" in answer.text


HOSTILE = '<script>alert("1")</script>\u202e\u05d0 \'"><img src=x onerror=y>\U0001f681'


def test_hostile_text_is_shown_as_text(here: Served) -> None:
    client = here.logged_in("Ann")
    refused = send(client, f"/record/{AIRFRAME}", part=HOSTILE, note=f"</textarea>{HOSTILE}", kind="x")
    wrong = log_in(here.client(), HOSTILE, PASSWORD)
    for answer in (refused, wrong):
        page = Page(answer.text)
        assert page.problems == [] and page.tags["script"] == page.tags["img"] == 0
    parts = [
        attributes for tag, attributes in Page(refused.text).attributes if attributes.get("name") == "part"
    ]
    assert parts[0]["value"] == HOSTILE
    taken = send(client, f"/record/{AIRFRAME}", **{**WORK, "part": HOSTILE, "note": "a\r\nb\x00c"})
    assert taken.status_code == 303
    [row] = load_journal(here.store)
    assert (row.part, row.note) == (HOSTILE, "a\nb c")
    here.site.refresher.now()
    page = Page(client.get(f"/pages/{AIRFRAME}.html", base_url=HOST).text)
    assert page.problems == [] and page.tags["script"] == page.tags["img"] == 0
    assert make_site(here.fleet, here.clock).book.all() == here.site.book.all()
