"""Finding the frames of a telemetry log: stamp, packet, stamp, packet, with whatever went wrong between.

The rule is that of a reader who goes through the file once: a frame is a record whose packet has a
known start byte, fits into the file and has the right checksum; after a frame the next one starts at
its end or later; where none starts, one byte is skipped. The result is exactly that rule's, but no
step looks at one frame only:

1. some thousand walkers start at even distances and follow the length bytes all at once;
2. the checksums of all records they met are verified, message by message;
3. what the accepted frames leave uncovered is searched byte by byte, until nothing is left to search.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trimkeep.service.readers import tlog_kernel
from trimkeep.service.readers.tlog_crc import BLOCK, NO_EXTRA, Bytes, Positions, crc_matches, implied_extra
from trimkeep.service.readers.tlog_messages import message_kinds
from trimkeep.service.readers.tlog_walk import (
    STAMP,
    V2,
    record_sizes,
    walk,
)

Flags = NDArray[np.bool_]

_ROUND = 1 << 19
"""Candidates that are verified in one round of the search."""


@dataclass(frozen=True, slots=True)
class Records:
    """Possible frames: where they are and what their headers say. All of shape (n,).

    `stamp` is the record's time stamp read as the container has it, big-endian, microseconds; `start`
    is its first byte, `end` the first byte after the record, `payload` the first of the payload,
    `length` its bytes on the wire.
    """

    stamp: NDArray[np.uint64]
    start: Positions
    end: Positions
    payload: Positions
    length: NDArray[np.uint8]
    message: NDArray[np.int32]
    system: NDArray[np.uint8]
    component: NDArray[np.uint8]

    @property
    def body(self) -> Positions:
        """First byte after the packet's start byte: where the checksum begins."""
        return self.start + (STAMP + 1)

    @property
    def crc_at(self) -> Positions:
        """First byte of the checksum."""
        return self.payload + self.length

    def select(self, which: Flags | Positions) -> Records:
        """The records that a mask or an index picks."""
        return Records(*(getattr(self, name)[which] for name in self.__slots__))

    def joined(self, other: Records) -> Records:
        """Both, ordered by start."""
        order = np.argsort(np.concatenate((self.start, other.start)), kind="stable")
        pairs = ((getattr(self, name), getattr(other, name)) for name in self.__slots__)
        return Records(*(np.concatenate(pair)[order] for pair in pairs))


@dataclass(frozen=True, slots=True)
class Frames:
    """The frames of a file and what lay between them.

    Parameters
    ----------
    records : Records
        Ordered by start, never overlapping.
    skipped_bytes : int
        Bytes between frames that belong to none, the cut-off end apart.
    bad_checksum : int
        Records that stand exactly where a frame is due but have a wrong checksum.
    cut_off_at : int or None
        Byte at which the last record begins when the file ends inside it.
    """

    records: Records
    skipped_bytes: int
    bad_checksum: int
    cut_off_at: int | None


def find_frames(data: Bytes, size: int) -> Frames:
    """All frames of a telemetry log.

    Parameters
    ----------
    data : ndarray of uint8
        The file, followed by at least `PADDING` zero bytes.
    size : int
        Bytes of the file.

    Returns
    -------
    Frames
    """
    extras: dict[int, int] = {}
    first = _verified(data, walk(data, size), size, extras)
    frames = _first_come(first.accepted)
    refused = np.zeros(data.size, bool)  # by place in the file; touched only where something is wrong
    refused[first.rejected] = True
    while True:
        candidates = _candidates_outside(data, size, frames, refused)
        if not candidates.size:
            return _accounted(data, size, frames, refused)
        more = _verified(data, candidates, size, extras)
        refused[more.rejected] = True
        if more.accepted.start.size:
            # Those that lose against an earlier frame lie inside it and are not met again.
            frames = _first_come(frames.joined(more.accepted))


def headers(data: Bytes, start: Positions) -> Records:
    """What the packets at these records say of themselves; all must begin with a start byte.

    The first 24 bytes of each record are put together from four aligned words: stamp, then start byte,
    length and (version 2: two flag bytes) sequence, system, component, then a message number of one byte
    or (version 2) three.
    """
    words, index = data.view(np.uint64), start >> 3
    shift = ((start & 7) << 3).astype(np.uint64)
    back = np.uint64(64) - shift  # a shift by 64 gives zero in numpy
    a, b, c, d = (words[k:].take(index) for k in range(4))
    stamp = (a >> shift) | (b << back)
    head = (b >> shift) | (c << back)
    tail = (c >> shift) | (d << back)
    said = head.view(np.uint8).reshape(-1, 8)
    v2 = said[:, 0] == V2
    length = said[:, 1].copy()
    long_number = ((head >> np.uint64(56)) | ((tail & np.uint64(0xFFFF)) << np.uint64(8))).astype(np.int32)
    payload = start + (STAMP + 6)
    payload += v2 * 4
    signed = v2 & (said[:, 2] != 0)
    end = payload + length
    end += 2 + signed * 13
    return Records(
        stamp=stamp.byteswap(),
        start=start,
        end=end,
        payload=payload,
        length=length,
        message=np.where(v2, long_number, said[:, 5]),
        system=np.where(v2, said[:, 5], said[:, 3]),
        component=np.where(v2, said[:, 6], said[:, 4]),
    )


