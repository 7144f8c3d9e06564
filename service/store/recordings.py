"""Decoded recordings as Parquet: written whole or not at all, read back exactly.

One file per log, one row: every time base and every channel is one list column, so that a plot reads
only the channels it shows. Numbers stay 64-bit floats, because a metric re-measured from here must be
the one measured from the log.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from trimkeep.config.errors import StoreDamaged
from trimkeep.detectors.model import Channel, ClockSource, FloatArray, Note, ParameterReading, Recording, Text

LAYOUT = 1
META_KEY = b"trimkeep.recording"
TIME_PREFIX = "time_base_"
# LZ4 without dictionaries and statistics: measured on an hour at 50 Hz (45 channels), 0.12 s and 53 MB,
# where zstd at its first level takes 0.19 s for 46 MB. Time counts more here than a seventh of the size.
WRITE_OPTIONS: dict[str, Any] = {
    "compression": "lz4",
    "use_dictionary": False,
    "write_statistics": False,
}


def write_recording(recording: Recording, target: Path) -> int:
    """Write a recording under a temporary name, flush it to the disk, give it its name.

    A crash leaves either the whole file or a `.part` file, which `sweep` removes.

    Returns
    -------
    int
        Bytes written.
    """
    part = target.with_name(f"{target.name}.{uuid4().hex}.part")
    try:
        with part.open("wb") as stream:
            pq.write_table(_table(recording), stream, **WRITE_OPTIONS)
            stream.flush()
            os.fsync(stream.fileno())
        size = part.stat().st_size
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(target.parent)
    return size


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _table(recording: Recording) -> pa.Table:
    columns: dict[str, pa.Array] = {}
    bases: dict[tuple[int, int, int], str] = {}
    base_of: dict[str, str] = {}
    for name, channel in recording.channels.items():
        # Readers give all channels of one message the same time array; it is written once.
        key = (channel.time_s.ctypes.data, channel.time_s.size, channel.time_s.strides[0])
        if key not in bases:
            bases[key] = f"{TIME_PREFIX}{len(bases)}"
            columns[bases[key]] = _one_row(channel.time_s)
        base_of[name] = bases[key]
        columns[name] = _one_row(channel.value)
    meta = json.dumps({**_head(recording), "layout": LAYOUT, "time_base": base_of})
    table = pa.table(columns) if columns else pa.table({"empty": pa.array([0])})
    return table.replace_schema_metadata({META_KEY: meta.encode()})


def _one_row(array: FloatArray) -> pa.Array:
    values = np.ascontiguousarray(array, dtype=np.float64)
    return pa.ListArray.from_arrays(pa.array([0, values.size], pa.int32()), pa.array(values))


def _head(recording: Recording) -> dict[str, Any]:
    return {
        "source": recording.source,
        "reader": recording.reader,
        "reader_version": recording.reader_version,
        "duration_s": recording.duration_s,
        "start_utc": recording.start_utc.isoformat() if recording.start_utc is not None else None,
        "clock": str(recording.clock),
        "firmware": recording.firmware,
        "board": recording.board,
        "parameters": [[p.time_s, p.name, p.value] for p in recording.parameters],
        "texts": [[t.time_s, t.severity, t.text] for t in recording.texts],
        "notes": [asdict(note) | {"values": dict(note.values)} for note in recording.notes],
    }


def read_recording(path: Path, names: Iterable[str] | None = None) -> Recording:
    """A recording as it was written.

    Parameters
    ----------
    path : Path
    names : iterable of str or None
        Channels to read; those the file lacks are left out. None means all.

    Returns
    -------
    Recording
        Its arrays are read-only views of the file's buffers.

    Raises
    ------
    StoreDamaged
        The file is missing or is not what was written.
    """
    try:
        with pq.ParquetFile(path, memory_map=True) as file:
            meta = json.loads(file.schema_arrow.metadata[META_KEY])
            base_of: Mapping[str, str] = meta["time_base"]
            wanted = [name for name in base_of if names is None or name in set(names)]
            needed = sorted({base_of[name] for name in wanted}) + wanted
            table = file.read(columns=needed)
        arrays = {name: _values(table, name) for name in needed}
    except (OSError, KeyError, TypeError, ValueError, pa.ArrowException) as error:
        raise StoreDamaged(
            f"cannot be read back ({str(error).splitlines()[0] if str(error) else type(error).__name__})",
            subject=str(path),
            next_step="Run `trimkeep check`; the log it came from can be read again",
        ) from error
    channels = {name: Channel(arrays[base_of[name]], arrays[name]) for name in wanted}
    return _recording(meta, channels)


def _values(table: pa.Table, name: str) -> FloatArray:
    rows = table.column(name).combine_chunks()
    values: FloatArray = rows.flatten().to_numpy(zero_copy_only=True)
    return values


def _recording(meta: Mapping[str, Any], channels: Mapping[str, Channel]) -> Recording:
    return Recording(
        source=meta["source"],
        reader=meta["reader"],
        reader_version=meta["reader_version"],
        duration_s=meta["duration_s"],
        channels=channels,
        start_utc=datetime.fromisoformat(meta["start_utc"]) if meta["start_utc"] else None,
        clock=ClockSource(meta["clock"]),
        firmware=meta["firmware"],
        board=meta["board"],
        parameters=tuple(ParameterReading(*reading) for reading in meta["parameters"]),
        texts=tuple(Text(*text) for text in meta["texts"]),
        notes=tuple(Note(note["code"], note["values"]) for note in meta["notes"]),
    )


def sweep(folder: Path, known: frozenset[str], *, older_than_s: float, now_s: float) -> tuple[Path, ...]:
    """Remove what a crash left: parts, and recordings without a row.

    Parameters
    ----------
    folder : Path
        The recordings folder.
    known : frozenset of str
        Hashes of all logs the store knows, finished or claimed.
    older_than_s : float
        Younger files may belong to a run that is writing right now.
    now_s : float
        Present, seconds since 1970.
    """
    removed = []
    for path in sorted(folder.iterdir()):
        orphan = path.suffix == ".part" or path.name.removesuffix(".parquet") not in known
        try:
            if orphan and now_s - path.stat().st_mtime > older_than_s:
                path.unlink()
                removed.append(path)
        except FileNotFoundError:
            continue  # another run swept it first
    return tuple(removed)
