"""Walkers that follow the length bytes of a telemetry log from thousands of places at once.

They only propose record starts; checksums decide later, so a walker that was led astray costs time but
never a frame.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trimkeep.service.readers import tlog_kernel
from trimkeep.service.readers.tlog_crc import Bytes, Positions

STAMP = 8
"""Bytes of the time stamp before each packet."""
V1, V2 = 0xFE, 0xFD
SHORTEST = STAMP + 8
LONGEST = STAMP + 280
PADDING = 1024
"""Zero bytes that must follow the file: a walker, a window or a word may look beyond the end."""

_STRIDE = 16384
_MOST_WALKERS = 4096
_LINKS = 5
"""Records in a row that must follow each other before a walker believes that it stands on one."""
_LED_ASTRAY = 2
"""Links after which it stands there: a chance start byte often leads onto the true records."""


def _size_by_magic() -> NDArray[np.int64]:
    sizes = np.full(256, -(1 << 40), np.int64)
    sizes[V1] = STAMP + 8
    sizes[V2] = STAMP + 12
    return sizes


def _size_by_flags() -> NDArray[np.int64]:
    # Bit 1: signed, 13 bytes more. The protocol says to discard packets with any other bit.
    sizes = np.full(256, -(1 << 40), np.int64)
    sizes[0], sizes[1] = 0, 13
    return sizes


_BY_MAGIC = _size_by_magic()
_BY_FLAGS = _size_by_flags()


def record_sizes(data: Bytes, start: Positions) -> Positions:
    """Bytes of the record, stamp included, at each position; negative where no packet starts.

    Parameters
    ----------
    data : ndarray of uint8
        Padded; positions beyond it count as its last byte.
    start : ndarray of intp, shape (n,)
        First byte of the stamp.

    Returns
    -------
    ndarray of intp, shape (n,)
    """
    magic = data[STAMP:].take(start, mode="clip")
    sizes = _BY_MAGIC.take(magic)
    sizes += data[STAMP + 1 :].take(start, mode="clip")
    sizes += _BY_FLAGS.take(data[STAMP + 2 :].take(start, mode="clip") * (magic == V2))
    return sizes


def walk(data: Bytes, size: int) -> Positions:
    """Starts of the records that the walkers met, increasing.

    Parameters
    ----------
    data : ndarray of uint8
        The file, followed by `PADDING` zero bytes.
    size : int
        Bytes of the file.
    """
    n_walkers = min(max(size // _STRIDE, 1), _MOST_WALKERS)
    stride = -(-size // n_walkers) if size else 1
    position = _footholds(data, size, n_walkers, stride)
    limit = np.append(position[1:], size)[: position.size]
    most = stride // SHORTEST + 1  # more would lead past the stretch; what is left is searched later
    if tlog_kernel.kernel is None:
        return steps_by_arrays(data, size, position, limit, most)
    # No two walkers meet the same record, because each stops where the next one began.
    met = np.empty(size // SHORTEST + position.size, np.intp)
    n_met = tlog_kernel.kernel.walk(data, met, position, limit, size, most)
    met.resize(n_met, refcheck=False)
    return met


def steps_by_arrays(data: Bytes, size: int, position: Positions, limit: Positions, n_left: int) -> Positions:
    """The walkers' steps without the compiled kernel.

    Parameters
    ----------
    data, size
        As in `walk`.
    position, limit : ndarray of intp, shape (n,)
        Where each walker begins, and the place at which it stops.
    n_left : int
        Most steps of each walker.

    Returns
    -------
    ndarray of intp
        Starts of the records, walker by walker.
    """
    active = np.arange(position.size)
    blocks: list[tuple[Positions, Positions]] = []
    while active.size and n_left > 0:
        n_steps = min(64, n_left)
        position, block = _steps(data, size, position, limit[active], n_steps)
        blocks.append((active, block))
        n_left -= n_steps
        going = position < size
        active, position = active[going], position[going]
    return _in_order(blocks, limit.size, size)


def _in_order(blocks: list[tuple[Positions, Positions]], n_walkers: int, size: int) -> Positions:
    """Walker by walker, and step by step for each, which is the order in the file."""
    met = np.full((n_walkers, sum(block.shape[0] for _, block in blocks)), size, np.intp)
    used = 0
    for active, block in blocks:
        met[active, used : used + block.shape[0]] = block.T
        used += block.shape[0]
    return met[met < size]


def _steps(
    data: Bytes, size: int, position: Positions, limit: Positions, steps: int
) -> tuple[Positions, Positions]:
    """Let every walker go on by some records; `size` stands for "arrived, or lost"."""
    block = np.empty((steps, position.size), np.intp)
    for row in block:
        sizes = record_sizes(data, position)
        following = position + sizes
        row[:] = np.where((sizes > 0) & (following <= size), position, size)
        position = np.where((row < size) & (following < limit), following, size)
    return position, block


def _footholds(data: Bytes, size: int, n_walkers: int, stride: int) -> Positions:
    """For each stretch of the file the first place from which several records follow each other."""
    width = min(LONGEST + 1, stride)
    windows = np.ndarray((n_walkers, width), np.uint8, data[STAMP:], strides=(stride, 1))
    row, column = np.nonzero(windows - np.uint8(V2) < 2)
    place = row * stride + column
    ahead = foothold = place
    for link in range(_LINKS):
        sizes = record_sizes(data, ahead)
        good = (sizes > 0) & (ahead + sizes <= size)
        # The last record's end is as good as another link.
        good |= (ahead >= size) & (ahead > place)
        ahead = np.where(sizes > 0, ahead + sizes, ahead)[good]
        place, foothold = place[good], foothold[good]
        if link < _LED_ASTRAY:
            foothold = ahead
    stretch = place // stride
    foothold = foothold[np.flatnonzero(np.diff(stretch, prepend=-1))]
    if data[STAMP] in (V1, V2):
        foothold = np.append(0, foothold)
    return np.unique(foothold[foothold < size])
