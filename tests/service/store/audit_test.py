"""The chain shows every change of every field, every row that went, and its own rewriting."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from trimkeep.service.store.audit import (
    NO_ROW,
    AuditRecord,
    append_record,
    chain_head,
    load_records,
    row_hash,
    verify_chain,
    verify_records,
)
from trimkeep.service.store.connection import open_store, unit_of_work

START = datetime(2026, 3, 14, 10, 0, 0, 1)


def chain(bodies: list[str]) -> tuple[AuditRecord, ...]:
    records: list[AuditRecord] = []
    previous = NO_ROW
    for seq, body in enumerate(bodies, start=1):
        at = START + timedelta(seconds=seq)
        sha256 = row_hash(seq, at, "log_stored", "heron-01", body, previous)
        records.append(
            AuditRecord(seq, at.replace(tzinfo=UTC), "log_stored", "heron-01", body, previous, sha256)
        )
        previous = sha256
    return tuple(records)


bodies = st.lists(st.text(max_size=8), min_size=2, max_size=8)


@given(bodies)
def test_an_untouched_chain_holds(texts: list[str]) -> None:
    records = chain(texts)
    assert verify_records(records, tuple(record.sha256 for record in records)) == ()


@given(
    bodies,
    st.integers(0, 7),
    st.sampled_from(["seq", "recorded_at", "kind", "airframe", "body", "previous_sha256", "sha256"]),
    st.text(min_size=1, max_size=8),
)
def test_any_change_of_any_field_is_found(texts: list[str], place: int, field: str, new: str) -> None:
    records = list(chain(texts))
    row = records[place % len(records)]
    if field == "seq":
        changed = replace(row, seq=row.seq + len(new))
    elif field == "recorded_at":
        changed = replace(row, recorded_at=row.recorded_at + timedelta(microseconds=len(new)))
    else:
        changed = replace(row, **{field: getattr(row, field) + new})
    records[row.seq - 1] = changed
    assert verify_records(tuple(records)) != ()


@given(bodies, st.integers(0, 7))
def test_a_row_that_went_is_found_given_an_earlier_head(texts: list[str], place: int) -> None:
    records = chain(texts)
    gone = place % len(records)
    left = records[:gone] + records[gone + 1 :]
    assert verify_records(left, (records[-1].sha256,)) != ()


@given(bodies, st.integers(0, 7))
def test_rows_in_another_order_are_found(texts: list[str], place: int) -> None:
    records = list(chain(texts))
    first = place % (len(records) - 1)
    records[first], records[first + 1] = records[first + 1], records[first]
    assert verify_records(tuple(records)) != ()


@given(bodies, st.text(max_size=8))
def test_a_chain_rewritten_as_a_whole_is_found_by_an_earlier_head(texts: list[str], new: str) -> None:
    head = chain(texts)[-1].sha256
    rewritten = chain([*texts[:-1], texts[-1] + "!" + new])
    assert verify_records(rewritten) == ()
    assert [fault.code for fault in verify_records(rewritten, (head,))] == ["head_unknown"]


def test_text_moved_from_one_column_to_the_next_is_another_row() -> None:
    assert row_hash(1, START, "ab", "c", "", NO_ROW) != row_hash(1, START, "a", "bc", "", NO_ROW)


def test_the_stored_chain(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    assert chain_head(store) == NO_ROW
    for k in range(3):
        with unit_of_work(store) as connection:
            append_record(connection, "log_stored", "heron-01", {"k": k, "text": "ü\n"})
    records = load_records(store)
    assert [record.seq for record in records] == [1, 2, 3]
    assert records[1].content == {"k": 1, "text": "ü\n"}
    assert chain_head(store) == records[-1].sha256
    assert verify_chain(store, (records[0].sha256,)) == ()
    with unit_of_work(store) as connection:
        connection.execute("UPDATE audit_record SET airframe = 'heron-02' WHERE seq = 2")
    assert [(fault.code, fault.seq) for fault in verify_chain(store)] == [("row_changed", 2)]
