"""Many MAVLink packets at once: payload matrices in, the bytes of a time-stamped telemetry log out.

Packing one message after another in Python takes longer than flying the aeroplane, so whole kinds are
packed as byte matrices: truncation, checksums and placing in the file are array operations.

References
----------
MAVLink serialisation guide (version 1 and 2 framing, payload truncation, CRC-16/MCRF4XX with CRC_EXTRA).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.mavlink_layouts import Layout, checksum

Bytes = NDArray[np.uint8]

STAMP_BYTES = 8
HEADER_BYTES = {1: 6, 2: 10}
MAGIC = {1: 0xFE, 2: 0xFD}


@dataclass(frozen=True, slots=True)
class Sender:
    """Who speaks: system and component number, and the protocol version it speaks."""

    system: int
    component: int
    version: int


@dataclass(frozen=True, slots=True)
class Batch:
    """Packets of one kind from one sender.

    Parameters
    ----------
    sender : Sender
    number : int
        Message number.
    extra : int
        CRC_EXTRA of the message.
    sent_s : ndarray of float, shape (n,)
        Seconds from switch-on at which each packet was sent.
    payload : ndarray of uint8, shape (n, width)
        Untruncated payloads.
    """

    sender: Sender
    number: int
    extra: int
    sent_s: NDArray[np.float64]
    payload: Bytes


def batch(layout: Layout, sender: Sender, sent_s: NDArray[np.float64], **columns: object) -> Batch:
    """Pack columns of field values into a batch; fields not named are zero.

    Parameters
    ----------
    layout : Layout
    sender : Sender
        Version 1 has no extension fields; version 2 carries them.
    sent_s : ndarray of float, shape (n,)
    **columns
        Field name to a scalar or an array of shape (n,) or (n, length), already in the wire's unit.
        Integer fields are rounded and held inside their range, as an autopilot does it.

    Raises
    ------
    ValueError
        A column is not a field of the message.
    """
    dtype = layout.dtype(extended=sender.version == 2)
    rows = np.zeros(sent_s.size, dtype=dtype)
    for name, values in columns.items():
        if dtype.names is None or name not in dtype.names:
            raise ValueError(f"{layout.name} has no field {name}")
        rows[name] = _as_wire(values, dtype[name].base)
    payload = rows.view(np.uint8).reshape(sent_s.size, dtype.itemsize)
    return Batch(sender, layout.number, layout.checksum_extra(), sent_s, payload)


def _as_wire(values: object, dtype: np.dtype[Any]) -> NDArray[Any]:
    array = np.asarray(values)
    if dtype.kind == "f" or array.dtype.kind in "ui":
        return array.astype(dtype)
    limits = np.iinfo(dtype)
    # float64 cannot hold the largest 64-bit integers, so those are only held from below
    top = float(limits.max) if dtype.itemsize < 8 else 2.0**62
    return np.clip(np.rint(np.nan_to_num(array)), float(limits.min), top).astype(dtype)


def raw_batch(sender: Sender, number: int, extra: int, sent_s: NDArray[np.float64], payload: Bytes) -> Batch:
    """Packets of a message that is in no table here: another dialect's, payload given as bytes."""
    return Batch(sender, number, extra, sent_s, payload)


def telemetry_log(
    batches: Sequence[Batch],
    stamp_us: NDArray[np.int64],
    order: NDArray[np.intp],
    received: NDArray[np.bool_] | None = None,
) -> Bytes:
    """Bytes of a telemetry log: each packet behind its 8-byte big-endian time stamp.

    Parameters
    ----------
    batches : sequence of Batch
    stamp_us : ndarray of int64, shape (total,)
        Receiver's clock for each packet *in sending order*, microseconds since 1970 UTC.
    order : ndarray of int, shape (total,)
        Sending order, as given by `sending_order`.
    received : ndarray of bool, shape (total,), optional
        In sending order; a packet lost on the way has its sequence number but no place in the file.

    Returns
    -------
    ndarray of uint8
        Sequence numbers count per sender, in sending order.
    """
    sizes = [one.sent_s.size for one in batches]
    total = int(sum(sizes))
    starts = np.concatenate(([0], np.cumsum(sizes))).astype(np.intp)
    sequence = _sequence_numbers(batches, starts, order)
    stamps = np.zeros(total, dtype=">u8")
    stamps[order] = stamp_us
    frames, lengths = [], np.zeros(total, dtype=np.int64)
    for one, first, last in zip(batches, starts[:-1], starts[1:], strict=True):
        frame, length = _frames(one, sequence[first:last], stamps[first:last])
        frames.append(frame)
        lengths[first:last] = length
    if received is not None:
        lengths[order[~received]] = 0
    placed = np.zeros(total, dtype=np.int64)
    ends = np.cumsum(lengths[order])
    placed[order] = ends - lengths[order]
    log = np.zeros(int(ends[-1]) if total else 0, dtype=np.uint8)
    for frame, first, last in zip(frames, starts[:-1], starts[1:], strict=True):
        _place(log, frame, lengths[first:last], placed[first:last])
    return log


