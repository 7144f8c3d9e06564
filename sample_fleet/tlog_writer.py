"""A flight as a telemetry log: sending times, senders, losses and the receiver's clock."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.identity import Circumstances, Identity
from trimkeep.sample_fleet.log_styles import Cadence, Greeting, LogStyle
from trimkeep.sample_fleet.mavlink_layouts import LAYOUTS
from trimkeep.sample_fleet.mavlink_packets import (
    Batch,
    Bytes,
    Sender,
    batch,
    raw_batch,
    sending_order,
    telemetry_log,
)
from trimkeep.sample_fleet.tlog_messages import INTEGRATORS, MESSAGES, ONLY_WITH
from trimkeep.sample_fleet.tlog_take import Floats, Take

GROUND_STATION, NO_AUTOPILOT = 6, 8
GROUND_SENDER = (255, 190)
PARAMETERS_BY_CAST = 131072
REAL_NUMBER = 9  # the protocol's word for a parameter that is a float
NO_INDEX = 65535
OFFICIAL_RELEASE = 255
GREETING_AT_S = 0.3
PARAMETERS_PER_S = 50.0
COUNTERS_EVERY_S = 30.0
COUNTERS = ("COUNT_FLIGHT_S", "COUNT_AWAKE_S")
DELAY_MEMORY_S = 0.05
SLOT_S = 0.0002  # packets that are due together leave one after another


def write_tlog(
    path: Path,
    flown: Flown,
    identity: Identity,
    circumstances: Circumstances,
    style: LogStyle,
    rng: np.random.Generator,
) -> None:
    """Write one telemetry log.

    Parameters
    ----------
    path : Path
    flown : Flown
    identity : Identity
    circumstances : Circumstances
    style : LogStyle
    rng : Generator
        Sending jitter, losses and garbage.
    """
    path.write_bytes(tlog_bytes(flown, identity, circumstances, style, rng))


def tlog_bytes(
    flown: Flown,
    identity: Identity,
    circumstances: Circumstances,
    style: LogStyle,
    rng: np.random.Generator,
) -> bytes:
    """The bytes of one telemetry log; arguments as `write_tlog`."""
    batches = list(_batches(flown, identity, circumstances, style, rng))
    batches = [one for one in (_kept(one, circumstances.keep) for one in batches) if one.sent_s.size]
    order = sending_order(batches)
    sent_s = np.concatenate([one.sent_s for one in batches])[order]
    stamp_us = _stamps(sent_s, circumstances, style, rng)
    log = telemetry_log(batches, stamp_us, order, _received(sent_s, style, rng))
    return _spoil(log, circumstances, rng)


def _batches(
    flown: Flown,
    identity: Identity,
    circumstances: Circumstances,
    style: LogStyle,
    rng: np.random.Generator,
) -> Iterator[Batch]:
    sender = Sender(identity.system, 1, identity.protocol)
    whole = Take(flown, np.arange(flown.t_s.size), identity, circumstances, style)
    yield from _greeting(whole, sender, style)
    for slot, (name, cadence) in enumerate(style.messages.items()):
        take = Take(flown, _due(flown.t_s, cadence, rng), identity, circumstances, style)
        if name == "NAMED_VALUE_FLOAT":
            yield from _integrators(take, sender)
            continue
        if name in ONLY_WITH and not style.keeps_targets:
            take = take.where(np.isfinite(take[ONLY_WITH[name]]))
        if LAYOUTS[name].number > 255 and sender.version == 1:
            continue  # the number does not fit into the one byte of version 1
        yield batch(LAYOUTS[name], sender, _leaving(take, slot), **MESSAGES[name](take))
    if style.sends_texts:
        yield from _texts(whole, sender)
    for unknown in style.unknown:
        sent_s = flown.t_s[_due(flown.t_s, unknown.cadence, rng)]
        payload = rng.integers(0, 256, (sent_s.size, unknown.payload_bytes), dtype=np.uint8)
        yield raw_batch(sender, unknown.number, int(rng.integers(256)), sent_s, payload)
    for version in style.ground_station:
        yield _ground_station(flown, version, rng)


def _due(t_s: Floats, cadence: Cadence, rng: np.random.Generator) -> NDArray[np.intp]:
    """Samples at which a message is due: an even grid of random phase, with the style's jitter."""
    step_s = float(t_s[1] - t_s[0])
    if cadence.rate_hz * step_s > 0.99:
        return np.arange(t_s.size)
    first_s = t_s[0] + rng.uniform(0.0, 1.0) / cadence.rate_hz
    grid_s = np.arange(first_s, t_s[-1], 1.0 / cadence.rate_hz)
    if cadence.jitter_s > 0.0:
        grid_s = grid_s + rng.normal(0.0, cadence.jitter_s, grid_s.size)
    rows = np.rint((grid_s - t_s[0]) / step_s).astype(np.intp)
    return np.unique(np.clip(rows, 0, t_s.size - 1))


def _leaving(take: Take, slot: int) -> Floats:
    return take.flown.t_s[take.rows] + SLOT_S * slot


