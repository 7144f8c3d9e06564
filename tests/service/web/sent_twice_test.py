"""A form that is sent twice is recorded once."""

from __future__ import annotations

import re
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from tests.service.web.served import (
    AIRFRAME,
    ENGINEER_TOKEN,
    FINDING,
    HOST,
    WORK,
    Served,
    bearer,
    send,
    served,
    token_in,
)
from trimkeep.service.store.audit import load_records, verify_chain
from trimkeep.service.store.connection import unit_of_work
from trimkeep.service.store.journal import load_journal
from trimkeep.service.web.app import make_app


@pytest.fixture
def here(tmp_path: Path) -> Served:
    return served(tmp_path)


def filled_in(client: FlaskClient, address: str, **form: str) -> dict[str, str]:
    """The form as a browser would send it, with its hidden fields."""
    page = client.get(address, base_url=HOST)
    once = re.search(r'name="once" value="([\w-]+)"', page.text)
    assert once, "the form has no number of its own"
    return {"token": token_in(page), "once": once.group(1), **form}


def recorded(here: Served) -> list[str]:
    return [row.after for row in load_journal(here.store)]


def test_a_double_click_records_work_once(here: Served) -> None:
    client = here.logged_in("Ann")
    form = filled_in(client, f"/record/{AIRFRAME}", **WORK, after="serial 93")
    answers = [client.post(f"/record/{AIRFRAME}", base_url=HOST, data=form) for _ in range(3)]
    assert [one.status_code for one in answers] == [303, 303, 303]
    assert recorded(here) == ["serial 93"]
    # What the page says afterwards is what it said the first time.
    row = load_journal(here.store)[0].seq
    assert f"row {row}" in client.get(f"/pages/{AIRFRAME}.html", base_url=HOST).text
    assert len({one.headers["Location"] for one in answers}) == 1


def test_the_same_work_on_a_form_of_its_own_is_recorded_again(here: Served) -> None:
    client = here.logged_in("Ann")
    for _ in range(2):
        form = filled_in(client, f"/record/{AIRFRAME}", **WORK, after="serial 93")
        assert client.post(f"/record/{AIRFRAME}", base_url=HOST, data=form).status_code == 303
    assert recorded(here) == ["serial 93", "serial 93"]


def test_a_form_gone_back_to_and_filled_in_otherwise_is_another(here: Served) -> None:
    client = here.logged_in("Ann")
    form = filled_in(client, f"/record/{AIRFRAME}", **WORK, after="serial 93")
    for after in ("serial 93", "serial 94"):
        sent = {**form, "after": after}
        assert client.post(f"/record/{AIRFRAME}", base_url=HOST, data=sent).status_code == 303
    assert recorded(here) == ["serial 93", "serial 94"]


def test_a_double_click_on_a_correction_is_not_told_that_it_was_corrected(here: Served) -> None:
    client = here.logged_in("Ann")
    send(client, f"/record/{AIRFRAME}", **WORK, after="serial 92")
    row = load_journal(here.store)[0].seq
    form = filled_in(client, f"/record/{AIRFRAME}", **WORK, after="serial 93", replaces=str(row))
    answers = [client.post(f"/record/{AIRFRAME}", base_url=HOST, data=form) for _ in range(2)]
    assert [one.status_code for one in answers] == [303, 303]
    assert [row.standing for row in load_journal(here.store)] == ["superseded", "current"]


def test_an_answer_sent_twice_stands_once_in_the_chain(here: Served) -> None:
    client = here.logged_in("Ann")
    form = filled_in(client, f"/answer/{FINDING}", status="acknowledged", reason="servo ordered")
    for _ in range(2):
        assert client.post(f"/answer/{FINDING}", base_url=HOST, data=form).status_code == 303
    answers = [one for one in load_records(here.store) if one.kind == "finding_answered"]
    assert len(answers) == 1
    assert verify_chain(here.store) == ()


@pytest.mark.parametrize("address", [f"/record/{AIRFRAME}", f"/answer/{FINDING}"])
def test_two_posts_at_once_record_once(here: Served, address: str) -> None:
    client = here.logged_in("Ann")
    filled = WORK if "record" in address else {"status": "acknowledged", "reason": "servo ordered"}
    form = filled_in(client, address, **filled)
    cookie = client.get_cookie("trimkeep", domain="127.0.0.1")
    assert cookie is not None
    before = len(load_records(here.store))
    app, start = make_app(here.site), threading.Barrier(4)

    def post(_: int) -> tuple[int, str]:
        browser = app.test_client()
        browser.set_cookie("trimkeep", cookie.value, domain="127.0.0.1")
        start.wait()
        answer = browser.post(address, base_url=HOST, data=form)
        return answer.status_code, answer.headers["Location"]

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(post, range(4)))
    assert {status for status, _ in answers} == {303}
    assert len(set(answers)) == 1
    assert len(load_records(here.store)) == before + 1
    assert verify_chain(here.store) == ()


def test_a_write_that_fails_leaves_no_trace_of_the_form(
    here: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    import trimkeep.service.store.findings as findings

    client = here.logged_in("Ann")
    form = filled_in(client, f"/answer/{FINDING}", status="acknowledged", reason="servo ordered")
    with monkeypatch.context() as broken:
        broken.setattr(findings, "append_record", _fails)
        assert client.post(f"/answer/{FINDING}", base_url=HOST, data=form).status_code == 500
    assert client.post(f"/answer/{FINDING}", base_url=HOST, data=form).status_code == 303
    assert [one.kind for one in load_records(here.store)].count("finding_answered") == 1


def _fails(*_: object) -> int:
    raise ZeroDivisionError


def test_a_program_may_name_its_request_and_is_answered_as_the_first_time(here: Served) -> None:
    client, head = here.client(), bearer(ENGINEER_TOKEN)
    sent = {**WORK, "once": "job-4711"}
    answers = [client.post(f"/record/{AIRFRAME}", base_url=HOST, headers=head, data=sent) for _ in range(2)]
    assert [one.status_code for one in answers] == [201, 201]
    assert answers[0].text == answers[1].text
    assert len(recorded(here)) == 1
    # Another account's request of that name is its own.
    assert here.logged_in("Ann").post(f"/record/{AIRFRAME}", base_url=HOST, data=sent).status_code == 403


def test_what_was_sent_is_forgotten_after_a_week(here: Served) -> None:
    for day in range(2):
        client = here.logged_in("Ann")
        form = filled_in(client, f"/record/{AIRFRAME}", **WORK, after=f"serial {day}")
        client.post(f"/record/{AIRFRAME}", base_url=HOST, data=form)
        here.clock.forward(days=8)
    with unit_of_work(here.store) as connection:
        rows = connection.execute("SELECT count(*) FROM form_sent").fetchall()
    assert rows[0][0] == 1
