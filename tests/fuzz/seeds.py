"""Small, sound files from which broken ones are made: a flight as telemetry and as a table, a journal, cards.

The flight takes half a minute to climb, two minutes in held altitude with a slow oscillation and two turns,
and lands; at 2 Hz, so that a fuzzer reads some hundred of them in a second.
"""

from __future__ import annotations

import io
import math
from functools import cache

import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from tests.service.readers.packets import START_US, Talker

SECONDS = 200
RATE_HZ = 2
AIRBORNE_S = (10, 180)
MODES = {3: "altitude_hold", 5: "mission"}
CARD = """span_m = 2.0
mass_kg = 3.0
motors = 1
[limits]
pitch_rate_max_dps = 120.0
[outputs]
aileron = { channel = 1, low_us = 1000, neutral_us = 1500, high_us = 2000, throw_deg = 20.0 }
elevator = { channel = 2, low_us = 1000, neutral_us = 1500, high_us = 2000, throw_deg = 20.0 }
throttle = { channel = 3, low_us = 1000, high_us = 2000 }
[modes]
3 = "altitude_hold"
5 = "mission"
[parameters]
pitch_rate_max_dps = "PITCH_RATE_MAX"
[thresholds]
altitude_error_rms_m = 0.8
"""
CHANNEL_MAP = """[channels]
time_s = { column = "t", unit = "ms" }
pitch_deg = { column = "theta", unit = "rad", sign = -1 }
altitude_m = { column = "alt_ft", unit = "ft" }
elevator_cmd = { column = "elev", scale = 0.01 }
"""
SETTINGS = """name = "Example survey"
time_zone = "Europe/Lisbon"
units = "metric"
[watch]
still_s = 2.0
[digest]
schedule = ["weekly", "30 5 * * *"]
[ingest]
workers = 1
[thresholds]
altitude_error_rms_m = 0.8
"""
JOURNAL = (
    "done_at,kind,part,before,after,done_by,note,id,flight_hours\n"
    "2026-03-14,servo,elevator servo,S1 0012,S1 0047,A. Nyman,play in the gear,7,31.5\n"
    '2026-03-16T10:05+01:00,firmware,,4.2.1,4.3.0,B. Okoro,"two, with a comma",8,\n'
    "2026-04-02,parameters,PITCH_RATE_MAX,180,120,A. Nyman,,9,\n"
)


def height_at(t: float) -> float:
    """Metres above the field."""
    up, down = AIRBORNE_S
    if t <= up or t >= down:
        return 0.0
    climb, descent = 4.0 * (t - up), 4.0 * (down - t)
    return min(climb, descent, 100.0) + 1.5 * math.sin(t / 1.5)


@cache
def telemetry() -> bytes:
    """The flight as a telemetry log."""
    talker, parts = Talker(), []
    for name, value in ((b"PITCH_RATE_MAX", 120.0), (b"GAIN_A", 0.25)):
        parts.append(
            talker.say(START_US, "PARAM_VALUE", param_id=name, param_value=value, param_type=9, param_count=2)
        )
    for k in range(SECONDS * RATE_HZ):
        parts += _sample(talker, k / RATE_HZ)
    return b"".join(parts)


def records() -> list[bytes]:
    """The same, record by record."""
    data, at, found = telemetry(), 0, []
    while at < len(data):
        size = 8 + 12 + data[at + 9]
        found.append(data[at : at + size])
        at += size
    return found


