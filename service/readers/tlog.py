"""Reader of telemetry logs: time-stamped MAVLink packets, versions 1 and 2."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import NoChannels, UnreadableLog
from trimkeep.detectors.model import Note, Recording
from trimkeep.service.readers.outputs import commands, unmapped_outputs
from trimkeep.service.readers.tlog_channels import SUBJECTS, Channels
from trimkeep.service.readers.tlog_clock import make_clock
from trimkeep.service.readers.tlog_log import DecodedLog, Sender, decode_bytes, decode_file
from trimkeep.service.readers.tlog_power import battery, motors
from trimkeep.service.readers.tlog_source import Source
from trimkeep.service.readers.tlog_state import (
    board,
    firmware,
    last_time,
    modes,
    parameters,
    raw_outputs,
    texts,
)

READER = "tlog"
VERSION = 1

_CERTAIN, _LIKELY, _BY_NAME = 90, 60, 10
_NO_AUTOPILOT = 8
_GROUND_STATION = 6
_FIRST_COMPONENT = 1


def sniff(head: bytes, name: str) -> int:
    """How sure this reader is that the file is its own: 0 to 100.

    Parameters
    ----------
    head : bytes
        The file's first bytes, some thousands.
    name : str
        File name.
    """
    named = name.lower().endswith(".tlog")
    log = decode_bytes(head)
    n_frames = log.frames.records.start.size
    covered = int((log.frames.records.end - log.frames.records.start).sum())
    if n_frames >= 3 and 2 * covered >= len(head):
        return _CERTAIN
    if n_frames:
        return _LIKELY if named else _LIKELY - 20
    return _BY_NAME if named else 0


def read(path: Path, card: AirframeCard) -> Recording:
    """Decode a telemetry log.

    Parameters
    ----------
    path : Path
        The log.
    card : AirframeCard
        Its modes and outputs turn numbers into control modes and pulses into commands.

    Returns
    -------
    Recording

    Raises
    ------
    UnreadableLog
        The file cannot be read or holds no frame.
    NoChannels
        Frames, but none of an autopilot that says anything this project uses.
    """
    log = decode_file(path)
    records = log.frames.records
    if not records.start.size:
        raise UnreadableLog(
            f"there is no telemetry packet with a right checksum in its {log.size} bytes",
            subject=path.name,
            next_step="Copy the log again from the device that recorded it",
        )
    sender = autopilot(log)
    clock = make_clock(log, sender)
    source = Source(log, sender, clock)
    channels: Channels = {}
    for subject in (*SUBJECTS, battery, motors):
        for name, channel in subject(source).items():
            channels[name] = channel
    raw = raw_outputs(source)
    channels |= raw
    channels |= commands(raw, card)
    state = modes(source, card, last_time(channels))
    channels |= state.channels
    if not channels:
        raise NoChannels(
            f"its {records.start.size} packets hold no attitude, position or other message that is used",
            subject=path.name,
            next_step="Let the autopilot send its flight data on this link",
        )
    notes = (*_file_notes(log), *_sender_notes(log, sender), *clock.notes, *state.notes)
    if not card.has_card:
        notes += (Note("no_card", {}),)
    return Recording(
        source=path.name,
        reader=READER,
        reader_version=VERSION,
        duration_s=last_time(channels),
        channels=channels,
        start_utc=clock.start_utc,
        clock=clock.source,
        firmware=firmware(source),
        board=board(source),
        parameters=parameters(source),
        texts=texts(source),
        notes=notes + unmapped_outputs(raw, card),
    )


def autopilot(log: DecodedLog) -> Sender:
    """The sender whose heartbeat says that it is an autopilot; of several the one that says most.

    Without any such heartbeat: the sender of most frames.
    """
    counts = log.senders
    pilots = [sender for sender in counts if _is_autopilot(log, sender)]
    first = [sender for sender in pilots if sender[1] == _FIRST_COMPONENT]
    return max(first or pilots or list(counts), key=lambda sender: counts[sender])


def _is_autopilot(log: DecodedLog, sender: Sender) -> bool:
    beat = log.decode("HEARTBEAT", sender)
    flies = (beat["autopilot"] != _NO_AUTOPILOT) & (beat["type"] != _GROUND_STATION)
    return bool(beat.size) and float(np.mean(flies)) > 0.5


def _file_notes(log: DecodedLog) -> tuple[Note, ...]:
    notes: list[Note] = []
    frames = log.frames
    if frames.cut_off_at is not None:
        notes.append(Note("cut_off", {"bytes_read": frames.cut_off_at, "bytes_in_file": log.size}))
    if frames.skipped_bytes:
        notes.append(Note("skipped_bytes", {"count": frames.skipped_bytes}))
    if frames.bad_checksum:
        notes.append(Note("bad_checksum", {"frames": frames.bad_checksum}))
    return tuple(notes)


def _sender_notes(log: DecodedLog, own: Sender) -> tuple[Note, ...]:
    return tuple(
        Note("foreign_sender", {"system": sender[0], "component": sender[1], "frames": count})
        for sender, count in log.senders.items()
        if sender != own
    )
