"""Telemetry reader against the library's own per-message decoding, on an hour at 50 Hz.

Run with `python -m tests.benchmarks.tlog_reader`. Pairs run alternately, medians are printed. The log is
packed once by the library and kept in the system's temporary folder.
"""

from __future__ import annotations

import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from fastcrc import crc16
from pymavlink.dialects.v20 import common

from trimkeep.config.airframe import AirframeCard, Output
from trimkeep.service.readers import tlog, tlog_kernel
from trimkeep.service.readers.tlog_crc import crc_matches, crc_matches_by_arrays
from trimkeep.service.readers.tlog_frames import _known_extras
from trimkeep.service.readers.tlog_log import DecodedLog, decode_file

PAIRS = 5
CHECKSUM_ROUNDS = 15
RATE_HZ, SECONDS = 50, 3600
LOG = Path(tempfile.gettempdir()) / "trimkeep_benchmark_50hz_1h.tlog"
CARD = AirframeCard(
    id="bench", outputs={"elevator": (Output(2),), "aileron": (Output(1),), "throttle": (Output(3),)}
)
START_US = 1_700_000_000_000_000


def build(path: Path) -> None:
    """Nine kinds of message at 50 Hz for an hour, and a heartbeat every second."""
    mav = common.MAVLink(None, srcSystem=1, srcComponent=1)
    n = RATE_HZ * SECONDS
    rng = np.random.default_rng(7)
    noise = rng.normal(size=(n, 20)).astype(float).tolist()
    pulses = rng.integers(1300, 1700, (n, 8)).tolist()
    with path.open("wb") as file:
        for k in range(n):
            ms, x, p = k * 1000 // RATE_HZ, noise[k], pulses[k]
            stamp = (START_US + ms * 1000 + int(abs(x[19]) * 3000)).to_bytes(8, "big")
            messages = [
                common.MAVLink_attitude_message(ms, *x[:6]),
                common.MAVLink_global_position_int_message(
                    ms,
                    471_000_000 + k,
                    80_000_000 - k,
                    500_000 + p[0],
                    100_000 + p[0],
                    1500,
                    20 - p[1],
                    p[2] - 1500,
                    9000,
                ),
                common.MAVLink_vfr_hud_message(15.0 + x[6], 16.0, 90, 50, 500.0, x[7]),
                common.MAVLink_servo_output_raw_message(ms * 1000 % (1 << 32), 0, *p),
                common.MAVLink_rc_channels_message(ms, 8, *p, *[0] * 10, 200),
                common.MAVLink_nav_controller_output_message(x[8], x[9], 90, 91, 100, x[10], x[11], x[12]),
                common.MAVLink_highres_imu_message(ms * 1000, *x[:13], 65535, 0),
                common.MAVLink_attitude_target_message(
                    ms, 0, [1.0, x[13] / 9, x[14] / 9, 0.0], *x[15:18], 0.5
                ),
                common.MAVLink_vibration_message(ms * 1000, *x[16:19], 0, 0, 0),
            ]
            if k % RATE_HZ == 0:
                messages.append(common.MAVLink_heartbeat_message(1, 12, 209, 3, 4, 3))
            file.write(b"".join(stamp + message.pack(mav) for message in messages))


def decode_all(path: Path) -> int:
    """Ours: every message of the file decoded into records."""
    log = decode_file(path)
    return sum(log.decode(number, sender).size for number, sender in log.index)


def packets_of(log: DecodedLog, data: bytes) -> list[bytes]:
    """The packets alone, for the library, which is spared finding them."""
    starts, ends = log.frames.records.start.tolist(), log.frames.records.end.tolist()
    return [data[a + 8 : b] for a, b in zip(starts, ends, strict=True)]


def library_decode(packets: list[bytes]) -> int:
    """The library's fastest way: `decode` on each packet, cut out beforehand."""
    mav = common.MAVLink(None)
    decode = mav.decode
    for packet in packets:
        decode(bytearray(packet))
    return len(packets)


def library_parse(stream: bytes) -> int:
    """The library's usual way: the packets as one stream through `parse_buffer`."""
    return len(common.MAVLink(None).parse_buffer(bytearray(stream)) or ())


