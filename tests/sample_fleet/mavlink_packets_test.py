"""The packet writer against the protocol's test vectors and an independent decoder."""

from __future__ import annotations

import numpy as np
import pytest
from pymavlink.dialects.v10 import common as version_1
from pymavlink.dialects.v20 import common as version_2

from trimkeep.sample_fleet.mavlink_layouts import LAYOUTS, checksum
from trimkeep.sample_fleet.mavlink_packets import Sender, batch, sending_order, telemetry_log


def one_packet(name: str, sender: Sender, **columns: object) -> bytes:
    only = batch(LAYOUTS[name], sender, np.zeros(1), **columns)
    order = sending_order([only])
    return telemetry_log([only], np.array([1700000000123456]), order).tobytes()


def test_checksum_of_the_check_string() -> None:
    # CRC-16/MCRF4XX, catalogue of checksum check values
    rows = np.frombuffer(b"123456789" * 2, dtype=np.uint8).reshape(2, 9)
    assert checksum(rows).tolist() == [0x6F91, 0x6F91]


# the installed decoder does not know these; their extra bytes are checked below
UNKNOWN_TO_THE_DECODER = {"ESC_STATUS", "CURRENT_MODE"}


@pytest.mark.parametrize("name", sorted(set(LAYOUTS) - UNKNOWN_TO_THE_DECODER))
def test_layout_agrees_with_an_independent_table(name: str) -> None:
    known = version_2.mavlink_map[LAYOUTS[name].number]
    assert LAYOUTS[name].checksum_extra() == known.crc_extra
    names = [field.name for field in LAYOUTS[name].base]
    assert names == known.ordered_fieldnames[: len(names)]


@pytest.mark.parametrize(("name", "extra"), [("ESC_STATUS", 10), ("CURRENT_MODE", 193)])
def test_extra_byte_of_messages_the_decoder_lacks(name: str, extra: int) -> None:
    # computed from the protocol's XML (2026-07), see the outside check values
    assert LAYOUTS[name].checksum_extra() == extra


def test_record_is_stamp_then_packet() -> None:
    # telemetry-log record at 1700000000.123456 s with a fixed-wing HEARTBEAT, state 4, base mode 0x51
    expected = "00060a2418202240 fd09000000010100000000000000 010351040 39a12".replace(" ", "")
    record = one_packet(
        "HEARTBEAT",
        Sender(1, 1, 2),
        type=1,
        autopilot=3,
        base_mode=0x51,
        system_status=4,
        mavlink_version=3,
    )
    assert record.hex() == expected


def test_version_1_attitude_vector() -> None:
    record = one_packet("ATTITUDE", Sender(1, 1, 1), time_boot_ms=1000, roll=0.5, pitch=-0.1, yaw=1.5)
    # the check vector has sequence number 7, ours is the first; so only header and payload are compared
    assert record[8:10].hex() == "fe1c"
    assert record[11:30].hex() == "01011ee80300000000003fcdccccbd0000c03f"
    assert len(record) == 8 + 8 + 28


def test_version_2_drops_trailing_zeros_but_never_the_first_byte() -> None:
    assert one_packet("ATTITUDE", Sender(1, 1, 2), time_boot_ms=1000, roll=0.5, pitch=-0.1, yaw=1.5)[9] == 16
    empty = one_packet("EXTENDED_SYS_STATE", Sender(1, 1, 2))[8:]
    assert empty.hex() == "fd0100000001 01f5000000ac20".replace(" ", "")


@pytest.mark.parametrize(("version", "dialect"), [(1, version_1), (2, version_2)])
def test_every_packet_decodes_to_what_was_packed(version: int, dialect: object) -> None:
    rng = np.random.default_rng(5)
    n = 40
    sender = Sender(9, 1, version)
    attitude = batch(
        LAYOUTS["ATTITUDE"],
        sender,
        np.arange(n) * 0.02,
        time_boot_ms=np.arange(n) * 20.0,
        roll=rng.normal(size=n).astype(np.float32),
    )
    position = batch(
        LAYOUTS["GLOBAL_POSITION_INT"],
        sender,
        np.arange(n) * 0.02 + 0.005,
        lat=rng.integers(-(10**9), 10**9, n),
        vz=rng.integers(-400, 400, n),
    )
    other = batch(LAYOUTS["HEARTBEAT"], Sender(255, 190, 2), np.arange(3) * 0.1, type=6)
    batches = [attitude, position, other]
    order = sending_order(batches)
    data = telemetry_log(batches, np.arange(order.size) * 1000, order).tobytes()
    link = version_2.MAVLink(None)
    seen: dict[str, list[object]] = {"ATTITUDE": [], "GLOBAL_POSITION_INT": [], "HEARTBEAT": []}
    sequence: dict[int, list[int]] = {}
    at = 0
    while at < len(data):
        length = data[at + 9] + (12 if data[at + 8] == 0xFD else 8)
        message = link.decode(bytearray(data[at + 8 : at + 8 + length]))
        seen[message.get_type()].append(message)
        sequence.setdefault(message.get_srcSystem(), []).append(message.get_seq())
        at += 8 + length
    assert [m.roll for m in seen["ATTITUDE"]] == _column(attitude, "ATTITUDE", "roll", version)
    assert [m.lat for m in seen["GLOBAL_POSITION_INT"]] == _column(
        position, "GLOBAL_POSITION_INT", "lat", version
    )
    assert [m.vz for m in seen["GLOBAL_POSITION_INT"]] == _column(
        position, "GLOBAL_POSITION_INT", "vz", version
    )
    assert sequence == {9: list(range(2 * n)), 255: [0, 1, 2]}


def _column(one: object, name: str, field: str, version: int) -> list[float]:
    rows = one.payload.copy().view(LAYOUTS[name].dtype(extended=version == 2))  # type: ignore[attr-defined]
    return rows[field][:, 0].tolist()


def test_lost_packets_leave_a_hole_in_the_count() -> None:
    beats = batch(LAYOUTS["HEARTBEAT"], Sender(1, 1, 2), np.arange(4.0), type=1, mavlink_version=3)
    order = sending_order([beats])
    received = np.array([True, False, True, True])
    data = telemetry_log([beats], np.arange(4), order, received).tobytes()
    record = len(data) // 3
    assert [data[i * record + 8 + 4] for i in range(3)] == [0, 2, 3]


def test_integers_are_held_inside_their_range() -> None:
    held = batch(LAYOUTS["GLOBAL_POSITION_INT"], Sender(1, 1, 2), np.zeros(2), vx=np.array([1e9, np.nan]))
    rows = held.payload.copy().view(LAYOUTS["GLOBAL_POSITION_INT"].dtype(extended=True))
    assert rows["vx"].ravel().tolist() == [32767, 0]


def test_unknown_field_is_refused() -> None:
    with pytest.raises(ValueError, match="no field"):
        batch(LAYOUTS["ATTITUDE"], Sender(1, 1, 2), np.zeros(1), bank=1.0)
