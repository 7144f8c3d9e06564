"""Whatever is done to the record behind the program's back, `audit verify` finds it given an earlier head.

The store itself is altered with SQL, as somebody with the file and some skill would do it.
"""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.service.small_logs import fleet_in, ingest, log_text, put
from tests.service.store.findings_test import DAY, FINDING
from trimkeep.config.settings import FleetSettings
from trimkeep.service.answers import Answer, give_answer
from trimkeep.service.cli.main import run
from trimkeep.service.integrity import check_store
from trimkeep.service.journal import import_journal
from trimkeep.service.store.audit import (
    NO_ROW,
    AuditRecord,
    chain_head,
    load_records,
    row_hash,
    verify_chain,
    verify_records,
)
from trimkeep.service.store.connection import open_store, unit_of_work
from trimkeep.service.store.findings import save_findings
from trimkeep.service.store.removals import FileToRemove, finish, intend, note_made_again
from trimkeep.service.store.values import canonical_json
from trimkeep.service.web.accounts import Role, add_account, change_credential, remove_account

WRITTEN = datetime(2026, 3, 14, 10, 0, 0, 1, tzinfo=UTC)
JOURNAL = "done_at,kind,part,before,after,done_by,note,approved_by\n"
FIELDS = ("seq", "recorded_at", "kind", "airframe", "body", "previous_sha256", "sha256")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> FleetSettings:
    """A store with a row of every kind: logs, entries, answers, accounts, files that were removed."""
    made = fleet_in(tmp_path_factory.mktemp("tampering"))
    folder = made.folder / "heron-01"
    put(made, "heron-01/a.csv", log_text([(0, 60, 1.0)]))
    lines = [f"2026-03-{day:02d},servo,servo {day},,new,Ann,,Ben\n" for day in range(1, 5)]
    (folder / "journal.csv").write_text(JOURNAL + "".join(lines))
    ingest(made)
    lines[1] = lines[1].replace("Ann", "Anne")
    (folder / "journal.csv").write_text(JOURNAL + "".join(lines[:3]))
    store = open_store(made.state)
    import_journal(store, made, folder, "heron-01")
    save_findings(store, (FINDING,), DAY)
    give_answer(store, made, FINDING.id, Answer("acknowledged", "Ann", "servo ordered"), DAY)
    add_account(store, "Ann", Role.ENGINEER, "scrypt$", by="root", now=DAY)
    change_credential(store, "Ann", "scrypt$2", by="root", now=DAY)
    remove_account(store, "Ann", by="root")
    file = FileToRemove("page", "pages/a.html", "0" * 64, 10, "retention.pages_days = 1")
    ended = intend(store, [file, file], "Ann", "lease")
    finish(store, ended[:1], ended[1:], "lease")
    note_made_again(store, "0" * 64, "heron-01/a.csv", "heron-01", "1" * 64, 10)
    return made


@pytest.fixture(scope="module")
def record(fleet: FleetSettings) -> tuple[AuditRecord, ...]:
    return load_records(open_store(fleet.state))


def body_fields(record: AuditRecord) -> list[tuple[str, ...]]:
    """Every field of a logical record: of a journal row, a stored log, an answer."""
    fields: list[tuple[str, ...]] = []
    for name, value in record.content.items():
        fields += [(name, inner) for inner in value] if isinstance(value, dict) else [(name,)]
    return fields


def changed_body(record: AuditRecord, field: tuple[str, ...]) -> str:
    content = record.content
    holder: dict[str, Any] = content if len(field) == 1 else content[field[0]]
    value = holder[field[-1]]
    holder[field[-1]] = value + 1 if isinstance(value, int) else f"{value}x"
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def found(head: str, records: list[AuditRecord]) -> bool:
    return verify_records(tuple(records), (head,)) != ()


def test_untouched_it_holds(fleet: FleetSettings) -> None:
    store = open_store(fleet.state)
    assert verify_chain(store, (chain_head(store), chain_head(store)[:16])) == ()
    kinds = {record.kind for record in load_records(store)}
    assert kinds == {
        *("journal_added", "journal_amended", "journal_withdrawn", "log_stored", "finding_answered"),
        *("account_added", "account_credential_changed", "account_removed"),
        *("removal_intended", "removal_done", "removal_dropped", "recording_made_again"),
    }


