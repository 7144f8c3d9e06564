"""Telemetry logs of the sample fleet, read back by an independent decoder."""

from __future__ import annotations

from collections import Counter, defaultdict
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from pymavlink.dialects.v20 import common

from tests.sample_fleet.hand_made import (
    SWITCHED_ON,
    hand_made_circumstances,
    hand_made_flight,
    hand_made_identity,
)
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.identity import Circumstances, Identity
from trimkeep.sample_fleet.log_styles import FIELD, FIELD_NO_AIRSPEED, ON_BOARD, RADIO_LINK, STYLES, LogStyle
from trimkeep.sample_fleet.tlog_writer import tlog_bytes

FLIGHT = hand_made_flight()


def written(
    style: LogStyle,
    flown: Flown = FLIGHT,
    identity: Identity | None = None,
    circumstances: Circumstances | None = None,
    seed: int = 1,
) -> bytes:
    return tlog_bytes(
        flown,
        identity or hand_made_identity(),
        circumstances or hand_made_circumstances(),
        style,
        np.random.default_rng(seed),
    )


def decoded(data: bytes) -> tuple[dict[str, list[tuple[float, Any]]], Counter[int]]:
    """Messages by name with their stamps, and the numbers of those that the decoder does not know."""
    link = common.MAVLink(None)
    messages: dict[str, list[tuple[float, Any]]] = defaultdict(list)
    unknown: Counter[int] = Counter()
    at = 0
    while at < len(data):
        stamp_s = int.from_bytes(data[at : at + 8], "big") / 1e6
        head = data[at + 8]
        length = data[at + 9] + (12 if head == 0xFD else 8)
        frame = data[at + 8 : at + 8 + length]
        number = int.from_bytes(frame[7:10], "little") if head == 0xFD else frame[5]
        if number in common.mavlink_map:
            message = link.decode(bytearray(frame))
            name = message.get_type()
            if message.get_srcSystem() == 255:
                name = "ground " + name
            messages[name].append((stamp_s, message))
        else:
            unknown[number] += 1
        at += 8 + length
    return messages, unknown


@cache
def on_board() -> dict[str, list[tuple[float, Any]]]:
    """The flight as a log on board has it; only to be read."""
    return decoded(written(ON_BOARD))[0]


def signal_at(message: Any, name: str, awake_s: float = 20.0) -> float:
    row = round((message.time_boot_ms / 1e3 - awake_s) * FLIGHT.rate_hz)
    return float(FLIGHT.signals[name][row])


@pytest.mark.parametrize("style", STYLES.values(), ids=tuple(STYLES))
@pytest.mark.parametrize("protocol", [1, 2])
def test_every_packet_of_every_style_decodes(style: LogStyle, protocol: int) -> None:
    messages, unknown = decoded(written(style, identity=hand_made_identity(protocol=protocol)))
    carried = {name for name in style.messages if name not in {"ESC_STATUS", "CURRENT_MODE"}}
    assert carried <= set(messages)
    # ESC_STATUS (291) needs version 2; so a version 1 sender cannot carry it
    assert (291 in unknown) == ("ESC_STATUS" in style.messages and protocol == 2)


def test_signs_and_units_of_position_and_panel() -> None:
    messages = on_board()
    for _, m in messages["GLOBAL_POSITION_INT"][::50]:
        # half a unit of the wire's whole numbers
        assert m.vz == pytest.approx(-100.0 * signal_at(m, "climb"), abs=0.5)
        assert m.vx == pytest.approx(100.0 * signal_at(m, "vn"), abs=0.5)
        assert m.alt == pytest.approx(1000.0 * signal_at(m, "alt"), abs=0.5)
        assert m.lat == pytest.approx(1e7 * signal_at(m, "lat"), abs=0.5)
        assert m.hdg == pytest.approx(100.0 * signal_at(m, "heading"), abs=0.5)
    for _, m in messages["ATTITUDE"][::200]:
        # float32 carries seven digits
        assert m.roll == pytest.approx(np.radians(signal_at(m, "bank")), abs=1e-6)
        assert m.pitchspeed == pytest.approx(np.radians(signal_at(m, "q")), abs=1e-6)
    panel = [m.climb for _, m in messages["VFR_HUD"]]
    assert max(panel) == pytest.approx(2.0, abs=0.05)


def test_quaternion_of_the_attitude_asked_for() -> None:
    fixed = dict(FLIGHT.signals)
    for name, value in (("bank_want", 30.0), ("pitch_want", 10.0), ("heading_want", 90.0)):
        fixed[name] = np.full(FLIGHT.t_s.size, value)
    flown = Flown(FLIGHT.rate_hz, FLIGHT.t_s, fixed, FLIGHT.parameters, FLIGHT.truth)
    messages, _ = decoded(written(ON_BOARD, flown))
    # roll 30, pitch 10, yaw 90 degrees; computed apart from this code to six digits
    expected = [0.696364, 0.122788, 0.241845, 0.664463]
    assert messages["ATTITUDE_TARGET"][0][1].q == pytest.approx(expected, abs=1e-6)


def test_outputs_turn_commands_into_pulses() -> None:
    messages = on_board()
    for _, m in messages["SERVO_OUTPUT_RAW"][::100]:
        row = round((m.time_usec / 1e6 - 20.0) * FLIGHT.rate_hz)
        command = FLIGHT.signals["elevator"][row]
        # reversed: nose up shortens the pulse from 1520 towards 1100; nose down lengthens it to 1900
        pulse = 1520.0 - command * (420.0 if command > 0.0 else 380.0)
        assert m.servo2_raw == pytest.approx(pulse, abs=0.5)
        assert m.servo1_raw - 1500 == pytest.approx(1500 - m.servo6_raw, abs=1)


