"""Compiled loops. All arrays contiguous; a frame outside `data` is an IndexError."""

from typing import Any

from numpy.typing import NDArray

from trimkeep.service.readers.tlog_crc import Bytes, Positions

WRONG: int
RIGHT: int
UNKNOWN: int

def crc_matches(
    data: Bytes, first: Positions, end: Positions, extra: Bytes, good: NDArray[Any], /
) -> None: ...
def implied_extra(data: Bytes, first: Positions, end: Positions, implied: NDArray[Any], /) -> None: ...
def walk(
    data: Bytes, met: Positions, position: Positions, limit: Positions, size: int, most: int, /
) -> int: ...
def check(
    data: Bytes,
    extras: NDArray[Any],
    start: Positions,
    stamp: NDArray[Any],
    end: Positions,
    payload: Positions,
    length: Bytes,
    message: NDArray[Any],
    system: Bytes,
    component: Bytes,
    state: Bytes,
    /,
) -> None: ...
def fetch(data: Bytes, rows: Bytes, payload: Positions, length: Bytes, /) -> None: ...