def seconds(work: Callable[[], object]) -> float:
    """Wall seconds of one call."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def memory_ratio() -> float:
    """Peak memory of a child that reads the log, less that of a child that only imports, per byte of file."""
    program = (
        "import resource, sys, pathlib\n"
        "from tests.benchmarks.tlog_reader import CARD\n"
        "from trimkeep.service.readers import tlog\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "tlog.read(pathlib.Path(sys.argv[1]), CARD)\n"
        "print(before, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    said = subprocess.run(
        [sys.executable, "-c", program, str(LOG)], capture_output=True, text=True, check=True
    )
    before, peak = (int(word) * 1024 for word in said.stdout.split())
    size = LOG.stat().st_size
    print(f"peak memory of read(): {peak / size:.2f} x file ({(peak - before) / size:.2f} x above imports)")
    return peak / size


def print_checksums(log: DecodedLog, packets: list[bytes]) -> None:
    """The same CRC-16 over the same bytes: ours, without the compiled loops, and by the fastest library."""
    records, n = log.frames.records, log.frames.records.start.size
    first, end = records.body, records.payload + records.length
    extra = _known_extras(records.message).astype(np.uint8)
    bodies = [packet[1:-2] for packet in packets]
    joined = b"".join(bodies)
    works: dict[str, Callable[[], object]] = {
        "ours": lambda: crc_matches(log.data, first, end, extra),
        "ours, arrays alone": lambda: crc_matches_by_arrays(log.data, first, end, extra),
        "fastcrc, frame by frame": lambda: [crc16.mcrf4xx(body) for body in bodies],
        "fastcrc, whole buffer": lambda: crc16.mcrf4xx(joined),
    }
    rounds = [{name: seconds(work) for name, work in works.items()} for _ in range(CHECKSUM_ROUNDS)]
    print(f"checksums of {len(joined) / 1e6:.1f} MB in {n} frames, medians of {CHECKSUM_ROUNDS} rounds:")
    for name in works:
        spent = statistics.median(one[name] for one in rounds)
        times = statistics.median(one[name] / one["fastcrc, whole buffer"] for one in rounds)
        print(f"  {name:24s} {spent * 1e3:7.1f} ms, {times:5.1f} times the whole buffer")


def main() -> None:
    """Print the figures."""
    if not LOG.exists():
        print("building the log (once) ...")
        part = LOG.with_suffix(".part")
        build(part)
        part.rename(LOG)
    memory_ratio()  # first: a child's high-water mark begins at its parent's size
    data = LOG.read_bytes()
    log = decode_file(LOG)
    records = log.frames.records
    n = records.start.size
    packets = packets_of(log, data)
    few = packets[: n // 10]
    stream = b"".join(few)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()},"
        f" numpy {np.__version__}, loops {'compiled' if tlog_kernel.compiled() else 'by arrays'}"
    )
    print(f"{n} messages, {len(data) / 1e6:.1f} MB")

    ours, read, decode, parse = [], [], [], []
    for _ in range(PAIRS):
        ours.append(n / seconds(lambda: decode_all(LOG)))
        decode.append(len(few) / seconds(lambda: library_decode(few)))
        read.append(n / seconds(lambda: tlog.read(LOG, CARD)))
        parse.append(len(few) / seconds(lambda: library_parse(stream)))
    mine, whole, fast, usual = (statistics.median(rates) for rates in (ours, read, decode, parse))
    print(f"ours, file to records of every message: {mine:12.0f} messages/s")
    print(f"ours, file to recording (all channels): {whole:12.0f} messages/s ({n / whole:.2f} s)")
    print(f"library, decode() on cut packets:       {fast:12.0f} messages/s, ours {mine / fast:.1f} x")
    print(f"library, parse_buffer() on the stream:  {usual:12.0f} messages/s, ours {mine / usual:.1f} x")

    print_checksums(log, packets)
    figures = {"messages_per_s": mine, "times_decode": mine / fast, "times_parse": mine / usual}
    print(json.dumps({name: round(value, 1) for name, value in figures.items()}))


if __name__ == "__main__":
    main()