@dataclass(frozen=True, slots=True)
class _Verified:
    accepted: Records
    rejected: Positions


def _verified(data: Bytes, start: Positions, size: int, extras: dict[int, int]) -> _Verified:
    """Split by checksum; `extras` collects the extra bytes of messages that the tables do not know."""
    records, good, unknown = _headers_and_checksums(data, start)
    for number, which in grouped(records.message[unknown]):
        members = unknown[which]
        if number not in extras:
            learnt = _learnt_extra(data, records, members, size)
            if learnt == NO_EXTRA:
                continue
            extras[number] = learnt
        same = np.full(members.size, extras[number], np.uint8)
        good[members] = crc_matches(data, records.body[members], records.crc_at[members], same)
    if good.all():
        return _Verified(records, np.empty(0, np.intp))
    return _Verified(records.select(good), records.start[~good])


def _headers_and_checksums(data: Bytes, start: Positions) -> tuple[Records, Flags, Positions]:
    """Headers, which known messages have a right checksum, and where the unknown ones are."""
    kernel = tlog_kernel.kernel
    if kernel is None:
        return headers_and_checksums_by_arrays(data, start)
    read, state = _unread(start), np.empty(start.size, np.uint8)
    columns = (read.stamp, read.end, read.payload, read.length, read.message, read.system, read.component)
    kernel.check(data, _extra_table(), start, *columns, state)
    return read, state == kernel.RIGHT, np.flatnonzero(state == kernel.UNKNOWN)


def _unread(start: Positions) -> Records:
    return Records(
        stamp=np.empty(start.size, np.uint64),
        start=start,
        end=np.empty(start.size, np.intp),
        payload=np.empty(start.size, np.intp),
        length=np.empty(start.size, np.uint8),
        message=np.empty(start.size, np.int32),
        system=np.empty(start.size, np.uint8),
        component=np.empty(start.size, np.uint8),
    )


def headers_and_checksums_by_arrays(data: Bytes, start: Positions) -> tuple[Records, Flags, Positions]:
    """The same without the compiled kernel, block by block: a record's bytes are fetched once for both."""
    whole = _unread(start)
    good = np.empty(start.size, bool)
    unknown = [np.empty(0, np.intp)]
    for at in range(0, start.size, BLOCK):
        part = slice(at, at + BLOCK)
        block = headers(data, start[part])
        for name in ("stamp", "end", "payload", "length", "message", "system", "component"):
            getattr(whole, name)[part] = getattr(block, name)
        extra = _known_extras(block.message)
        good[part] = crc_matches(data, block.body, block.crc_at, extra.astype(np.uint8))
        lost = np.flatnonzero(extra == NO_EXTRA) + at
        if lost.size:
            good[lost] = False
            unknown.append(lost)
    return whole, good, np.concatenate(unknown)


@cache
def _extra_table() -> NDArray[np.int16]:
    table = np.full(65536, NO_EXTRA, np.int16)
    for number, kind in message_kinds().items():
        table[number] = kind.extra  # the common set stays far below 65536
    return table


def _known_extras(message: NDArray[np.int32]) -> NDArray[np.int16]:
    """The tables' extra byte of each message, or `NO_EXTRA`."""
    extra = _extra_table().take(message, mode="clip")
    extra[message > 65535] = NO_EXTRA
    return extra


def grouped(key: NDArray[np.int32]) -> list[tuple[int, Positions]]:
    """Index arrays of equal keys, each in order."""
    if not key.size:
        return []
    # Sorting 16-bit numbers is a radix sort; only private messages have larger ones.
    narrow = key.astype(np.uint16) if int(key.max()) < 65536 else key
    order = np.argsort(narrow, kind="stable")
    ordered = key[order]
    edges = np.concatenate(([0], np.flatnonzero(np.diff(ordered)) + 1, [key.size]))
    return [(int(ordered[a]), order[a:b].astype(np.intp, copy=False)) for a, b in pairwise(edges.tolist())]


