"""Files removed by the retention settings: intended, then done or dropped, each a row of the audit chain."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from trimkeep.config.errors import RecordingRemoved, StoreBusy, StoreDamaged
from trimkeep.detectors.model import Recording
from trimkeep.service.store.audit import append_record
from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.recordings import read_recording
from trimkeep.service.store.values import Row, aware, first_row, from_store

What = Literal["recording", "digest", "page"]
LOCK_NAME = ".removing.lock"
LOOK_AGAIN_S = 0.1


@dataclass(frozen=True, slots=True)
class FileToRemove:
    """One file that is about to go. `name` is relative to the state folder, or to that of the pages.

    For a recording, `log_sha256` and `log_path` are its log's; empty for pages.
    """

    what: What
    name: str
    sha256: str
    size_bytes: int
    setting: str
    airframe: str = ""
    log_sha256: str = ""
    log_path: str = ""


@dataclass(frozen=True, slots=True)
class Removal:
    """One removal as the chain has it. `ended_as`: `removal_done`, `removal_dropped`, or None in between."""

    seq: int
    at: datetime
    file: FileToRemove
    who: str
    ended_as: str | None
    ended_at: datetime | None

    @property
    def is_done(self) -> bool:
        """Whether the file went."""
        return self.ended_as == "removal_done"


@contextmanager
def removal_lock(store: Store, *, shared: bool) -> Iterator[None]:
    """Keep removing apart from whoever needs files to stay: a backup, a restore, the making of one anew.

    Raises
    ------
    StoreBusy
        The other side did not end within the store's patience.
    """
    # Removing the lock's own file would let two hold it; it stays.
    handle = os.open(store.state / LOCK_NAME, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    deadline = time.monotonic() + store.patience_s
    try:
        while True:
            try:
                fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() >= deadline:
                    raise StoreBusy(
                        "is being backed up, restored or cleared of what is due",
                        subject=str(store.state),
                        next_step="Try again when that has ended",
                    ) from None
                time.sleep(LOOK_AGAIN_S)
        yield
    finally:
        os.close(handle)


_TAKE = "UPDATE log_file SET lease = ? WHERE sha256 = ? AND lease IS NULL AND outcome IS NOT NULL"
_FREE = "UPDATE log_file SET lease = NULL WHERE sha256 = ? AND lease = ?"


def intend(
    store: Store, files: Iterable[FileToRemove], who: str, lease: str
) -> tuple[tuple[int, FileToRemove], ...]:
    """Record that files are about to go, before they do; the rows with their files.

    The logs of recordings are taken meanwhile, so that nobody reads one anew while its recording goes. One
    that is being read is left out.
    """
    taken = []
    with unit_of_work(store) as connection:
        for file in files:
            if file.log_sha256:
                got = first_row(connection, _TAKE, [lease, file.log_sha256])
                if not got or not got[0]:
                    continue
            body = {
                "what": file.what,
                "name": file.name,
                "sha256": file.sha256,
                "bytes": file.size_bytes,
                "log": file.log_sha256,
                "log_path": file.log_path,
                "setting": file.setting,
                "who": who,
            }
            taken.append((append_record(connection, "removal_intended", file.airframe, body), file))
    return tuple(taken)


def finish(
    store: Store,
    gone: Sequence[tuple[int, FileToRemove]],
    dropped: Sequence[tuple[int, FileToRemove]],
    lease: str,
) -> None:
    """Record what became of intended removals, and give their logs free."""
    with unit_of_work(store) as connection:
        for kind, ended in (("removal_done", gone), ("removal_dropped", dropped)):
            for seq, file in ended:
                append_record(connection, kind, file.airframe, {"removal": seq})
                if file.log_sha256:
                    connection.execute(_FREE, [file.log_sha256, lease])


_OPEN_LEASES = """
SELECT DISTINCT log.sha256, log.lease
FROM file_removal JOIN log_file log ON log.sha256 = file_removal.log_sha256
WHERE ended_as IS NULL AND log.lease IS NOT NULL
"""


def settle(store: Store, exists: Callable[[FileToRemove], bool], is_alive: Callable[[str], bool]) -> int:
    """End what a crash left open: what is gone is recorded as gone, what is there as left there.

    Returns
    -------
    int
        How many were open. Nothing is removed here: since then a finding may have come to cite the file.
    """
    open_ones = [one for one in load_removals(store) if one.ended_as is None]
    if not open_ones:
        return 0
    with unit_of_work(store) as connection:
        for sha256, lease in connection.execute(_OPEN_LEASES).fetchall():
            if not is_alive(lease):
                connection.execute(_FREE, [sha256, lease])
        for one in open_ones:
            kind = "removal_dropped" if exists(one.file) else "removal_done"
            append_record(connection, kind, one.file.airframe, {"removal": one.seq})
    return len(open_ones)


_COLUMNS = """seq, recorded_at, what, name, sha256, bytes, setting, airframe, log_sha256, log_path, who,
    ended_as, ended_at"""
_ALL = f"SELECT {_COLUMNS} FROM file_removal ORDER BY seq"


def load_removals(store: Store) -> tuple[Removal, ...]:
    """Every removal that was ever begun, in order."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_ALL).fetchall()
    return tuple(_removal(row) for row in rows)


