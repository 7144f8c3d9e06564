"""An airframe's record as files for an auditor, and such files back into an empty store.

A bundle is a folder: `record.json` (everything of the airframe and the period), `journal.csv`,
`flights.csv`, `logs.csv` (the same as tables), `chain.jsonl` (the whole chain, one row a line, from which
the head can be worked out again), `record.html` (to print and sign) and `SHA256SUMS`.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from trimkeep.config.errors import ReportError, StoreDamaged, UsageError
from trimkeep.service.airframe_record import AirframeRecord, RecordEntry
from trimkeep.service.journal_table import EXTRA_FIELDS, FIELDS
from trimkeep.service.store.audit import AuditRecord, restore_records, verify_records
from trimkeep.service.store.connection import Store
from trimkeep.service.store.values import canonical_json

SCHEMA = 1
RECORD, JOURNAL, FLIGHTS, LOGS, CHAIN = "record.json", "journal.csv", "flights.csv", "logs.csv", "chain.jsonl"
PAGE = "record.html"
SUMS = "SHA256SUMS"
ROW_FIELDS = ("seq", "recorded_at", "kind", "airframe", "body", "previous_sha256", "sha256")


def bundle_files(record: AirframeRecord, fleet_name: str, time_zone: str, now: datetime) -> dict[str, str]:
    """The text of every file of a bundle but the page and the sums, by name."""
    return {
        RECORD: json.dumps(_record(record, fleet_name, time_zone, now), indent=1, ensure_ascii=False) + "\n",
        JOURNAL: _table([_entry(entry) for entry in record.entries], JOURNAL_COLUMNS),
        FLIGHTS: _table(_flights(record), FLIGHT_COLUMNS),
        LOGS: _table(_logs(record), LOG_COLUMNS),
        CHAIN: "".join(f"{_chain_line(row)}\n" for row in record.chain),
    }


def write_bundle(files: Mapping[str, str], folder: Path) -> None:
    """Write a bundle whole or not at all.

    Raises
    ------
    UsageError
        The folder is there already and holds something.
    ReportError
        It cannot be written.
    """
    part = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    try:
        if folder.exists() and any(folder.iterdir()):
            raise UsageError(
                "is not empty", subject=str(folder), next_step="Give a new folder: an export never overwrites"
            )
        part.mkdir(parents=True)
        sums = []
        for name, text in files.items():
            data = text.encode("utf-8")
            _write(part / name, data)
            sums.append(f"{hashlib.sha256(data).hexdigest()}  {name}\n")
        _write(part / SUMS, "".join(sums).encode())
        if folder.exists():
            folder.rmdir()
        part.rename(folder)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise ReportError(
            f"cannot be written ({error.strerror})",
            subject=str(folder),
            next_step="Give --output in a folder that this user may write, on a disk with room",
        ) from error


def _write(path: Path, data: bytes) -> None:
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def import_bundle(store: Store, folder: Path, heads: Sequence[str] = ()) -> tuple[AuditRecord, ...]:
    """Put the record of a bundle into a store that has none.

    Parameters
    ----------
    store : Store
    folder : Path
    heads : sequence of str
        Heads from elsewhere that must be in it.

    Raises
    ------
    StoreDamaged
        A file is missing or not what the sums say, or the chain does not hold.
    StoreError
        The store has a record already.
    """
    records = read_bundle(folder, heads)
    restore_records(store, records)
    return records


def read_bundle(folder: Path, heads: Sequence[str] = ()) -> tuple[AuditRecord, ...]:
    """The chain of a bundle, verified. Errors as `import_bundle`."""
    sums = [line.split("  ", 1) for line in _text(folder, SUMS).splitlines()]
    named = {name: sha256 for sha256, name in (pair for pair in sums if len(pair) == 2)}
    for needed in (RECORD, CHAIN):
        if needed not in named:
            raise _damaged(folder, SUMS, f"does not name {needed}")
    for name, sha256 in named.items():
        if Path(name).name != name:
            raise _damaged(folder, SUMS, f"names {name}, which lies elsewhere")
        if hashlib.sha256(_data(folder, name)).hexdigest() != sha256:
            raise _damaged(folder, name, f"is not the file that {SUMS} was made from")
    try:
        records = tuple(_row(line) for line in _text(folder, CHAIN).splitlines())
        extract = json.loads(_text(folder, RECORD))
        head = str(extract["head"])
        strays = _strays(extract, records)
    except (ValueError, KeyError, TypeError) as error:
        raise _damaged(folder, CHAIN, f"cannot be understood ({error})") from error
    faults = verify_records(records, (head, *heads))
    if faults:
        first = faults[0]
        raise _damaged(folder, CHAIN, f"was altered: row {first.seq}: {first.code} {first.detail}".rstrip())
    if strays:
        what = f"says something else than {CHAIN} of row {strays[0]}"
        raise _damaged(folder, RECORD, what)
    return records


def _strays(extract: Mapping[str, Any], records: Sequence[AuditRecord]) -> list[int]:
    """Rows of which the extract for people does not say what the chain says."""
    rows = {record.seq: record for record in records}
    strays = [int(entry["row"]) for entry in extract["journal"] if not _same_work(entry, rows)]
    return strays + [int(entry["row"]) for entry in extract["logs"] if not _same_log(entry, rows)]


def _same_work(entry: Mapping[str, Any], rows: Mapping[int, AuditRecord]) -> bool:
    row = rows.get(entry["row"])
    if row is None or entry["sha256"] != row.sha256:
        return False
    return all(entry[name] == row.content[name] for name in FIELDS)


def _same_log(entry: Mapping[str, Any], rows: Mapping[int, AuditRecord]) -> bool:
    row = rows.get(entry["row"])
    if row is None:
        return False
    said = row.content
    return (entry["sha256"], entry["outcome"], entry["log"]) == (
        said["sha256"],
        said["outcome"],
        said["path"],
    )


def _damaged(folder: Path, name: str, what: str) -> StoreDamaged:
    return StoreDamaged(
        what, subject=str(folder / name), next_step="Ask whoever made the export for it again"
    )


def _data(folder: Path, name: str) -> bytes:
    try:
        return (folder / name).read_bytes()
    except OSError as error:
        raise _damaged(folder, name, f"cannot be read ({error.strerror})") from error


def _text(folder: Path, name: str) -> str:
    return _data(folder, name).decode("utf-8", errors="replace")


def _chain_line(row: AuditRecord) -> str:
    values: dict[str, Any] = {name: getattr(row, name) for name in ROW_FIELDS}
    values["recorded_at"] = row.recorded_at.isoformat(timespec="microseconds")
    return canonical_json(values)


def _row(line: str) -> AuditRecord:
    values = json.loads(line)
    if set(values) != set(ROW_FIELDS):
        raise ValueError("a line has other fields")
    recorded_at = datetime.fromisoformat(values["recorded_at"])
    if recorded_at.tzinfo is None or not isinstance(values["seq"], int):
        raise ValueError("a row's place or time")
    if any(not isinstance(values[name], str) for name in ROW_FIELDS[1:]):
        raise ValueError("a row's text")
    return AuditRecord(**(values | {"recorded_at": recorded_at}))


JOURNAL_COLUMNS = (
    "row",
    "done_at",
    "kind",
    "part",
    "before",
    "after",
    "done_by",
    "note",
    *EXTRA_FIELDS,
    "further",
    "standing",
    "missing",
    "source",
    "recorded_at",
    "sha256",
)
FLIGHT_COLUMNS = ("flight", "begun_at", "minutes", "firmware", "board", "time_rests_on", "log", "log_sha256")
LOG_COLUMNS = ("row", "log", "sha256", "outcome", "recorded_at")


def _table(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> str:
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, columns)
    writer.writeheader()
    writer.writerows(rows)
    # Spreadsheets take a file for the old code page unless it begins with this mark.
    return "\ufeff" + stream.getvalue()


def _entry(entry: RecordEntry) -> dict[str, Any]:
    row = entry.row
    further = {name: text for name, text in sorted(row.extra.items()) if name not in EXTRA_FIELDS}
    return {
        "row": row.seq,
        "done_at": row.done_at,
        "kind": row.kind,
        "part": row.part,
        "before": row.before,
        "after": row.after,
        "done_by": row.done_by,
        "note": row.note,
        **{name: row.extra.get(name, "") for name in EXTRA_FIELDS},
        "further": canonical_json(further) if further else "",
        "standing": row.standing,
        "missing": " ".join(lack.field for lack in entry.missing),
        "source": row.source,
        "recorded_at": row.recorded_at.isoformat(timespec="microseconds"),
        "sha256": entry.sha256,
    }


def _flights(record: AirframeRecord) -> list[dict[str, Any]]:
    return [
        {
            "flight": flight.id,
            "begun_at": flight.at.isoformat(timespec="seconds"),
            "minutes": round(flight.main.seconds / 60.0, 2),
            "firmware": flight.firmware or "",
            "board": flight.board or "",
            "time_rests_on": str(flight.main.clock),
            "log": flight.main.path,
            "log_sha256": flight.main.log_sha256,
        }
        for flight in record.flights
    ]


def _logs(record: AirframeRecord) -> list[dict[str, Any]]:
    return [
        {
            "row": log.seq,
            "log": log.path,
            "sha256": log.sha256,
            "outcome": log.outcome,
            "recorded_at": log.recorded_at.isoformat(timespec="microseconds"),
        }
        for log in record.logs
    ]


def _record(record: AirframeRecord, fleet_name: str, time_zone: str, now: datetime) -> dict[str, Any]:
    configuration = record.configuration
    return {
        "schema": SCHEMA,
        "fleet": fleet_name,
        "time_zone": time_zone,
        "airframe": record.airframe,
        "from": record.start.isoformat(),
        "to": record.end.isoformat(),
        "made_at": now.isoformat(),
        "head": record.head,
        "rows": len(record.chain),
        "totals": {"flights": configuration.flights, "hours": round(configuration.hours, 4)},
        "journal": [_entry(entry) for entry in record.entries],
        "flights": _flights(record),
        "logs": _logs(record),
        "answers": [
            {
                "row": answer.seq,
                "at": answer.at.isoformat(),
                "finding": answer.finding,
                "status": answer.status,
                "who": answer.who,
                "note": answer.note,
            }
            for answer in record.answers
        ],
        "removed": [
            {
                "row": removal.seq,
                "at": removal.at.isoformat(),
                "what": removal.file.what,
                "log": removal.file.log_path,
                "log_sha256": removal.file.log_sha256,
                "sha256": removal.file.sha256,
                "bytes": removal.file.size_bytes,
                "setting": removal.file.setting,
                "who": removal.who,
            }
            for removal in record.removals
        ],
        "gaps": [
            {
                "kind": str(gap.kind),
                "at": gap.at.isoformat(),
                "work": gap.work,
                "part": gap.part,
                "before": gap.before,
                "after": gap.after,
                "ratio": gap.ratio,
                "row": gap.row,
                "flight": gap.flight,
            }
            for gap in record.gaps
        ],
        "configuration": [
            {
                "kind": item.kind,
                "part": item.part,
                "is": item.value,
                "since": item.since.isoformat() if item.since else None,
                "by": item.by,
            }
            for item in configuration.items
        ],
    }