def _greeting(whole: Take, sender: Sender, style: LogStyle) -> Iterator[Batch]:
    if style.greeting is Greeting.NOTHING:
        yield from _counters(whole, sender)
        return
    start_s = float(whole.flown.t_s[0])
    major, minor, patch = whole.circumstances.firmware
    packed = (major << 24) | (minor << 16) | (patch << 8) | OFFICIAL_RELEASE
    yield batch(
        LAYOUTS["AUTOPILOT_VERSION"],
        sender,
        np.array([start_s + GREETING_AT_S]),
        capabilities=np.uint64(PARAMETERS_BY_CAST),
        uid=np.uint64(whole.identity.serial),
        flight_sw_version=np.uint32(packed),
        board_version=whole.identity.board_number,
    )
    count = len(whole.flown.parameters)
    yield batch(
        LAYOUTS["PARAM_VALUE"],
        sender,
        start_s + GREETING_AT_S + np.linspace(1.0, count, count) / PARAMETERS_PER_S,
        param_value=np.array(list(whole.flown.parameters.values())),
        param_count=count,
        param_index=np.arange(count),
        param_id=characters(tuple(whole.flown.parameters), 16),
        param_type=REAL_NUMBER,
    )


def _counters(whole: Take, sender: Sender) -> Iterator[Batch]:
    """Running counters that real autopilots send as parameters: they change, and mean nothing."""
    t_s = whole.flown.t_s
    at_s = np.arange(t_s[0] + COUNTERS_EVERY_S / 2.0, t_s[-1], COUNTERS_EVERY_S)
    flying_s = np.interp(at_s, t_s, np.cumsum(whole["armed"]) / whole.flown.rate_hz)
    for place, (name, values) in enumerate(
        zip(COUNTERS, (flying_s, at_s + whole.circumstances.awake_s), strict=True)
    ):
        yield batch(
            LAYOUTS["PARAM_VALUE"],
            sender,
            at_s + SLOT_S * place,
            param_value=np.rint(values),
            param_count=len(whole.flown.parameters) + len(COUNTERS),
            param_index=NO_INDEX,
            param_id=characters((name,) * at_s.size, 16),
            param_type=REAL_NUMBER,
        )


def characters(words: tuple[str, ...], width: int) -> Bytes:
    """Words as rows of bytes, cut or filled with zeros to `width`; shape (len(words), width)."""
    rows = np.zeros((len(words), width), dtype=np.uint8)
    for row, word in zip(rows, words, strict=True):
        data = word.encode("ascii", "replace")[:width]
        row[: len(data)] = np.frombuffer(data, dtype=np.uint8)
    return rows


def _integrators(take: Take, sender: Sender) -> Iterator[Batch]:
    for slot, (name, signal) in enumerate(INTEGRATORS.items()):
        yield batch(
            LAYOUTS["NAMED_VALUE_FLOAT"],
            sender,
            _leaving(take, 30 + slot),
            time_boot_ms=take.boot_ms,
            value=take[signal],
            name=characters((name,) * take.rows.size, 10),
        )


def _texts(whole: Take, sender: Sender) -> Iterator[Batch]:
    texts = whole.flown.texts
    if texts:
        yield batch(
            LAYOUTS["STATUSTEXT"],
            sender,
            np.array([at_s for at_s, _, _ in texts]),
            severity=np.array([severity for _, severity, _ in texts]),
            text=characters(tuple(text for _, _, text in texts), 50),
        )


def _ground_station(flown: Flown, version: int, rng: np.random.Generator) -> Batch:
    """Heartbeats of another sender in the same log: never armed, no mode."""
    rows = _due(flown.t_s, Cadence(1.0, 1.07), rng)
    return batch(
        LAYOUTS["HEARTBEAT"],
        Sender(*GROUND_SENDER, version),
        flown.t_s[rows],
        type=GROUND_STATION,
        autopilot=NO_AUTOPILOT,
        mavlink_version=3,
    )


def _kept(one: Batch, keep: tuple[float, float]) -> Batch:
    inside = (one.sent_s >= keep[0]) & (one.sent_s <= keep[1])
    return Batch(one.sender, one.number, one.extra, one.sent_s[inside], one.payload[inside])


def _stamps(
    sent_s: Floats, circumstances: Circumstances, style: LogStyle, rng: np.random.Generator
) -> NDArray[np.int64]:
    """The receiver's clock at each packet: late by a varying while, never going back."""
    start_us = circumstances.switched_on_at.timestamp() * 1e6 + circumstances.clock_error_s * 1e6
    # the delay wanders slowly against the packets' spacing: packets stay in order, as they do on a link
    knots_s = np.arange(sent_s[0], sent_s[-1] + 2.0 * DELAY_MEMORY_S, DELAY_MEMORY_S)
    late_s = style.stamp_sigma_s * (3.0 + rng.standard_normal(knots_s.size))
    at_us = start_us + (sent_s + np.maximum(np.interp(sent_s, knots_s, late_s), 0.0)) * 1e6
    steps = np.floor(at_us / style.stamp_step_us).astype(np.int64) * style.stamp_step_us
    return np.maximum.accumulate(steps)


def _received(sent_s: Floats, style: LogStyle, rng: np.random.Generator) -> NDArray[np.bool_]:
    received = rng.random(sent_s.size) >= style.loss_share
    for _ in range(style.drop_outs):
        start_s = rng.uniform(sent_s[0] + 20.0, max(sent_s[-1] - 20.0, sent_s[0] + 20.0))
        received &= (sent_s < start_s) | (sent_s > start_s + rng.uniform(*style.drop_out_s))
    return received


def _spoil(log: Bytes, circumstances: Circumstances, rng: np.random.Generator) -> bytes:
    """Put garbage into the file and cut its end off, where the circumstances say so."""
    data = log.tobytes()
    if circumstances.cut_bytes:
        data = data[: -circumstances.cut_bytes]
    for _ in range(circumstances.garbage_spots):
        at = int(rng.integers(len(data) // 10, len(data)))
        data = (
            data[:at] + rng.integers(0, 256, int(rng.integers(3, 60)), dtype=np.uint8).tobytes() + data[at:]
        )
    return data