def _sample(talker: Talker, t: float) -> list[bytes]:
    stamp, boot = START_US + round(t * 1e6), 5000 + round(t * 1e3)
    airborne = AIRBORNE_S[0] < t < AIRBORNE_S[1]
    height, speed = height_at(t), 15.0 if airborne else 0.0
    climb = height_at(t + 0.5) - height_at(t - 0.5)
    bank = 25.0 if 80 < t < 95 or 120 < t < 135 else 0.0
    pitch = 3.0 * math.sin(t / 1.5)
    north, east = speed * t, 20.0 * math.sin(t / 20.0)
    lat, lon = round(4.7e8 + north * 90), round(8e7 + east * 130)
    said = [
        talker.say(
            stamp,
            "ATTITUDE",
            time_boot_ms=boot,
            roll=math.radians(bank),
            pitch=math.radians(pitch),
            pitchspeed=0.03,
        ),
        talker.say(
            stamp,
            "GLOBAL_POSITION_INT",
            time_boot_ms=boot,
            lat=lat,
            lon=lon,
            alt=round(1e3 * (200 + height)),
            relative_alt=round(1e3 * height),
            vx=round(100 * speed),
            vz=round(-100 * climb),
        ),
        talker.say(
            stamp,
            "VFR_HUD",
            airspeed=speed,
            groundspeed=speed,
            alt=200 + height,
            climb=climb,
            throttle=60 if airborne else 0,
        ),
        talker.say(
            stamp,
            "SERVO_OUTPUT_RAW",
            time_usec=boot * 1000,
            servo1_raw=1500 + round(bank),
            servo2_raw=1500 + round(20 * pitch),
            servo3_raw=1600 if airborne else 1000,
        ),
        talker.say(stamp, "NAV_CONTROLLER_OUTPUT", alt_error=100.0 - height, nav_pitch=pitch),
    ]
    if t == int(t):
        said += [
            talker.heartbeat(stamp, base_mode=209 if t > 5 and t < 190 else 81, custom_mode=3),
            talker.say(
                stamp, "GPS_RAW_INT", time_usec=stamp, fix_type=3, lat=lat, lon=lon, vel=round(100 * speed)
            ),
            talker.say(stamp, "SYSTEM_TIME", time_unix_usec=stamp, time_boot_ms=boot),
            talker.say(stamp, "EXTENDED_SYS_STATE", landed_state=2 if airborne else 1),
        ]
    return said


@cache
def table() -> str:
    """The flight as a table."""
    lines = [
        "# firmware: 4.2.1",
        "# start_utc: 2026-03-14T10:05:00Z",
        "# param.GAIN_A: 0.25",
        "time_s,pitch_deg,bank_deg,altitude_m,height_m,climb_mps,airspeed_mps,elevator_cmd,armed,control_mode",
    ]
    for k in range(SECONDS * RATE_HZ):
        t = k / RATE_HZ
        airborne = AIRBORNE_S[0] < t < AIRBORNE_S[1]
        height = height_at(t)
        climb = height_at(t + 0.5) - height_at(t - 0.5)
        pitch = 3.0 * math.sin(t / 1.5)
        lines.append(
            f"{t:.2f},{pitch:.3f},0,{200 + height:.2f},{height:.2f},{climb:.2f},{15 if airborne else 0},"
            f"{pitch / 50:.3f},{int(5 < t < 190)},{'altitude_hold' if airborne else 'manual'}"
        )
    return "\n".join(lines) + "\n"


@cache
def parquet() -> bytes:
    """The table as Parquet."""
    lines = [line for line in table().splitlines() if not line.startswith("#")]
    columns = pacsv.read_csv(io.BytesIO("\n".join(lines[:120]).encode()))
    target = io.BytesIO()
    pq.write_table(columns.replace_schema_metadata({"firmware": "4.2.1"}), target)
    return target.getvalue()


@cache
def foreign_table() -> str:
    """A table with headers of somebody else's choosing, attitude in radians and rates that fit it."""
    rows = ["t [ms],Theta (rad),q (rad/s),alt ft,IAS kt"]
    for k in range(200):
        t = 0.25 * k
        rows.append(
            f"{250 * k},{0.1 * math.sin(t):.4f},{0.1 * math.cos(t):.4f},{650 + 20 * math.sin(t / 5):.1f},30"
        )
    return "\n".join(rows) + "\n"