def _learnt_extra(data: Bytes, records: Records, members: Positions, size: int) -> int:
    """The extra byte of an unknown message, from the frames that fit between their neighbours.

    A single corrupted frame implies some extra byte once in 256 times; that it also begins where a
    record ended and ends where one begins makes a mistake unlikely.
    """
    start, end = records.start[members], records.end[members]
    follows = (start == 0) | _among(np.sort(records.end), start)
    leads = _record_may_start(data, end, size)
    linked = members[follows & leads]
    if not linked.size:
        return NO_EXTRA
    implied = implied_extra(data, records.body[linked], records.crc_at[linked])
    implied = implied[implied != NO_EXTRA]
    return int(np.bincount(implied).argmax()) if implied.size else NO_EXTRA


def _record_may_start(data: Bytes, at: Positions, size: int) -> Flags:
    """A start byte where one is due, or too few bytes left to see one."""
    return (data[STAMP:].take(at) - np.uint8(0xFD) < 2) | (at + STAMP >= size)


def _first_come(records: Records) -> Records:
    """Records ordered by start without those that begin inside an earlier one that stays."""
    start, end = records.start, records.end
    clashes = np.flatnonzero(start[1:] < end[:-1]) + 1
    if not clashes.size:
        return records
    keep = np.ones(start.size, bool)
    resume = 0
    for clash in clashes.tolist():  # only the few records that overlap
        if clash < resume:
            continue
        over = clash + int(np.searchsorted(start[clash:], end[clash - 1]))
        keep[clash:over] = False
        resume = over + 1
    return records.select(keep)


def _candidates_outside(data: Bytes, size: int, frames: Records, refused: Flags) -> Positions:
    """Starts of possible records in what no frame covers, those already refused left out.

    At most some `_ROUND` at once, the first ones: a file full of start bytes must not fill the memory.
    """
    gap = np.flatnonzero(frames.start[1:] > frames.end[:-1])
    last_end = frames.end[-1:] if frames.end.size else np.zeros(1, np.intp)
    first = np.concatenate(([0], frames.end[gap], last_end))
    until = np.concatenate((frames.start[:1], frames.start[gap + 1], [size]))
    if not frames.start.size:
        first = first[:1]
    open_gaps = until > first
    first, length = first[open_gaps], (until - first)[open_gaps]
    found = [np.empty(0, np.intp)]
    n_found = 0
    for at, n in _blocks(first, length):
        position = np.repeat(at - np.concatenate(([0], np.cumsum(n)[:-1])), n) + np.arange(int(n.sum()))
        position = position[data[STAMP:].take(position) - np.uint8(0xFD) < 2]
        sizes = record_sizes(data, position)
        found.append(position[(sizes > 0) & (position + sizes <= size) & ~refused[position]])
        n_found += found[-1].size
        if n_found > _ROUND:
            break
    return np.concatenate(found)


def _among(ordered: Positions, wanted: Positions) -> Flags:
    """Which of `wanted` are in `ordered` (numpy's isin does not use that it is sorted)."""
    if not ordered.size:
        return np.zeros(wanted.size, bool)
    slot = np.minimum(np.searchsorted(ordered, wanted), ordered.size - 1)
    return ordered[slot] == wanted


def _blocks(first: Positions, length: Positions, most: int = 1 << 18) -> list[tuple[Positions, Positions]]:
    """The gaps in portions of about `most` bytes, so that searching a whole file needs little memory."""
    if not first.size:
        return []
    pieces = -(-length // most)
    number = np.arange(int(pieces.sum())) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    first = np.repeat(first, pieces) + number * most
    length = np.minimum(np.repeat(length, pieces) - number * most, most)
    portion = np.cumsum(length) // most
    edges = np.concatenate(([0], np.flatnonzero(np.diff(portion)) + 1, [first.size]))
    return [(first[a:b], length[a:b]) for a, b in pairwise(edges.tolist())]


def _accounted(data: Bytes, size: int, frames: Records, refused: Flags) -> Frames:
    """Add up what lies between the frames."""
    covered = int((frames.end - frames.start).sum())
    last_end = int(frames.end[-1]) if frames.end.size else 0
    at = np.asarray([last_end])
    unfinished = last_end < size and bool(_record_may_start(data, at, size)[0])
    if unfinished and last_end + STAMP + 1 < size:
        sizes = int(record_sizes(data, at)[0])
        unfinished = sizes > 0 and last_end + sizes > size
    cut_off_at = last_end if unfinished else None
    skipped = (last_end if unfinished else size) - covered
    due = np.concatenate(([0], frames.end))
    due = due[refused[due]]
    after = np.minimum(due + record_sizes(data, due), size)
    bad = int(np.count_nonzero(_record_may_start(data, after, size)))
    return Frames(frames, skipped, bad, cut_off_at)
