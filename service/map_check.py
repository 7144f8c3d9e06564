"""What physics has against an airframe's map, as the lines of its files to change.

Columns of tables have their lines in `channels.toml`, servo outputs theirs in `airframe.toml`. Any other
channel comes from a log whose units are fixed: then the autopilot itself is set up the wrong way round.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from trimkeep.config.airframe import AirframeCard, ColumnMap, Output
from trimkeep.config.cards import CARD_FILE, COLUMNS_FILE
from trimkeep.detectors.channel_check import MapDoubt, check_map, corrected
from trimkeep.detectors.model import Note, Recording
from trimkeep.detectors.output_signs import OWN_AXIS, OutputDoubt, check_outputs
from trimkeep.service.readers.registry import read_log
from trimkeep.service.readers.table import READER as TABLE
from trimkeep.service.readers.table import planned
from trimkeep.service.readers.table_file import headers_of

LINE_NOTE, CHANNEL_NOTE = "line_against_physics", "channel_against_physics"
_COMMANDS = {f"{function}_cmd": function for function in OWN_AXIS}
_OUTPUT = Output(channel=0)


@dataclass(frozen=True, slots=True)
class Contradiction:
    """One thing that a log shows to be entered wrongly.

    Parameters
    ----------
    channel : str
        The channel, or the card's word for what an output moves.
    file, line : str or None
        The line as it should be, and the file it belongs into; None where no file decides it.
    witnesses : tuple of str
        The relations between channels that fail now.
    alternatives : tuple of str
        Channels of which one may be the wrong one instead.
    entry : ColumnMap or None
        The line of channels.toml as a value.
    """

    channel: str
    file: str | None
    line: str | None
    witnesses: tuple[str, ...]
    alternatives: tuple[str, ...] = ()
    entry: ColumnMap | None = None


def read_checked(path: Path, card: AirframeCard) -> Recording:
    """Read a log by the reader that knows it, and note what physics has against the map it was read with.

    Raises
    ------
    LogError
        The log cannot be read.
    """
    recording = read_log(path, card)
    plan = planned(headers_of(path), card) if recording.reader == TABLE else {}
    with np.errstate(all="ignore"):  # a log may hold any number there is
        notes = tuple(_note(one) for one in contradictions(recording, card, plan))
    return replace(recording, notes=(*recording.notes, *notes)) if notes else recording


def contradictions(
    recording: Recording, card: AirframeCard, plan: Mapping[str, ColumnMap]
) -> tuple[Contradiction, ...]:
    """What the recording shows to be entered wrongly.

    Parameters
    ----------
    recording : Recording
    card : AirframeCard
        By which it was read.
    plan : mapping of str to ColumnMap
        For a table: channel to the column it was taken from. Else empty.
    """
    outputs = check_outputs(recording, card)
    found = list(_of_outputs(outputs, card))
    for doubt in check_map(recording, tuple(plan.values())):
        driven = _driven(doubt, card) if doubt.channel not in plan else ()
        if driven and doubt.kind == "sign":
            # Where single outputs were named, they are why the command is the wrong way round.
            if not any(one.function in driven for one in outputs):
                found += [
                    Contradiction(name, CARD_FILE, outputs_line(name, _turned(card, name)), doubt.witnesses)
                    for name in driven
                ]
        elif entry := plan.get(doubt.swapped_with or doubt.channel):
            right = corrected(entry, doubt)
            line = column_line(right)
            found.append(
                Contradiction(doubt.channel, COLUMNS_FILE, line, doubt.witnesses, doubt.or_channels, right)
            )
        else:
            found.append(Contradiction(doubt.channel, None, None, doubt.witnesses, doubt.or_channels))
    return tuple(found)


def _of_outputs(doubts: tuple[OutputDoubt, ...], card: AirframeCard) -> Iterator[Contradiction]:
    for function in dict.fromkeys(one.function for one in doubts):
        own = [one for one in doubts if one.function == function]
        wrong = {one.index for one in own}
        outputs = tuple(
            replace(output, reversed=not output.reversed) if index in wrong else output
            for index, output in enumerate(card.outputs[function])
        )
        yield Contradiction(function, CARD_FILE, outputs_line(function, outputs), own[0].witnesses)


def _driven(doubt: MapDoubt, card: AirframeCard) -> tuple[str, ...]:
    """Lines of the card that a command comes from; none for channels that outputs do not decide."""
    function = _COMMANDS.get(doubt.channel)
    return (function,) if function in card.outputs and function is not None else ()


def _turned(card: AirframeCard, function: str) -> tuple[Output, ...]:
    return tuple(replace(output, reversed=not output.reversed) for output in card.outputs[function])


def _note(one: Contradiction) -> Note:
    values: dict[str, float | int | str] = {"channel": one.channel, "because": "; ".join(one.witnesses)}
    if one.alternatives:
        values["or"] = ", ".join(one.alternatives)
    if one.line is None or one.file is None:
        return Note(CHANNEL_NOTE, values)
    return Note(LINE_NOTE, {"file": one.file, "line": one.line, **values})


def contradiction_lines(one: Contradiction) -> list[str]:
    """What a person reads of it: the line to change, where, and why."""
    alternatives = f" (or else that of {', '.join(one.alternatives)})" if one.alternatives else ""
    why = [f"  # does not fit now: {witness}" for witness in one.witnesses]
    if one.line is None:
        return [f"{one.channel}: no file of the fleet decides how it is read{alternatives}", *why]
    return [f"{one.file}: {one.line}{alternatives}", *why]


def column_line(entry: ColumnMap) -> str:
    """One line of channels.toml.

    Examples
    --------
    >>> column_line(ColumnMap("pitch_rate_dps", "gy", unit="deg/s"))
    'pitch_rate_dps = { column = "gy", unit = "deg/s" }'
    """
    parts = [f"column = {quoted(entry.column)}"]
    if entry.unit is not None:
        parts.append(f"unit = {quoted(entry.unit)}")
    if entry.scale != 1.0:
        parts.append(f"scale = {entry.scale!r}")
    if entry.sign != 1:
        parts.append(f"sign = {entry.sign}")
    return f"{entry.channel} = {{ {', '.join(parts)} }}"


def outputs_line(function: str, outputs: tuple[Output, ...]) -> str:
    """One line of the card's `[outputs]`.

    Examples
    --------
    >>> outputs_line("elevator", (Output(channel=2, reversed=True, throw_deg=20.0),))
    'elevator = { channel = 2, throw_deg = 20.0, reversed = true }'
    """
    own = OWN_AXIS.get(function)
    # What the function's name says need not be said again.
    plain = {axis: float(axis == own) for axis in ("pitch", "roll", "yaw")}
    entries = [
        _output(replace(one, pitch=0.0, roll=0.0, yaw=0.0))
        if {axis: getattr(one, axis) for axis in plain} == plain
        else _output(one)
        for one in outputs
    ]
    return f"{function} = " + (entries[0] if len(entries) == 1 else f"[ {', '.join(entries)} ]")


def _output(output: Output) -> str:
    parts = [f"channel = {output.channel}"]
    for name in ("port", "low_us", "neutral_us", "high_us", "throw_deg", "reversed", "pitch", "roll", "yaw"):
        value = getattr(output, name)
        if value != getattr(_OUTPUT, name):
            parts.append(f"{name} = {str(value).lower()}")
    return f"{{ {', '.join(parts)} }}"


def quoted(text: str) -> str:
    """A TOML basic string: its escapes are those of JSON, whatever letters the header holds."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
