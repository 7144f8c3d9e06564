"""Which reader takes a file: every one bids, the best bid wins.

A reader is a module of this folder with `READER`, `VERSION`, `sniff` and `read`; it is found by being
there. Two with the same name, or one that lacks a member, fail at import.
"""

from __future__ import annotations

import logging
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path

import numpy as np

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import ClockUnusable, UnknownFormat, UnreadableLog
from trimkeep.detectors.model import Recording

HEAD_BYTES = 16384
"""What a reader sees before it bids: some hundred records, or a table's head and first rows."""

LONGEST_DAYS = 7.0
"""A log of more spans a clock that was set in mid-log; on an even grid it would fill any memory."""
_DAY_S = 86400.0

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Reader:
    """One log format."""

    name: str
    version: int
    sniff: Callable[[bytes, str], int]
    read: Callable[[Path, AirframeCard], Recording]


@cache
def readers() -> tuple[Reader, ...]:
    """All readers of this folder, by name.

    Raises
    ------
    ImportError
        A module that names itself a reader lacks a member, or two have the same name.
    """
    package = import_module(__package__ or "trimkeep.service.readers")
    found: dict[str, Reader] = {}
    for module_info in pkgutil.iter_modules(package.__path__):
        module = import_module(f"{package.__name__}.{module_info.name}")
        if not hasattr(module, "READER"):
            continue
        missing = [member for member in ("VERSION", "sniff", "read") if not hasattr(module, member)]
        if missing:
            raise ImportError(
                f"the reader {module.READER} in {module_info.name}.py lacks {', '.join(missing)}"
            )
        if module.READER in found:
            raise ImportError(f"two readers are called {module.READER}")
        found[module.READER] = Reader(module.READER, module.VERSION, module.sniff, module.read)
    return tuple(found[name] for name in sorted(found))


def choose(path: Path) -> Reader:
    """The reader with the best bid.

    Raises
    ------
    UnreadableLog
        The file cannot be opened.
    UnknownFormat
        No reader bids, or the best two bid the same.
    """
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except (OSError, ValueError) as error:
        raise UnreadableLog(
            f"the file cannot be read ({error})",
            subject=path.name,
            next_step="Check the file and its permissions",
        ) from error
    bids = sorted(((reader.sniff(head, path.name), reader) for reader in readers()), key=lambda bid: -bid[0])
    said = ", ".join(f"{reader.name} {bid}" for bid, reader in bids)
    if not bids or bids[0][0] <= 0:
        raise UnknownFormat(
            f"no reader recognises it (tried: {', '.join(reader.name for _, reader in bids)})",
            subject=path.name,
            next_step="Drop telemetry logs (.tlog) or tables (.csv, .parquet)",
        )
    if len(bids) > 1 and bids[0][0] == bids[1][0]:
        raise UnknownFormat(
            f"two readers are equally sure of it ({said})",
            subject=path.name,
            next_step="Give the file the ending of its format",
        )
    _log.debug("%s is read by %s (%s)", path.name, bids[0][1].name, said)
    return bids[0][1]


def read_log(path: Path, card: AirframeCard) -> Recording:
    """Decode one log with the reader that recognises it.

    Parameters
    ----------
    path : Path
        The file.
    card : AirframeCard
        The airframe's card: modes, outputs, parameter names, channel map.

    Returns
    -------
    Recording
        Says which reader and version made it.

    Raises
    ------
    LogError
        One of its four kinds; nothing else is raised for anything that a file can hold.
    """
    with np.errstate(all="ignore"):  # a log may hold any number there is
        recording = choose(path).read(path, card)
    if recording.duration_s > LONGEST_DAYS * _DAY_S:
        after_s, gap_s = _largest_gap(recording)
        raise ClockUnusable(
            f"its times span {recording.duration_s / _DAY_S:.3g} days"
            f" (the longest gap, {gap_s / _DAY_S:.3g} days, is after second {after_s:.6g})",
            subject=path.name,
            next_step="If a clock was set there, split the log at that place or correct its times",
        )
    return recording


def _largest_gap(recording: Recording) -> tuple[float, float]:
    """Start and length of the longest stretch in which no channel has a sample, seconds."""
    moments = np.unique(np.concatenate([[0.0], *(channel.time_s for channel in recording.channels.values())]))
    gaps = np.diff(moments)
    at = int(np.argmax(gaps)) if gaps.size else 0
    return float(moments[at]), float(gaps[at]) if gaps.size else 0.0
