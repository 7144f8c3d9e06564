"""One monotonic time base for a telemetry log, and what its wall time rests on.

The container's stamps are the receiver's clock: they jitter by the link's delay and jump when that
clock is set. The autopilot's own time since boot does neither. So the densest message that carries it
gives anchors, and a frame without it lies between two anchors as far as its stamp says. Where no
message carries it, the stamps are used, and only impossible steps are taken out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from trimkeep.detectors.model import ClockSource, FloatArray, Note
from trimkeep.service.readers.tlog_crc import Positions
from trimkeep.service.readers.tlog_log import DecodedLog, Sender
from trimkeep.service.readers.tlog_messages import message_kinds

# 1995 and 2095: before the first, no such logs were written; a 32-bit or little-endian stamp lands outside.
_EARLIEST_S, _LATEST_S = 788918400.0, 3944678400.0
_SPAN_32 = float(1 << 32)
_REBOOT_S = 5.0
"""Time since boot that goes back further than messages overtake each other is a restart."""
_JUMP_S = 2.0
"""A step of the receiver's clock worth telling; link delays are shorter."""
_DAY_S = 86400.0
_FEWEST_ANCHORS = 10
_BLOCK = 25
"""Anchors over which the receiver's delay is averaged out when looking for jumps."""


@dataclass(frozen=True, slots=True)
class Clock:
    """Where every frame lies in time.

    Parameters
    ----------
    place : ndarray of intp, shape (k,)
        Places of the anchor frames in the log, increasing.
    time_s : ndarray of float64, shape (k,)
        Their time, seconds from the recording's start, not decreasing.
    stamp_s : ndarray of float64, shape (k,)
        Their container stamp, seconds since `epoch_s`.
    epoch_s : float
        Unix time of stamp zero; only differences matter where the stamps are implausible.
    swapped : bool
        The stamps were written little-endian.
    restart_place, restart_offset_s : ndarrays
        From that place on, time = seconds since boot + offset.
    has_boot_time : bool
        The time base is the autopilot's time since boot.
    start_utc, source, notes
        As in `Recording`.
    """

    place: Positions
    time_s: FloatArray
    stamp_s: FloatArray
    epoch_s: float
    swapped: bool
    restart_place: Positions
    restart_offset_s: FloatArray
    has_boot_time: bool
    start_utc: datetime | None
    source: ClockSource
    notes: tuple[Note, ...]

    def received(self, log: DecodedLog, places: Positions) -> FloatArray:
        """Time of frames by their place between the anchors, seconds, shape (n,)."""
        stamp = _seconds(log.stamps_us(places), self.swapped, self.epoch_s)
        before = np.searchsorted(self.place, places, side="right") - 1
        k = np.maximum(before, 0)
        room = np.append(np.diff(self.time_s), _DAY_S)  # until the next anchor
        time = self.time_s[k] + np.clip(stamp - self.stamp_s[k], 0.0, room[k])
        early = before < 0
        time[early] = self.time_s[0] - np.clip(self.stamp_s[0] - stamp[early], 0.0, _DAY_S)
        return ordered(time)

    def since_boot(self, boot_s: FloatArray, places: Positions) -> FloatArray:
        """Time of frames that carry the autopilot's seconds since boot, shape (n,)."""
        if self.restart_offset_s.size == 1:
            return ordered(boot_s + self.restart_offset_s[0])
        run = np.searchsorted(self.restart_place, places, side="right") - 1
        return ordered(boot_s + self.restart_offset_s[np.maximum(run, 0)])


def ordered(time_s: FloatArray) -> FloatArray:
    """Not before the recording's start, and never going back: late-comers get the time of those before."""
    time = np.maximum(time_s, 0.0)
    if time.size > 1 and (time[1:] < time[:-1]).any():
        return np.maximum.accumulate(time)
    return time


def unwrapped(counter: NDArray[np.unsignedinteger], ticks_per_s: float) -> FloatArray:
    """Seconds of a counter; one of 32 bits goes on counting over its end.

    `time_boot_ms` begins anew after 49.7 days, the 32-bit microseconds of the outputs after 71.6 minutes.
    """
    ticks = counter.astype(np.float64)
    if counter.dtype.itemsize == 4 and ticks.size > 1:
        step = np.diff(ticks)
        wraps = (step < -_SPAN_32 / 2).astype(np.int64) - (step > _SPAN_32 / 2)
        if wraps.any():
            ticks[1:] += np.cumsum(wraps) * _SPAN_32
    ticks /= ticks_per_s
    return ticks


