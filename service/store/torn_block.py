"""Sets right a database block whose writing was cut off by a kill or a power failure.

The engine keeps its table of contents in blocks that it rewrites in place when a checkpoint is made: old
parts stay as they are until the next checkpoint, new ones are added, and the sum over the whole block is
renewed. Killed in the middle of that one write, the block holds the old parts, some of the new ones, and a
sum that fits neither, and the engine refuses the whole file. Nothing is lost: the header still points to the
old parts, and what was committed since is in the log of commits beside it. Only the sum has to be made to
fit.

Done only where all of that holds: headers of a format known here and sound, a log of commits beside, and a
single block. The block as it was found is kept beside the database.

References
----------
.. [1] DuckDB, Storage Versions and Format; checksums as in its `src/common/checksum.cpp` (MIT licence):
   words of 64 bits times a constant, combined by exclusive or.
"""

from __future__ import annotations

import fcntl
import logging
import os
import re
import struct
from pathlib import Path
from typing import BinaryIO

import numpy as np

log = logging.getLogger(__name__)

CUT_OFF = "had a block cut off by a kill or a power failure, and was set right from what the block holds"
"""What was done, after the name of the database."""
_TORN = re.compile(r"does not match stored checksum .* in block at location (\d+)")
_HEADER = 4096
_HEADERS = 3
_SUM = 8
_SEED = 5381
_FACTOR = np.uint64(0xBF58476D1CE4E5B9)
_BLOCK_SIZES = frozenset(1 << power for power in range(14, 19))
"""Bytes; what the engine can be told to use."""
_AT_ITERATION, _AT_BLOCK_SIZE = 8, 40


def mend_torn_block(database: Path, complaint: str) -> bool:
    """Make the sum of a torn block fit what the block holds.

    Parameters
    ----------
    database : Path
        No connection of this process may have it open.
    complaint : str
        What the engine said.

    Returns
    -------
    bool
        Whether to try once more: the block is set right, or another process is about it. False: the complaint
        is another, or the file is not as a cut-off checkpoint leaves it.
    """
    found = _TORN.search(complaint)
    beside = database.with_name(database.name + ".wal")
    if found is None or not (beside.is_file() and beside.stat().st_size):
        return False
    try:
        with database.open("r+b") as stream:
            # The engine's own kind of lock: another process may be mending, or using what it mended.
            fcntl.lockf(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return _mend(stream, database, int(found[1]))
    except BlockingIOError:
        return True
    except OSError as error:
        log.warning("%s: a torn block could not be set right (%s)", database, error)
        return False


def checksum(content: bytes) -> int:
    """Sum over a header or a block, without the eight bytes that hold it; whole words of 64 bits."""
    words = np.frombuffer(content, dtype="<u8")
    return _SEED ^ int(np.bitwise_xor.reduce(words * _FACTOR))


def _mend(stream: BinaryIO, database: Path, location: int) -> bool:
    size = _block_size(stream)
    if size is None or location < _HEADERS * _HEADER or (location - _HEADERS * _HEADER) % size:
        return False
    stream.seek(location)
    block = stream.read(size)
    if len(block) != size:
        return False
    if _is_sound(block):
        return True  # another process was quicker
    kept = database.with_name(f"{database.name}.torn-{location}-{checksum(block):016x}")
    kept.write_bytes(block)
    stream.seek(location)
    stream.write(struct.pack("<Q", checksum(block[_SUM:])))
    _to_disk(stream)
    log.warning("%s: %s; it is kept as %s", database, CUT_OFF, kept.name)
    return True


def _block_size(stream: BinaryIO) -> int | None:
    """Bytes to a block by the newer header; None where the headers are not sound or not as known here."""
    stream.seek(0)
    whole = stream.read(_HEADERS * _HEADER)
    headers = [whole[k * _HEADER : (k + 1) * _HEADER] for k in range(_HEADERS)]
    if len(whole) != _HEADERS * _HEADER or not all(_is_sound(one) for one in headers):
        return None
    newer = max(headers[1:], key=lambda one: _word(one, _AT_ITERATION))
    size = _word(newer, _AT_BLOCK_SIZE)
    return size if size in _BLOCK_SIZES else None


def _is_sound(part: bytes) -> bool:
    return _word(part, 0) == checksum(part[_SUM:])


def _word(content: bytes, at: int) -> int:
    value: int = struct.unpack_from("<Q", content, at)[0]
    return value


def _to_disk(stream: BinaryIO) -> None:
    stream.flush()
    os.fsync(stream.fileno())
