"""A whole telemetry log in memory: its frames by message and sender, decoded when asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from io import RawIOBase
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from trimkeep.config.errors import UnreadableLog
from trimkeep.service.readers.tlog_crc import Bytes, Positions
from trimkeep.service.readers.tlog_frames import Frames, find_frames, grouped
from trimkeep.service.readers.tlog_messages import decode_payloads, message_kinds, message_numbers
from trimkeep.service.readers.tlog_walk import PADDING

Sender = tuple[int, int]
"""System and component number."""


@dataclass(frozen=True, slots=True)
class DecodedLog:
    """A telemetry log: all frames found, and where each message of each sender is among them.

    Parameters
    ----------
    data : ndarray of uint8
        The file and some zero bytes.
    size : int
        Bytes of the file.
    frames : Frames
        In file order.
    index : mapping of (message number, sender) to ndarray of intp
        Places in `frames.records`, in file order. Messages that the tables do not know are in too.
    """

    data: Bytes
    size: int
    frames: Frames
    index: Mapping[tuple[int, Sender], Positions]

    @property
    def senders(self) -> dict[Sender, int]:
        """Frames per sender."""
        counts: dict[Sender, int] = {}
        for (_, sender), places in self.index.items():
            counts[sender] = counts.get(sender, 0) + places.size
        return dict(sorted(counts.items()))

    def places(self, message: str, sender: Sender) -> Positions:
        """Places of one sender's frames of one message; empty when there are none."""
        return self.index.get((message_numbers()[message], sender), np.empty(0, np.intp))

    def decode(self, message: str | int, sender: Sender) -> NDArray[np.void]:
        """The messages as records in wire order, field names as in the common set.

        Parameters
        ----------
        message : str or int
            Name or number; one of the common set.
        sender : tuple of int
            System and component.

        Returns
        -------
        ndarray of the message's record type, shape (n,)
        """
        number = message_numbers()[message] if isinstance(message, str) else message
        places = self.index.get((number, sender), np.empty(0, np.intp))
        records = self.frames.records
        return decode_payloads(
            self.data, records.payload[places], records.length[places], message_kinds()[number].layout
        )

    def stamps_us(self, places: Positions | slice = slice(None)) -> NDArray[np.uint64]:
        """The container's time stamps, microseconds, as they stand in the file (big-endian)."""
        return self.frames.records.stamp[places]


def decode_file(path: Path) -> DecodedLog:
    """Read a telemetry log and find its frames.

    Raises
    ------
    UnreadableLog
        The file cannot be opened or read.
    """
    try:
        with path.open("rb", buffering=0) as file:
            # Read, not mapped: a mapped file that another machine truncates takes the process down.
            data, size = _padded(file.seek(0, 2))
            file.seek(0)
            got = _fill(file, data[:size])
    except (OSError, ValueError) as error:
        raise UnreadableLog(
            f"the file cannot be read ({error})",
            subject=path.name,
            next_step="Check the file and its permissions",
        ) from error
    data[got:size] = 0
    return _decoded(data, got)


def decode_bytes(content: bytes) -> DecodedLog:
    """The same for a log that is in memory already."""
    data, size = _padded(len(content))
    data[:size] = np.frombuffer(content, np.uint8)
    return _decoded(data, size)


def _padded(size: int) -> tuple[Bytes, int]:
    data = np.empty((size + PADDING + 7) // 8 * 8, np.uint8)
    data[size:] = 0
    return data, size


def _fill(file: RawIOBase, target: Bytes) -> int:
    """Read until the target is full or the file ends (it may have shrunk meanwhile)."""
    view, got = target.data, 0
    while got < len(view):
        n = file.readinto(view[got:])
        if not n:
            break
        got += n
    return got


def _decoded(data: Bytes, size: int) -> DecodedLog:
    frames = find_frames(data, size)
    records = frames.records
    sender = (records.system.astype(np.int32) << 8) | records.component
    index: dict[tuple[int, Sender], Positions] = {}
    for number, places in grouped(records.message):
        theirs = sender[places]
        if (theirs == theirs[0]).all():
            parts = [(int(theirs[0]), places)]
        else:
            parts = [(code, places[which]) for code, which in grouped(theirs)]
        for code, part in parts:
            index[number, (code >> 8, code & 0xFF)] = part
    return DecodedLog(data, size, frames, index)