def make_clock(log: DecodedLog, sender: Sender) -> Clock:
    """The time base of one sender's messages.

    Parameters
    ----------
    log : DecodedLog
        With at least one frame.
    sender : tuple of int
        The autopilot.

    Returns
    -------
    Clock
    """
    stamps = log.stamps_us()
    swapped, notes = _byte_order(stamps)
    epoch = _epoch(stamps, swapped)
    place, boot_s = _boot_anchors(log, sender)
    has_boot_time = place.size >= _FEWEST_ANCHORS
    if has_boot_time:
        stamp_s = _seconds(stamps[place], swapped, epoch)
        time, starts, offsets = _continued(boot_s, stamp_s)
        jumps = _jumps(stamp_s - time)
        restart_place = place[starts]
    else:
        place = np.arange(stamps.size)
        stamp_s = _without_spikes(_seconds(stamps, swapped, epoch))
        time, jumps = _repaired(stamp_s)
        restart_place, offsets = np.zeros(1, np.intp), np.zeros(1)
    notes += tuple(Note("clock_jump", {"seconds": round(jump, 3)}) for jump in jumps)
    lead = min(max(float(stamp_s[0] - _seconds(stamps[:1], swapped, epoch)[0]), 0.0), float(_DAY_S))
    zero = float(time[0]) - (lead if place[0] > 0 else 0.0)
    receiver = float(np.median((stamp_s - time)[-_BLOCK:])) + epoch + zero
    start, source, more = _wall_time(log, sender, place, time - zero, receiver)
    return Clock(
        place=place,
        time_s=time - zero,
        stamp_s=stamp_s,
        epoch_s=epoch,
        swapped=swapped,
        restart_place=restart_place,
        restart_offset_s=offsets - zero,
        has_boot_time=has_boot_time,
        start_utc=start,
        source=source,
        notes=notes + more,
    )


def _plausible(unix_s: FloatArray) -> NDArray[np.bool_]:
    return (unix_s > _EARLIEST_S) & (unix_s < _LATEST_S)


def _byte_order(stamps: NDArray[np.uint64]) -> tuple[bool, tuple[Note, ...]]:
    """Whether the stamps stand the wrong way round; one published description says so."""
    good = float(np.mean(_plausible(stamps / 1e6)))
    if good >= 0.5:
        return False, ()
    if float(np.mean(_plausible(stamps.byteswap() / 1e6))) >= 0.5:
        return True, (Note("implausible_year", {"read_as": "little_endian"}),)
    if good > 0.0:  # set to real time late: the jump says the rest
        return False, ()
    year = 1970 + int(min(float(np.median(stamps)) / 1e6 / (365.25 * _DAY_S), 600000.0))
    return False, (Note("implausible_year", {"year": year}),)


