"""Broken logs made in code: what bad sectors, radios, clocks, spreadsheets and people leave behind."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from tests.fuzz import seeds
from tests.fuzz.mutate import flip_bits, move_run, put_noise, remove_run, repeat_run, zero_run
from tests.service.readers.packets import START_US, Talker

ROWS_OF_A_BOMB = 60_000_000


def corpus() -> Iterator[tuple[str, bytes]]:
    """File name and content of every broken log."""
    yield from _cut()
    yield from _damaged()
    yield from _not_what_they_say()
    yield from _clocks()
    yield from _tables()
    yield from _parquet()


def _cut() -> Iterator[tuple[str, bytes]]:
    data = seeds.telemetry()
    for share in (0.0, 0.0001, 0.3, 0.999):
        yield f"cut at {share}.tlog", data[: int(share * len(data))]
    yield "cut in a line.csv", seeds.table().encode()[:9001]
    yield "header only.csv", b"time_s,pitch_deg\n"
    yield "cut.parquet", seeds.parquet()[:-9]
    yield "magic only.parquet", b"PAR1"


def _damaged() -> Iterator[tuple[str, bytes]]:
    rng = np.random.default_rng(3)
    for name, damage in {
        "bits": flip_bits,
        "zeros": zero_run,
        "gone": remove_run,
        "twice": repeat_run,
        "moved": move_run,
        "noise": put_noise,
    }.items():
        for suffix, data in (("tlog", seeds.telemetry()), ("csv", seeds.table().encode())):
            broken = bytearray(data)
            for _ in range(12):
                broken = damage(broken, rng)
            yield f"{name}.{suffix}", bytes(broken)
    noisy = b"".join(record + rng.bytes(int(rng.integers(0, 40))) for record in seeds.records())
    yield "noise between all packets.tlog", noisy
    yield "upside down.tlog", b"".join(reversed(seeds.records()))


def _not_what_they_say() -> Iterator[tuple[str, bytes]]:
    rng = np.random.default_rng(4)
    yield "empty.tlog", b""
    yield "empty.csv", b""
    yield "zeros.tlog", bytes(200_000)
    yield "random.tlog", rng.bytes(200_000)
    yield "random.csv", rng.bytes(50_000)
    yield "start bytes.tlog", b"\xfd" * 300_000
    # Every packet claims the longest payload there is, so that each seems to run into the next.
    yield "huge lengths.tlog", (b"\0" * 8 + b"\xfe\xff") * 20_000
    yield "a picture.csv", b"\x89PNG\r\n\x1a\n" + rng.bytes(5000)
    yield "one endless line.csv", b"time_s,pitch_deg\n" + b"9" * 400_000
    yield "quote never closed.csv", b'time_s,pitch_deg\n0,"1\n' + b"1,2\n" * 50_000
    yield (
        "ten thousand columns.csv",
        b",".join(b"c%d" % k for k in range(10_000)) + b"\n" + b"1," * 9_999 + b"1\n",
    )


def _clocks() -> Iterator[tuple[str, bytes]]:
    records = seeds.records()

    def stamped(stamps: Iterator[int]) -> bytes:
        return b"".join(
            struct.pack(">Q", stamp % 2**64) + record[8:]
            for stamp, record in zip(stamps, records, strict=True)
        )

    own = [struct.unpack(">Q", record[:8])[0] for record in records]
    rng = np.random.default_rng(5)
    yield "from 1970.tlog", stamped(stamp - START_US for stamp in own)
    yield "clock stands.tlog", stamped(START_US for _ in own)
    yield "clock runs back.tlog", stamped(2 * START_US - stamp for stamp in own)
    yield "clock at random.tlog", stamped(int(rng.integers(0, 2**62)) for _ in own)
    yield "clock leaps by days.tlog", stamped(stamp + 80_000_000_000 * k for k, stamp in enumerate(own))
    lines = seeds.table().splitlines()
    head, rows = lines[:4], [line.split(",", 1) for line in lines[4:]]
    for name, change in {
        "years between rows": lambda t: t * 1e7,
        "set in mid-log": lambda t: t if t < 100 else t + 1.7e9,
        "back in mid-log": lambda t: t if t < 100 else t - 50,
        "beyond all numbers": lambda t: t * 1e305,
        "one instant": lambda t: 7.0,
    }.items():
        yield f"{name}.csv", "\n".join([*head, *(f"{change(float(t))},{rest}" for t, rest in rows)]).encode()
    for year in ("0001", "1970", "9999"):
        yield (
            f"year {year}.csv",
            seeds.table().replace("2026-03-14T10:05:00Z", f"{year}-01-01T00:00:00+14:00").encode(),
        )


def _tables() -> Iterator[tuple[str, bytes]]:
    lines = seeds.table().splitlines()
    for value in ("nan", "inf", "-inf", "1e308", "1e-320", "", "abc"):
        rows = [
            line.rsplit(",", 3)[0] + f",{value}," + ",".join(line.rsplit(",", 2)[1:]) for line in lines[4:]
        ]
        yield f"command is {value or 'empty'}.csv", "\n".join([*lines[:4], *rows]).encode()
    yield "same column twice.csv", b"time_s,pitch_deg,pitch_deg\n0,1,2\n1,1,2\n"
    yield "no time.csv", b"pitch_deg,bank_deg\n1,2\n3,4\n"
    yield "ragged.csv", b"time_s,pitch_deg\n0,1\n1\n2,3,4\n"
    yield "utf-16.csv", seeds.table().encode("utf-16")
    yield "utf-32.csv", seeds.table().encode("utf-32")
    yield "old line ends.csv", seeds.table().replace("\n", "\r").encode()


def _parquet() -> Iterator[tuple[str, bytes]]:
    def stored(**columns: pa.Array) -> bytes:
        target = io.BytesIO()
        pq.write_table(pa.table(columns), target, compression="zstd")
        return target.getvalue()

    times = pa.array(np.arange(50.0))
    yield "times as words.parquet", stored(time_s=pa.array(["a"] * 50), pitch_deg=times)
    yield "lists.parquet", stored(time_s=times, pitch_deg=pa.array([[1.0]] * 50))
    yield (
        "times of no calendar.parquet",
        stored(time_s=times, pitch_deg=pa.array([2**62] * 50, pa.timestamp("us"))),
    )
    footer = bytearray(stored(time_s=times, pitch_deg=times))
    footer[-8:-4] = struct.pack("<I", 2**31 - 1)
    yield "huge footer.parquet", bytes(footer)


def parquet_bomb() -> bytes:
    """A megabyte that becomes gigabytes: one value, claimed sixty million times."""
    target = io.BytesIO()
    part = pa.table({name: pa.array(np.zeros(10_000_000)) for name in ("time_s", "pitch_deg", "bank_deg")})
    with pq.ParquetWriter(target, part.schema, compression="zstd", use_dictionary=True) as writer:
        for _ in range(ROWS_OF_A_BOMB // len(part)):
            writer.write_table(part, row_group_size=len(part))
    return target.getvalue()


def special_floats(value: float) -> bytes:
    """A telemetry log whose floats are all one difficult value for a while."""
    talker, parts = Talker(), []
    for k in range(400):
        stamp, boot, now = START_US + 500_000 * k, 5000 + 500 * k, value if 100 < k < 200 else 1.0
        said: dict[str, dict[str, object]] = {
            "ATTITUDE": {"time_boot_ms": boot, "roll": now, "pitch": now, "yaw": now, "pitchspeed": now},
            "VFR_HUD": {"airspeed": now, "groundspeed": 15.0, "alt": now, "climb": now, "throttle": 60},
            "NAV_CONTROLLER_OUTPUT": {"alt_error": now, "nav_pitch": now, "nav_roll": now},
            "GLOBAL_POSITION_INT": {"time_boot_ms": boot, "relative_alt": 50_000, "lat": 2**31 - 1},
            "ATTITUDE_TARGET": {"time_boot_ms": boot, "q": [now] * 4, "body_pitch_rate": now, "thrust": now},
            "HIGHRES_IMU": {"time_usec": stamp, "xacc": now, "zacc": now, "ygyro": now, "abs_pressure": now},
            "VIBRATION": {"time_usec": stamp, "vibration_x": now},
            "WIND_COV": {"time_usec": stamp, "wind_x": now, "wind_y": now},
            "SERVO_OUTPUT_RAW": {"servo1_raw": 65535, "servo2_raw": 0, "servo3_raw": 1500 + k % 9},
            "PARAM_VALUE": {"param_id": b"PITCH_RATE_MAX", "param_value": now, "param_type": 9},
        }
        parts.append(talker.heartbeat(stamp, base_mode=209, custom_mode=3))
        parts += [talker.say(stamp, name, **fields) for name, fields in said.items()]
    return b"".join(parts)
