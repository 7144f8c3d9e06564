"""What a log is known by: the hash of its content, and of its start."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

# Enough to tell logs apart by their first time stamps, little enough that no real log is shorter.
HEAD_BYTES = 256
BLOCK_BYTES = 1 << 20
OVERSIZE = "oversize"


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """Hashes of a file: of all of it, of its first bytes, and of the starts that were asked for."""

    sha256: str
    head_sha256: str
    starts: dict[int, str] = field(default_factory=dict)


def fingerprint(path: Path, starts_for: Callable[[str], Sequence[int]] = lambda head: ()) -> Fingerprint:
    """Hash a file in one pass.

    Parameters
    ----------
    path : Path
    starts_for : callable
        Given the hash of the first bytes: at which sizes to take the hash of the start as well.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    with path.open("rb") as stream:
        return fingerprint_of(iter(lambda: stream.read(BLOCK_BYTES), b""), starts_for)


def fingerprint_of(
    blocks: Iterable[bytes], starts_for: Callable[[str], Sequence[int]] = lambda head: ()
) -> Fingerprint:
    """Hash content that comes in blocks, of which the first is not shorter than a log's beginning."""
    whole, done, starts = hashlib.sha256(), 0, {}
    head, marks = hashlib.sha256(b"").hexdigest(), None
    for block in blocks:
        if marks is None:
            head = hashlib.sha256(block[:HEAD_BYTES]).hexdigest()
            marks = sorted(set(starts_for(head)))
        while marks and marks[0] <= done + len(block):
            part = whole.copy()
            part.update(block[: marks[0] - done])
            starts[marks.pop(0)] = part.hexdigest()
        whole.update(block)
        done += len(block)
    return Fingerprint(whole.hexdigest(), head, starts)


def fingerprint_of_oversize(path: Path, size_bytes: int) -> Fingerprint:
    """Stands for a file too large to be read: hashing hundreds of gigabytes would hold up all others.

    It rests on the size, the first and the last bytes, and can be told from a real hash.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    with path.open("rb") as stream:
        first = stream.read(BLOCK_BYTES)
        stream.seek(max(size_bytes - BLOCK_BYTES, 0))
        return oversize_print(size_bytes, first, stream.read(BLOCK_BYTES))


def oversize_print(size_bytes: int, first: bytes, last: bytes) -> Fingerprint:
    """From the first and the last `BLOCK_BYTES` of a file too large to be read."""
    part = hashlib.sha256(f"{size_bytes}|".encode() + first + last).hexdigest()
    return Fingerprint(OVERSIZE + part[len(OVERSIZE) :], hashlib.sha256(first[:HEAD_BYTES]).hexdigest())