def test_sticks_forward_is_nose_down_on_the_wire() -> None:
    messages = on_board()
    assert messages["MANUAL_CONTROL"][0][1].x < 0 < FLIGHT.signals["stick_pitch"][0]
    assert messages["MANUAL_CONTROL"][0][1].r < 0 < FLIGHT.signals["stick_yaw"][0]


def test_greeting_states_version_and_every_parameter() -> None:
    messages = on_board()
    assert messages["AUTOPILOT_VERSION"][0][1].flight_sw_version == 0x030104FF
    stated = {m.param_id: m.param_value for _, m in messages["PARAM_VALUE"]}
    assert stated == {"PITCH_RATE_LIM": 120.0, "ALT_GAIN": 0.625, "SIXTEENLETTERS_X": 1.5}
    assert messages["STATUSTEXT"][0][1].text == "ready"
    assert messages["HEARTBEAT"][-1][1].custom_mode == 30


def test_altitude_asked_for_above_home_or_sea() -> None:
    sea = on_board()
    home, _ = decoded(written(ON_BOARD, identity=hand_made_identity(above_home=True)))
    assert {(m.alt, m.coordinate_frame) for _, m in sea["POSITION_TARGET_GLOBAL_INT"]} == {(305.0, 0)}
    assert {(m.alt, m.coordinate_frame) for _, m in home["POSITION_TARGET_GLOBAL_INT"]} == {(105.0, 3)}


def test_field_logs_send_the_last_altitude_on() -> None:
    stepped = np.where(FLIGHT.t_s < 30.0, FLIGHT.signals["alt_want"], FLIGHT.signals["alt_want"] + 20.0)
    flown = Flown(
        FLIGHT.rate_hz, FLIGHT.t_s, {**FLIGHT.signals, "alt_want": stepped}, FLIGHT.parameters, FLIGHT.truth
    )
    messages, _ = decoded(written(FIELD, flown))
    wanted = [m.alt for _, m in messages["POSITION_TARGET_GLOBAL_INT"]]
    assert set(wanted) == {305.0, 325.0}
    assert (wanted[0], wanted[-1]) == (305.0, 325.0)
    assert len(wanted) > 15 * 60


def test_stamps_are_the_receivers_clock_and_never_go_back() -> None:
    wrong_by_s = 846_000.0
    messages, _ = decoded(written(ON_BOARD, circumstances=hand_made_circumstances(clock_error_s=wrong_by_s)))
    stamps = [stamp for stamp, _ in messages["ATTITUDE"]]
    assert all(a <= b for a, b in pairwise(stamps))
    # the delay of this receiver is a few milliseconds
    assert stamps[0] == pytest.approx(SWITCHED_ON.timestamp() + wrong_by_s, abs=0.1)
    true_us = [m.time_unix_usec for _, m in messages["SYSTEM_TIME"]]
    assert true_us[0] == 0
    assert true_us[-1] / 1e6 == pytest.approx(SWITCHED_ON.timestamp() + 60.0, abs=1.1)


def test_servo_time_turns_over_after_2_to_the_32_microseconds() -> None:
    messages, _ = decoded(written(ON_BOARD, circumstances=hand_made_circumstances(awake_s=4280.0)))
    times = [m.time_usec for _, m in messages["SERVO_OUTPUT_RAW"]]
    assert sum(b < a for a, b in pairwise(times)) == 1


def test_field_logs_carry_only_what_real_logs_carry() -> None:
    messages, unknown = decoded(written(FIELD_NO_AIRSPEED, identity=hand_made_identity(protocol=1)))
    assert set(messages) == set(FIELD.messages) | {"PARAM_VALUE", "ground HEARTBEAT"}
    assert set(unknown) == {150, 152, 163, 165, 168, 174, 178, 182, 193}
    assert {m.airspeed for _, m in messages["VFR_HUD"]} == {0.0}
    assert {m.voltage_battery for _, m in messages["SYS_STATUS"]} == {0}
    assert {m.param_id for _, m in messages["PARAM_VALUE"]} == {"COUNT_FLIGHT_S", "COUNT_AWAKE_S"}
    versions = {m.get_msgbuf()[0] for _, m in messages["ground HEARTBEAT"]}
    assert versions == {0xFE, 0xFD}
    # gravity in thousandths, as real logs hold it
    assert np.mean([m.zacc for _, m in messages["RAW_IMU"]]) == pytest.approx(-1000.0, abs=20.0)


def test_radio_link_loses_packets_and_has_gaps() -> None:
    flown = hand_made_flight(seconds=120.0)
    messages, _ = decoded(written(RADIO_LINK, flown))
    stamps = np.array([stamp for stamp, _ in messages["ATTITUDE"]])
    assert np.sum(np.diff(stamps) > 1.5) in {1, 2}  # two gaps, which may overlap
    assert 3.0 < stamps.size / 120.0 < 4.0


def test_a_log_may_start_in_the_air_end_short_and_hold_garbage() -> None:
    whole = written(ON_BOARD)
    aloft, _ = decoded(written(ON_BOARD, circumstances=hand_made_circumstances(keep=(20.0, 40.0))))
    assert {m.landed_state for _, m in aloft["EXTENDED_SYS_STATE"]} == {2}
    assert "PARAM_VALUE" not in aloft
    assert written(ON_BOARD, circumstances=hand_made_circumstances(cut_bytes=7)) == whole[:-7]
    spoilt = written(ON_BOARD, circumstances=hand_made_circumstances(garbage_spots=3))
    assert 9 <= len(spoilt) - len(whole) <= 180


def test_same_seed_same_bytes() -> None:
    assert written(FIELD) == written(FIELD)
    assert written(FIELD) != written(FIELD, seed=2)