def _removal(row: Row) -> Removal:
    seq, at, *file, who, ended_as, ended_at = row
    return Removal(seq, aware(at), FileToRemove(*file), who, ended_as, from_store(ended_at))


# The newest that the chain says of a log's recording: read (again), made again, or gone. What a crash left
# open counts as gone: the question is only asked when the file is not there.
_REMOVED = f"""
SELECT {_COLUMNS} FROM file_removal removal
WHERE what = 'recording' AND ended_as IS DISTINCT FROM 'removal_dropped' AND (? OR log_sha256 = ?)
AND seq > coalesce((
    SELECT max(seq) FROM audit_record
    WHERE kind IN ('log_stored', 'recording_made_again')
        AND json_extract_string(body, '$.sha256') = removal.log_sha256
), 0)
ORDER BY seq
"""


def load_removed_recordings(store: Store) -> dict[str, Removal]:
    """Recordings that the retention setting took away and nobody made again, by their log."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_REMOVED, [True, ""]).fetchall()
    return {one.file.log_sha256: one for one in map(_removal, rows)}


def removed_recording(store: Store, sha256: str) -> Removal | None:
    """How a log's recording went; None when the retention setting did not take it."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _REMOVED, [False, sha256])
    return None if row is None else _removal(row)


def note_made_again(
    store: Store, sha256: str, path: str, airframe: str, file_sha256: str, size_bytes: int
) -> None:
    """Record that a recording was made again from its log."""
    body = {"sha256": sha256, "path": path, "file_sha256": file_sha256, "bytes": size_bytes}
    with unit_of_work(store) as connection:
        append_record(connection, "recording_made_again", airframe, body)


def removed_error(removal: Removal, but: str = "") -> RecordingRemoved:
    """The sentence that says where a recording went and how to have it again.

    `but` says why it could not be made again just now.
    """
    day, log = removal.at.date().isoformat(), removal.file.log_path
    where = f"Put {log} back where it was, as it was" if but else f"The log itself is {log}"
    return RecordingRemoved(
        f"its decoded recording was removed on {day} by the setting {removal.file.setting}{but}",
        subject=log,
        next_step=f"{where}; read it again with: trimkeep retention FLEET --bring-back {log}",
    )


def read_stored(store: Store, sha256: str, names: Iterable[str] | None = None) -> Recording:
    """A log's decoded recording.

    Raises
    ------
    RecordingRemoved
        The retention setting took it away.
    StoreDamaged
        It is missing without that, or is not what was written.
    """
    path = store.recording_path(sha256)
    try:
        return read_recording(path, names)
    except StoreDamaged as error:
        removal = None if path.exists() else removed_recording(store, sha256)
        if removal is None:
            raise
        raise removed_error(removal) from error