def test_every_field_of_every_row_is_guarded(record: tuple[AuditRecord, ...]) -> None:
    head, records = record[-1].sha256, record
    for place, row in enumerate(records):
        changed = [
            _with(row, kind=row.kind + "x"),
            _with(row, airframe=row.airframe + "x"),
            _with(row, sha256=row.sha256[::-1]),
            _with(row, previous_sha256=row.previous_sha256[:-1] + "x"),
            _with(row, seq=row.seq + len(records)),
            _with(row, recorded_at=row.recorded_at.replace(year=2001)),
            *(_with(row, body=changed_body(row, field)) for field in body_fields(row)),
        ]
        for one in changed:
            altered = [*records[:place], one, *records[place + 1 :]]
            assert found(head, altered), f"row {row.seq}: {one}"


@pytest.mark.parametrize(
    "deed",
    [
        "UPDATE audit_record SET body = replace(body, 'Ann', 'Bob') WHERE seq = 2",
        "UPDATE audit_record SET recorded_at = recorded_at + INTERVAL 1 MICROSECOND WHERE seq = 2",
        "DELETE FROM audit_record WHERE seq = 2",
        "DELETE FROM audit_record WHERE seq >= 6",
    ],
)
def test_deeds_done_to_the_store_itself_are_found(fleet: FleetSettings, tmp_path: Path, deed: str) -> None:
    copy = tmp_path / "state"
    shutil.copytree(fleet.state, copy)
    store = open_store(copy)
    head = chain_head(store)
    with unit_of_work(store) as connection:
        assert connection.execute(deed).fetchall()[0][0] >= 1
    assert verify_chain(store, (head,)) != ()


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_forger_who_makes_the_chain_anew_is_found_by_an_earlier_head(
    record: tuple[AuditRecord, ...], data: st.DataObject
) -> None:
    """Rows changed, removed, swapped or cut off, then every hash after them worked out again."""
    head, records = record[-1].sha256, list(record)
    place = data.draw(st.integers(0, len(records) - 1))
    deed = data.draw(st.sampled_from(["change", "remove", "swap", "cut off", "put in"]))
    if deed == "change":
        field = data.draw(st.sampled_from(body_fields(records[place])))
        records[place] = _with(records[place], body=changed_body(records[place], field))
    elif deed == "remove":
        del records[place]
    elif deed == "swap":
        other = data.draw(st.integers(0, len(records) - 1).filter(lambda k: k != place))
        records[place], records[other] = records[other], records[place]
    elif deed == "cut off":
        del records[place:]
    else:
        # A copy after the last row would be a row added after the head, which only a later head can show.
        records.insert(min(place, len(records) - 2), records[0])
    assert found(head, _chained_anew(records))


def _with(record: AuditRecord, **values: Any) -> AuditRecord:
    return AuditRecord(**({name: getattr(record, name) for name in FIELDS} | values))


def _chained_anew(records: list[AuditRecord]) -> list[AuditRecord]:
    made: list[AuditRecord] = []
    previous = NO_ROW
    for seq, record in enumerate(records, start=1):
        at = record.recorded_at.replace(tzinfo=None)
        sha256 = row_hash(seq, at, record.kind, record.airframe, record.body, previous)
        made.append(_with(record, seq=seq, previous_sha256=previous, sha256=sha256))
        previous = sha256
    return made