def sending_order(batches: Sequence[Batch]) -> NDArray[np.intp]:
    """Indices (into the batches laid end to end) in the order of sending; ties keep the batches' order."""
    return np.argsort(np.concatenate([one.sent_s for one in batches]), kind="stable")


def _sequence_numbers(
    batches: Sequence[Batch], starts: NDArray[np.intp], order: NDArray[np.intp]
) -> NDArray[np.uint8]:
    # the count is kept per system and component, whatever version of the protocol it speaks
    speakers = sorted({(one.sender.system, one.sender.component) for one in batches})
    who = np.zeros(order.size, dtype=np.intp)
    for one, first, last in zip(batches, starts[:-1], starts[1:], strict=True):
        who[first:last] = speakers.index((one.sender.system, one.sender.component))
    numbers = np.zeros(order.size, dtype=np.uint8)
    for speaker in range(len(speakers)):
        mine = order[who[order] == speaker]
        numbers[mine] = np.arange(mine.size) % 256
    return numbers


def _frames(
    one: Batch, sequence: NDArray[np.uint8], stamps: NDArray[np.generic]
) -> tuple[Bytes, NDArray[np.int64]]:
    """Rows of stamp, header, payload and checksum, each row filled up to its own length."""
    n, width = one.payload.shape
    version = one.sender.version
    kept = _kept_bytes(one.payload) if version == 2 else np.full(n, width, dtype=np.int64)
    head = HEADER_BYTES[version]
    frame = np.zeros((n, STAMP_BYTES + head + width + 2), dtype=np.uint8)
    frame[:, :STAMP_BYTES] = stamps.view(np.uint8).reshape(n, STAMP_BYTES)
    header = frame[:, STAMP_BYTES : STAMP_BYTES + head]
    header[:, 0] = MAGIC[version]
    header[:, 1] = kept
    if version == 2:
        header[:, 4] = sequence
        header[:, 5], header[:, 6] = one.sender.system, one.sender.component
        header[:, 7:10] = [one.number & 0xFF, one.number >> 8 & 0xFF, one.number >> 16 & 0xFF]
    else:
        header[:, 2] = sequence
        header[:, 3], header[:, 4], header[:, 5] = one.sender.system, one.sender.component, one.number
    frame[:, STAMP_BYTES + head : -2] = one.payload
    _close(frame, STAMP_BYTES + 1, STAMP_BYTES + head, kept, one.extra)
    return frame, kept + STAMP_BYTES + head + 2


def _kept_bytes(payload: Bytes) -> NDArray[np.int64]:
    """Payload bytes left when trailing zeros are dropped; never fewer than one."""
    used = payload[:, ::-1] != 0
    trailing = np.where(used.any(axis=1), used.argmax(axis=1), payload.shape[1] - 1)
    return (payload.shape[1] - trailing).astype(np.int64)


def _close(frame: Bytes, first: int, body: int, kept: NDArray[np.int64], extra: int) -> None:
    """Write each row's checksum behind its last kept payload byte."""
    for length in np.unique(kept):
        rows = np.flatnonzero(kept == length)
        end = body + int(length)
        state = checksum(frame[rows, first:end])
        state = checksum(np.full((rows.size, 1), extra, dtype=np.uint8), state)
        frame[rows, end] = state & 0xFF
        frame[rows, end + 1] = state >> 8


def _place(log: Bytes, frame: Bytes, lengths: NDArray[np.int64], placed: NDArray[np.int64]) -> None:
    for length in np.unique(lengths[lengths > 0]):
        rows = np.flatnonzero(lengths == length)
        targets = placed[rows, np.newaxis] + np.arange(length)
        log[targets] = frame[rows, :length]