def _epoch(stamps: NDArray[np.uint64], swapped: bool) -> float:
    """A stamp near the others, so that differences keep their microseconds."""
    native = stamps.byteswap() if swapped else stamps
    return float(int(np.median(native)) // 1_000_000)


def _seconds(stamps: NDArray[np.uint64], swapped: bool, epoch_s: float) -> FloatArray:
    native = stamps.byteswap() if swapped else stamps
    near = native - np.uint64(int(epoch_s) * 1_000_000)  # wraps below zero and is read as signed
    return near.view(np.int64) / 1e6


def _boot_anchors(log: DecodedLog, sender: Sender) -> tuple[Positions, FloatArray]:
    """Places and seconds since boot of the densest message that carries them."""
    best, field_of = 0, ""
    for (number, who), places in log.index.items():
        kind = message_kinds().get(number)
        if kind is None or who != sender or "time_boot_ms" not in (kind.layout.names or ()):
            continue
        if places.size > best:
            best, field_of = places.size, kind.name
    if not best:
        return np.empty(0, np.intp), np.empty(0)
    boot = log.decode(field_of, sender)["time_boot_ms"]
    if not boot.any():  # some senders leave the field empty
        return np.empty(0, np.intp), np.empty(0)
    return log.places(field_of, sender), unwrapped(boot, 1e3)


def _continued(boot_s: FloatArray, stamp_s: FloatArray) -> tuple[FloatArray, Positions, FloatArray]:
    """Seconds since boot, carried on over restarts; first anchor and offset of each run."""
    step, stamp_step = np.diff(boot_s), np.diff(stamp_s)
    restart = (step < -_REBOOT_S) | (step > np.maximum(stamp_step, 0.0) + 3600.0)
    starts = np.concatenate(([0], np.flatnonzero(restart) + 1))
    offsets = np.zeros(starts.size)
    for run, at in enumerate(starts[1:].tolist(), start=1):
        gap = stamp_s[at] - stamp_s[at - 1]
        gap = gap if 0.0 <= gap < _DAY_S else 0.0
        offsets[run] = offsets[run - 1] + boot_s[at - 1] + gap - boot_s[at]
    time = boot_s + np.repeat(offsets, np.diff(np.append(starts, boot_s.size)))
    return np.maximum.accumulate(time), starts, offsets


def _jumps(delay_s: FloatArray) -> list[float]:
    """Steps of the receiver's clock against the autopilot's, seconds."""
    whole = delay_s.size // _BLOCK * _BLOCK
    if whole < 2 * _BLOCK:
        return []
    level = np.median(delay_s[:whole].reshape(-1, _BLOCK), axis=1)
    step = np.diff(level)
    big = np.flatnonzero(np.abs(step) > _JUMP_S)
    # One jump inside a block shows as two steps.
    runs = np.split(big, np.flatnonzero(np.diff(big) > 1) + 1) if big.size else []
    totals = [float(step[run].sum()) for run in runs]
    return [total for total in totals if abs(total) > _JUMP_S]


def _without_spikes(stamp_s: FloatArray) -> FloatArray:
    """Single stamps far from both neighbours (garbage took part of the record), moved to the former."""
    out = stamp_s.copy()
    if out.size < 3:
        return out
    before, after = out[1:-1] - out[:-2], out[2:] - out[1:-1]
    spike = (np.abs(before) > 30.0) & (np.abs(after) > 30.0) & (np.abs(before + after) < 30.0)
    at = np.flatnonzero(spike) + 1
    out[at] = stamp_s[at - 1]
    return out


def _repaired(stamp_s: FloatArray) -> tuple[FloatArray, list[float]]:
    """Stamps alone: steps back and steps of more than a day are jumps of the clock, all else is time."""
    step = np.diff(stamp_s)
    usual = step[(step > 0.0) & (step < 1.0)]
    typical = float(np.median(usual)) if usual.size else 0.0
    jump = (step < -0.5) | (step > _DAY_S)
    jumps = (step[jump] - typical).tolist()
    step = np.where(jump, typical, np.maximum(step, 0.0))
    return np.concatenate(([0.0], np.cumsum(step))), jumps


def _wall_time(
    log: DecodedLog, sender: Sender, place: Positions, time_s: FloatArray, receiver_unix_s: float
) -> tuple[datetime | None, ClockSource, tuple[Note, ...]]:
    """UTC of time zero: satellite time that the autopilot passed on, else the receiver's clock."""
    receiver_good = bool(_plausible(np.asarray([receiver_unix_s]))[0])
    said = log.decode("SYSTEM_TIME", sender)
    unix = said["time_unix_usec"] / 1e6
    known = np.flatnonzero(_plausible(unix))
    if known.size and _had_fix(log, sender):
        at = np.interp(log.places("SYSTEM_TIME", sender)[known], place, time_s)
        satellite = float(np.median((unix[known] - at)[-_BLOCK:]))
        off = receiver_unix_s - satellite
        notes: tuple[Note, ...] = ()
        if receiver_good and abs(off) > 60.0:
            notes = (Note("receiver_clock", {"seconds": round(off, 1)}),)
        return _utc(satellite), ClockSource.SATELLITE, notes
    if receiver_good:
        return _utc(receiver_unix_s), ClockSource.RECEIVER, ()
    return None, ClockSource.NONE, ()


def _had_fix(log: DecodedLog, sender: Sender) -> bool:
    """True when the satellite receiver had a position at some time; without one the date may be made up."""
    return bool((log.decode("GPS_RAW_INT", sender)["fix_type"] >= 3).any())


def _utc(unix_s: float) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=unix_s)