@pytest.mark.parametrize(
    "deed",
    [
        "UPDATE log_file SET airframe = 'heron-02'",
        "UPDATE log_file SET outcome = 'rejected'",
        "UPDATE log_file SET sha256 = 'f' || substr(sha256, 2)",
    ],
)
def test_a_log_that_is_not_what_the_record_says_is_found(
    fleet: FleetSettings, deed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    store = open_store(fleet.state)
    assert run(["audit", "verify", str(fleet.folder)]) == 0
    columns = "sha256, airframe, outcome"
    with unit_of_work(store) as connection:
        [before] = connection.execute(f"SELECT {columns} FROM log_file").fetchall()
        connection.execute(deed)
    try:
        assert run(["audit", "verify", str(fleet.folder)]) == 6
        assert "heron-01/a.csv: the record says" in capsys.readouterr().out
        assert run(["check", str(fleet.folder)]) == 6
    finally:
        with unit_of_work(store) as connection:
            connection.execute("UPDATE log_file SET sha256 = ?, airframe = ?, outcome = ?", before)


@pytest.mark.parametrize("column", ["who", "note", "status", "finding_id"])
def test_an_answer_that_is_not_what_the_record_says_is_found(
    fleet: FleetSettings, column: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "state"
    shutil.copytree(fleet.state, copy)
    asked = ["audit", "verify", str(fleet.folder), "--state", str(copy)]
    assert run(asked) == 0
    with unit_of_work(open_store(copy)) as connection:
        connection.execute(f"UPDATE finding_event SET {column} = 'Bob' WHERE kind = 'answered'")
    assert run(asked) == 6
    assert "the record does not hold the answer in row 2 of its history" in capsys.readouterr().out
    assert [one.code for one in check_store(open_store(copy))] == ["answer_not_in_record"]


def test_an_answer_put_in_twice_is_found(fleet: FleetSettings, tmp_path: Path) -> None:
    copy = tmp_path / "state"
    shutil.copytree(fleet.state, copy)
    with unit_of_work(open_store(copy)) as connection:
        connection.execute(
            "INSERT INTO finding_event SELECT 99, * EXCLUDE (seq) FROM finding_event WHERE kind = 'answered'"
        )
    assert [one.code for one in check_store(open_store(copy))] == ["answer_not_in_record"]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_record_at_all_is_guarded(data: st.DataObject) -> None:
    """Rows of any kind and any content: what is done to them is found, given an earlier head."""
    texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=8)
    bodies = st.dictionaries(texts, st.one_of(texts, st.integers(), st.booleans(), st.none()), max_size=4)
    rows = data.draw(st.lists(st.tuples(texts, texts, bodies), min_size=3, max_size=8))
    honest = _chained_anew(
        [
            AuditRecord(0, WRITTEN, kind, airframe, canonical_json(body), NO_ROW, NO_ROW)
            for kind, airframe, body in rows
        ]
    )
    assert verify_records(tuple(honest), (honest[-1].sha256,)) == ()
    place = data.draw(st.integers(0, len(honest) - 1))
    deed = data.draw(st.sampled_from([*FIELDS, "remove", "cut off", "swap"]))
    altered = list(honest)
    if deed in ("kind", "airframe", "body"):
        altered[place] = _with(
            honest[place], **{deed: getattr(honest[place], deed) + data.draw(texts.filter(bool))}
        )
    elif deed == "seq":
        altered[place] = _with(honest[place], seq=honest[place].seq + data.draw(st.integers(1, 9)))
    elif deed == "recorded_at":
        moved = data.draw(st.integers(1, 10**9))
        altered[place] = _with(honest[place], recorded_at=WRITTEN + timedelta(microseconds=moved))
    elif deed in ("sha256", "previous_sha256"):
        altered[place] = _with(honest[place], **{deed: "f" * 64})
    elif deed == "remove":
        del altered[place]
    elif deed == "cut off":
        del altered[place:]
    else:
        other = data.draw(st.integers(0, len(honest) - 1).filter(lambda k: k != place))
        altered[place], altered[other] = altered[other], altered[place]
    head = honest[-1].sha256
    assert found(head, altered), "as it was done"
    # Working every hash out again hides nothing either, unless it undoes the deed itself.
    if _chained_anew(altered) != honest:
        assert found(head, _chained_anew(altered)), "with a chain made anew"


def test_a_head_as_a_digest_prints_it(fleet: FleetSettings, capsys: pytest.CaptureFixture[str]) -> None:
    head = chain_head(open_store(fleet.state))
    asked = ["audit", "verify", str(fleet.folder), "--head"]
    assert run([*asked, head[:16].upper()]) == 0
    assert run([*asked, "0123456789abcdef"]) == 6
    assert "head_unknown: 0123456789abcdef" in capsys.readouterr().out
    assert run([*asked, head[:15]]) == 2
    assert "is no head" in capsys.readouterr().err


def test_a_whole_head_is_compared_to_its_last_digit(fleet: FleetSettings) -> None:
    store = open_store(fleet.state)
    head = chain_head(store)
    other = head[:-1] + ("0" if head[-1] != "0" else "1")
    assert [fault.code for fault in verify_chain(store, (other,))] == ["head_unknown"]
