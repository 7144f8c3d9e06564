"""What a telemetry log says in words and codes: modes, arming, outputs, parameters, texts, versions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimkeep.config.airframe import AirframeCard
from trimkeep.detectors.model import Channel, Note, ParameterReading, Text
from trimkeep.service.readers.modes import STANDARD_MODES, UNKNOWN, mode_codes, unmapped_notes
from trimkeep.service.readers.outputs import output_name
from trimkeep.service.readers.tlog_channels import Channels
from trimkeep.service.readers.tlog_source import Messages, Source

_ARMED = 128
_BYTE_WISE = 16
"""Capability bit: integer parameters are copied into the float byte by byte, not converted."""
_INTEGER_TYPES = {1: "u1", 2: "i1", 3: "<u2", 4: "<i2", 5: "<u4", 6: "<i4"}
_RELEASE = {0: "dev", 64: "alpha", 128: "beta", 192: "rc", 255: ""}


@dataclass(frozen=True, slots=True)
class Modes:
    """Armed flag and modes as channels, and what could not be mapped."""

    channels: Channels
    notes: tuple[Note, ...]


def modes(source: Source, card: AirframeCard, end_s: float) -> Modes:
    """Armed, the log's own mode number and the project's control mode.

    The protocol's standard mode wins where the log carries it; else the card's `[modes]`; else what the
    log itself says of its custom modes (AVAILABLE_MODES). The last mode holds until `end_s`.
    """
    beat = source.get("HEARTBEAT")
    channels: Channels = {}
    if len(beat):
        armed = (beat.data["base_mode"] & _ARMED) != 0
        channels["armed"] = beat.channel(armed.astype(np.float64))
        channels["mode_number"] = beat.channel(beat.column("custom_mode"))
    words = _own_words(source) | dict(card.modes)
    current = source.get("CURRENT_MODE")
    m = current if len(current) else beat
    if not len(m):
        return Modes(channels, ())
    numbers = m.data["custom_mode"]
    code = mode_codes(numbers, words)
    if len(current):
        standard = mode_codes(current.data["standard_mode"], STANDARD_MODES)
        code = np.where(standard != UNKNOWN, standard, code)
        channels.setdefault("mode_number", current.channel(current.column("custom_mode")))
    channels["control_mode"] = m.channel(code)
    return Modes(channels, unmapped_notes(numbers, channels["control_mode"], end_s))


def _own_words(source: Source) -> dict[int, str]:
    listed = source.get("AVAILABLE_MODES")
    pairs = zip(listed.data["custom_mode"].tolist(), listed.data["standard_mode"].tolist(), strict=True)
    return {number: STANDARD_MODES[standard] for number, standard in pairs if standard in STANDARD_MODES}


def raw_outputs(source: Source) -> Channels:
    """Every output that ever had a signal, `output_<port>_<channel>_us`."""
    m = source.get("SERVO_OUTPUT_RAW")
    found: Channels = {}
    for port in np.unique(m.data["port"]).tolist():
        bank = m.only(m.data["port"] == port)
        for channel in range(1, 17):
            if bank.data[f"servo{channel}_raw"].any():
                pulse = bank.column(f"servo{channel}_raw")
                found[output_name(port, channel)] = bank.channel(pulse)
    return found


def parameters(source: Source) -> tuple[ParameterReading, ...]:
    """Every reading that differs from the one before of the same name, ordered by time."""
    m = source.get("PARAM_VALUE")
    if not len(m):
        return ()
    value = _parameter_values(m, _byte_wise(source))
    names, which = np.unique(m.data["param_id"], return_inverse=True)
    order = np.argsort(which, kind="stable")
    name, ordered = which[order], value[order]
    same = np.zeros(order.size, bool)
    same[1:] = (name[1:] == name[:-1]) & (
        (ordered[1:] == ordered[:-1]) | (np.isnan(ordered[1:]) & np.isnan(ordered[:-1]))
    )
    kept = np.sort(order[~same])
    words = [_plain(raw) for raw in names.tolist()]
    return tuple(
        ParameterReading(time, words[k], number)
        for time, k, number in zip(
            m.time_s[kept].tolist(), which[kept].tolist(), value[kept].tolist(), strict=True
        )
    )


def _byte_wise(source: Source) -> bool:
    version = source.get("AUTOPILOT_VERSION")
    return bool(len(version)) and bool((version.data["capabilities"][-1] & np.uint64(_BYTE_WISE)) != 0)


def _parameter_values(m: Messages, byte_wise: bool) -> NDArray[np.float64]:
    carrier = np.ascontiguousarray(m.data["param_value"])
    value = carrier.astype(np.float64)
    if byte_wise:
        raw = carrier.view(np.uint8).reshape(-1, 4)
        for code, kind in _INTEGER_TYPES.items():
            typed = m.data["param_type"] == code
            if typed.any():
                width = np.dtype(kind).itemsize
                value[typed] = np.ascontiguousarray(raw[typed, :width]).view(kind)[:, 0]
    return value


def texts(source: Source) -> tuple[Text, ...]:
    """The autopilot's messages, those in several chunks put together."""
    m = source.get("STATUSTEXT")
    found: list[Text] = []
    open_id, open_severity = 0, -1
    rows = zip(
        m.time_s.tolist(),
        m.data["severity"].tolist(),
        m.data["text"].tolist(),
        m.data["id"].tolist(),
        m.data["chunk_seq"].tolist(),
        strict=True,
    )
    for time, severity, raw, number, chunk in rows:
        text = _plain(raw)
        if number and chunk and number == open_id and severity == open_severity and found:
            before = found.pop()
            found.append(Text(before.time_s, severity, before.text + text))
        else:
            found.append(Text(time, severity, text))
        open_id, open_severity = number, severity
    return tuple(found)


def firmware(source: Source) -> str | None:
    """Version as `major.minor.patch`, followed by the release type where it is not official."""
    m = source.get("AUTOPILOT_VERSION")
    version = int(m.data["flight_sw_version"][-1]) if len(m) else 0
    if not version:
        return None
    kind = version & 0xFF
    return f"{version >> 24}.{version >> 16 & 255}.{version >> 8 & 255}{_RELEASE.get(kind, f'-{kind}')}"


def board(source: Source) -> str | None:
    """The board's own unique number, else its type; None when the log tells neither."""
    m = source.get("AUTOPILOT_VERSION")
    if not len(m):
        return None
    last = m.data[-1]
    unique = last["uid2"].tobytes()
    if any(unique):
        return unique.hex()
    if last["uid"]:
        return f"{int(last['uid']):016x}"
    return f"type {int(last['board_version'])}" if last["board_version"] else None


def _plain(raw: bytes) -> str:
    return raw.split(b"\0", 1)[0].decode("utf-8", errors="replace")


def last_time(channels: dict[str, Channel]) -> float:
    """Time of the last sample of all channels, seconds."""
    return max((float(c.time_s[-1]) for c in channels.values() if c.time_s.size), default=0.0)
