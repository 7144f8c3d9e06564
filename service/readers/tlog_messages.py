"""The common message set as numpy record types, built from the generated tables, and the decoding.

Names, wire order, types and extra bytes come from the library's own generated classes, so a newer
library brings newer messages. The common set as published has moved on past the library's copy: what
the library still keeps apart (CURRENT_MODE, AVAILABLE_MODES) is added from there, and the one message
that it lacks altogether (ESC_STATUS) is written down here, its extra byte derived from the definition.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from pymavlink.dialects.v20 import common, development

from trimkeep.service.readers import tlog_kernel
from trimkeep.service.readers.tlog_crc import Bytes, Positions, definition_extra

_NUMPY_TYPES = {
    "uint8_t": "u1",
    "int8_t": "i1",
    "uint8_t_mavlink_version": "u1",
    "uint16_t": "<u2",
    "int16_t": "<i2",
    "uint32_t": "<u4",
    "int32_t": "<i4",
    "uint64_t": "<u8",
    "int64_t": "<i8",
    "float": "<f4",
    "double": "<f8",
}


@dataclass(frozen=True, slots=True)
class MessageKind:
    """One message of the common set: its number, name, extra byte and record type in wire order."""

    id: int
    name: str
    extra: int
    layout: np.dtype[np.void]


def _layout(generated: type) -> np.dtype[np.void]:
    types = dict(zip(generated.fieldnames, generated.fieldtypes, strict=True))  # type: ignore[attr-defined]
    fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
    for name, characters, length in zip(
        generated.ordered_fieldnames,  # type: ignore[attr-defined]
        generated.array_lengths,  # type: ignore[attr-defined]
        generated.lengths,  # type: ignore[attr-defined]
        strict=True,
    ):
        if types[name] == "char":
            fields.append((name, f"S{max(characters, 1)}"))
        elif length > 1:
            fields.append((name, _NUMPY_TYPES[types[name]], (length,)))
        else:
            fields.append((name, _NUMPY_TYPES[types[name]]))
    layout = np.dtype(fields)
    assert layout.itemsize == generated.unpacker.size  # type: ignore[attr-defined]
    return layout


# MAVLink common message set, ESC_STATUS (291): name, type, array length, in wire order.
_ESC_STATUS = (
    ("time_usec", "uint64_t", 0),
    ("rpm", "int32_t", 4),
    ("voltage", "float", 4),
    ("current", "float", 4),
    ("index", "uint8_t", 0),
)


def _esc_status() -> MessageKind:
    layout = np.dtype(
        [
            (name, _NUMPY_TYPES[kind], (length,)) if length else (name, _NUMPY_TYPES[kind])
            for name, kind, length in _ESC_STATUS
        ]
    )
    return MessageKind(291, "ESC_STATUS", definition_extra("ESC_STATUS", _ESC_STATUS), layout)


@cache
def message_kinds() -> dict[int, MessageKind]:
    """Every message of the common set by its number."""
    generated = {**development.mavlink_map, **common.mavlink_map}
    kinds = {
        number: MessageKind(number, kind.msgname, kind.crc_extra, _layout(kind))
        for number, kind in generated.items()
    }
    kinds.setdefault(291, _esc_status())
    return kinds


@cache
def message_numbers() -> dict[str, int]:
    """Message name to number."""
    return {kind.name: number for number, kind in message_kinds().items()}


def decode_payloads(
    data: Bytes, payload: Positions, length: NDArray[np.uint8], layout: np.dtype[np.void]
) -> NDArray[np.void]:
    """The payloads as records; bytes that the sender cut off are zero, newer fields are left out.

    Parameters
    ----------
    data : ndarray of uint8
        Padded by at least one longest payload behind the last frame.
    payload : ndarray of intp, shape (n,)
        First byte of each payload.
    length : ndarray of uint8, shape (n,)
        Payload bytes on the wire.
    layout : dtype
        Record type of the message.

    Returns
    -------
    ndarray of `layout`, shape (n,)
    """
    if tlog_kernel.kernel is None:
        return decode_payloads_by_arrays(data, payload, length, layout)
    records = np.empty(payload.size, layout)
    tlog_kernel.kernel.fetch(data, records.view(np.uint8), payload, length)
    return records


def decode_payloads_by_arrays(
    data: Bytes, payload: Positions, length: NDArray[np.uint8], layout: np.dtype[np.void]
) -> NDArray[np.void]:
    """`decode_payloads` without the compiled kernel."""
    size = layout.itemsize
    windows = np.ndarray((data.size - size + 1,), np.dtype((np.void, size)), data, strides=(1,))
    records = np.empty(payload.size, windows.dtype)
    for at in range(0, payload.size, 16384):  # in one piece the fetch is several times slower
        records[at : at + 16384] = windows[payload[at : at + 16384]]
    short = np.flatnonzero(length < size)
    if short.size:
        rows = records.view(np.uint8).reshape(-1, size)
        lengths = length[short]
        for cut in np.unique(lengths):
            rows[short[lengths == cut], cut:] = 0
    return records.view(layout)
