"""Contradictions in the store: rows that point nowhere, recordings without rows, a broken audit chain."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from trimkeep.config.errors import StoreDamaged
from trimkeep.service.store.audit import verify_chain
from trimkeep.service.store.checks import (
    contradicted_answers,
    contradicted_logs,
    orphan_rows,
    stored_recordings,
)
from trimkeep.service.store.connection import Store
from trimkeep.service.store.digests import load_digests
from trimkeep.service.store.recordings import read_recording
from trimkeep.service.store.removals import load_removed_recordings


@dataclass(frozen=True, slots=True)
class Contradiction:
    """One thing that should not be.

    Codes: `orphan_rows` (table and count), `recording_missing`, `recording_damaged`,
    `recording_unknown`, `log_not_in_record`, `log_contradicts_record` and `answer_not_in_record`, and those
    of `store.audit.ChainFault`.
    """

    code: str
    subject: str
    detail: str = ""


def check_store(store: Store, *, read_all: bool = False) -> tuple[Contradiction, ...]:
    """Everything that contradicts itself.

    Parameters
    ----------
    store : Store
    read_all : bool
        Read every recording to its end as well, which takes minutes on a large store.
    """
    return (
        *_rows(store),
        *_recordings(store, read_all),
        *_chain(store),
    )


def _rows(store: Store) -> Iterator[Contradiction]:
    for table, count in orphan_rows(store).items():
        if count:
            yield Contradiction("orphan_rows", table, f"{count} rows belong to no log")


def _recordings(store: Store, read_all: bool) -> Iterator[Contradiction]:
    expected, removed = stored_recordings(store), load_removed_recordings(store)
    for sha256 in sorted(expected):
        path = store.recording_path(sha256)
        if not path.exists():
            # What the retention setting took away is in the record; anything else that is gone is a loss.
            if sha256 not in removed:
                yield Contradiction("recording_missing", sha256, f"{path.name} is gone")
            continue
        try:
            # Without channels only the head is read, which is enough for a file that was cut off.
            read_recording(path, None if read_all else ())
        except StoreDamaged as error:
            yield Contradiction("recording_damaged", sha256, str(error))
    for path in sorted(store.recordings.glob("*.parquet")):
        if path.stem not in expected:
            yield Contradiction("recording_unknown", path.stem, "no row speaks of it")


def _chain(store: Store) -> Iterator[Contradiction]:
    heads = tuple(digest.chain_head for digest in load_digests(store))
    for fault in verify_chain(store, heads):
        yield Contradiction(fault.code, f"audit row {fault.seq}", fault.detail)
    for log in contradicted_logs(store):
        code = "log_not_in_record" if log.unknown else "log_contradicts_record"
        yield Contradiction(code, log.path, f"content {log.sha256}")
    for seq, finding in contradicted_answers(store):
        yield Contradiction("answer_not_in_record", finding, f"row {seq} of its history")
