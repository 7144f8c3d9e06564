"""Telemetry logs to recordings: channels, signs, units, and the traps of the message set."""

from __future__ import annotations

import functools
import math
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.service.readers.packets import START_US, Talker, packet, record
from trimkeep.config.airframe import AirframeCard, Output
from trimkeep.config.channels import CONTROL_MODES
from trimkeep.config.errors import LogError, NoChannels, UnreadableLog
from trimkeep.detectors.model import Recording
from trimkeep.service.readers import tlog
from trimkeep.service.readers.tlog_messages import message_kinds

CARD = AirframeCard(
    id="a1",
    outputs={"elevator": (Output(2, pitch=1.0),), "throttle": (Output(3),)},
    modes={3: "altitude_hold", 5: "mission"},
    has_card=True,
)
SECOND_US = 1_000_000
FLOAT32 = 1e-6  # relative: what a 32-bit float keeps


def _read(folder: Path, content: bytes, card: AirframeCard = CARD) -> Recording:
    path = folder / "one.tlog"
    path.write_bytes(content)
    return tlog.read(path, card)


def _said(folder: Path, name: str, card: AirframeCard = CARD, /, **fields: Any) -> Recording:
    """A recording of a heartbeat and one message."""
    talker = Talker()
    return _read(folder, talker.heartbeat(START_US) + talker.say(START_US + 1, name, **fields), card)


def _value(recording: Recording, channel: str) -> float:
    (value,) = recording.channels[channel].value
    return float(value)


def test_attitude_is_degrees(tmp_path: Path) -> None:
    r = _said(tmp_path, "ATTITUDE", time_boot_ms=5, roll=0.5, pitch=-0.25, yaw=-0.1, pitchspeed=0.2)
    assert _value(r, "bank_deg") == pytest.approx(math.degrees(0.5), rel=FLOAT32)
    assert _value(r, "pitch_deg") == pytest.approx(math.degrees(-0.25), rel=FLOAT32)
    assert _value(r, "heading_deg") == pytest.approx(360.0 - math.degrees(0.1), rel=FLOAT32)
    assert _value(r, "pitch_rate_dps") == pytest.approx(math.degrees(0.2), rel=FLOAT32)


def test_position_scales_and_the_sign_of_the_climb(tmp_path: Path) -> None:
    r = _said(
        tmp_path,
        "GLOBAL_POSITION_INT",
        lat=471234567,
        lon=-81234567,
        alt=512345,
        relative_alt=112345,
        vx=300,
        vy=-400,
        vz=-150,
    )
    assert _value(r, "latitude_deg") == pytest.approx(47.1234567, abs=1e-9)
    assert _value(r, "longitude_deg") == pytest.approx(-8.1234567, abs=1e-9)
    assert _value(r, "altitude_m") == pytest.approx(512.345)
    assert _value(r, "height_m") == pytest.approx(112.345)
    assert _value(r, "climb_mps") == pytest.approx(1.5)  # vz is positive down
    assert _value(r, "groundspeed_mps") == pytest.approx(5.0)
    assert _value(r, "course_deg") == pytest.approx(306.8699, abs=1e-4)


def test_air_data_climb_is_positive_up(tmp_path: Path) -> None:
    r = _said(tmp_path, "VFR_HUD", airspeed=15.5, climb=2.0, alt=300.0, throttle=60)
    assert _value(r, "climb_mps") == 2.0
    assert _value(r, "airspeed_mps") == 15.5
    assert _value(r, "throttle_cmd") == pytest.approx(0.6)


def test_values_that_mean_unknown_are_nan(tmp_path: Path) -> None:
    r = _said(tmp_path, "GPS_RAW_INT", eph=65535, vel=65535, cog=9000, satellites_visible=255, fix_type=3)
    assert math.isnan(_value(r, "satellite_hdop"))
    assert math.isnan(_value(r, "satellite_speed_mps"))
    assert math.isnan(_value(r, "satellites"))
    assert _value(r, "satellite_course_deg") == pytest.approx(90.0)


def test_attitude_target_of_a_known_quaternion(tmp_path: Path) -> None:
    # Roll 30, pitch 10, yaw 90 degrees (calculated, w x y z to six digits).
    q = [0.696364, 0.122788, 0.241845, 0.664463]
    r = _said(tmp_path, "ATTITUDE_TARGET", q=q, body_pitch_rate=0.1, type_mask=1)
    assert _value(r, "bank_target_deg") == pytest.approx(30.0, abs=1e-3)
    assert _value(r, "pitch_target_deg") == pytest.approx(10.0, abs=1e-3)
    assert _value(r, "heading_target_deg") == pytest.approx(90.0, abs=1e-3)
    assert _value(r, "pitch_rate_target_dps") == pytest.approx(math.degrees(0.1), rel=FLOAT32)
    assert "roll_rate_target_dps" not in r.channels  # masked out


def test_attitude_target_that_is_masked_out_is_no_target(tmp_path: Path) -> None:
    r = _said(tmp_path, "ATTITUDE_TARGET", q=[1.0, 0.0, 0.0, 0.0], type_mask=128)
    assert "bank_target_deg" not in r.channels
    assert "roll_rate_target_dps" in r.channels


@pytest.mark.parametrize(("frame", "altitude"), [(0, 100.0), (5, 100.0), (3, 500.0), (6, 500.0)])
def test_altitude_target_is_above_the_sea_whatever_the_frame(
    tmp_path: Path, frame: int, altitude: float
) -> None:
    talker = Talker()
    content = talker.heartbeat(START_US) + talker.say(
        START_US, "GLOBAL_POSITION_INT", alt=450_000, relative_alt=50_000
    )
    content += talker.say(START_US, "POSITION_TARGET_GLOBAL_INT", alt=100.0, coordinate_frame=frame)
    assert _value(_read(tmp_path, content), "altitude_target_m") == altitude


@pytest.mark.parametrize("fields", [{"coordinate_frame": 11}, {"coordinate_frame": 5, "type_mask": 4}])
def test_altitude_above_terrain_or_masked_out_is_no_target(tmp_path: Path, fields: dict[str, int]) -> None:
    r = _said(tmp_path, "POSITION_TARGET_GLOBAL_INT", alt=100.0, **fields)
    assert "altitude_target_m" not in r.channels


def test_navigation_targets_stand_in_for_missing_attitude_targets(tmp_path: Path) -> None:
    r = _said(tmp_path, "NAV_CONTROLLER_OUTPUT", nav_roll=12.0, nav_pitch=3.0, alt_error=1.5, nav_bearing=-90)
    assert _value(r, "bank_target_deg") == 12.0
    assert _value(r, "pitch_target_deg") == 3.0
    assert _value(r, "heading_target_deg") == 270.0
    assert _value(r, "altitude_error_m") == 1.5


def test_airspeed_error_in_hundredths_is_found_by_what_the_airspeed_does(tmp_path: Path) -> None:
    talker, rng = Talker(), np.random.default_rng(2)
    content = talker.heartbeat(START_US)
    for k in range(200):
        airspeed = 16.0 + float(rng.normal())
        content += talker.say(START_US + k * 100_000, "VFR_HUD", airspeed=airspeed)
        content += talker.say(
            START_US + k * 100_000, "NAV_CONTROLLER_OUTPUT", aspd_error=(16.0 - airspeed) * 100
        )
    r = _read(tmp_path, content)
    error = r.channels["airspeed_error_mps"].value + r.channels["airspeed_mps"].value
    assert error == pytest.approx(16.0, abs=1e-4)


def test_surfaces_of_a_tail_in_v_of_elevons_and_of_two_ailerons(tmp_path: Path) -> None:
    outputs = {
        "servo1_raw": 1600,
        "servo2_raw": 1600,
        "servo3_raw": 1750,
        "servo4_raw": 1250,
        "servo5_raw": 1250,
    }
    elevons = AirframeCard(
        id="e",
        outputs={
            "elevon_left": (Output(3, pitch=1.0, roll=1.0),),
            "elevon_right": (Output(4, pitch=1.0, roll=-1.0),),
        },
    )
    r = _said(tmp_path, "SERVO_OUTPUT_RAW", elevons, **outputs)
    assert _value(r, "elevator_cmd") == pytest.approx(0.0)
    assert _value(r, "aileron_cmd") == pytest.approx(0.5)
    ailerons = AirframeCard(
        id="a",
        outputs={"aileron": (Output(3), Output(5, reversed=True)), "rudder": (Output(1, high_us=1700.0),)},
    )
    r = _said(tmp_path, "SERVO_OUTPUT_RAW", ailerons, **outputs)
    assert _value(r, "aileron_cmd") == pytest.approx(0.5)
    assert _value(r, "rudder_cmd") == pytest.approx(0.5)
    note = next(note for note in r.notes if note.code == "outputs_unmapped")
    assert note.values["channels"] == "output_0_2_us, output_0_4_us"


def test_one_elevon_alone_tells_neither_pitch_nor_roll(tmp_path: Path) -> None:
    card = AirframeCard(id="e", outputs={"elevon_left": (Output(1, pitch=1.0, roll=1.0),)})
    r = _said(tmp_path, "SERVO_OUTPUT_RAW", card, servo1_raw=1600)
    assert not {"elevator_cmd", "aileron_cmd"} & set(r.channels)
    assert _value(r, "output_0_1_us") == 1600.0
    assert "output_0_2_us" not in r.channels  # never a signal


def test_a_second_bank_of_outputs_holds_its_value(tmp_path: Path) -> None:
    card = AirframeCard(id="e", outputs={"throttle": (Output(1), Output(1, port=1))})
    talker = Talker()
    content = talker.heartbeat(START_US)
    content += talker.say(START_US + 1000, "SERVO_OUTPUT_RAW", port=1, servo1_raw=1800)
    for k in range(2, 5):
        content += talker.say(START_US + k * 1000, "SERVO_OUTPUT_RAW", port=0, servo1_raw=1600)
    assert _read(tmp_path, content, card).channels["throttle_cmd"].value == pytest.approx([0.7] * 3)


def test_the_output_clock_of_32_bits_wraps_after_72_minutes(tmp_path: Path) -> None:
    talker, wrap = Talker(), 1 << 32
    content = talker.heartbeat(START_US)
    for k in range(-50, 50):
        stamp = START_US + SECOND_US * 10 + k * 100_000 + (17_000 if k % 2 else 0)  # the link's jitter
        content += talker.say(
            stamp, "SERVO_OUTPUT_RAW", time_usec=(wrap + k * 100_000) % wrap, servo2_raw=1500
        )
    time = _read(tmp_path, content).channels["elevator_cmd"].time_s
    # Microseconds in a float of some ten thousand seconds: rounding only.
    assert np.diff(time) == pytest.approx(0.1, abs=1e-9)


def test_time_since_boot_wraps_after_50_days(tmp_path: Path) -> None:
    talker = Talker()
    content = talker.heartbeat(START_US)
    for k in range(-30, 30):
        content += talker.say(
            START_US + (k + 40) * 100_000, "ATTITUDE", time_boot_ms=((1 << 32) + k * 100) % (1 << 32)
        )
    time = _read(tmp_path, content).channels["bank_deg"].time_s
    assert np.diff(time) == pytest.approx(0.1, abs=1e-6)


@pytest.mark.parametrize("epoch", [0, START_US])
def test_time_usec_may_count_from_boot_or_from_1970(tmp_path: Path, epoch: int) -> None:
    talker, rng = Talker(), np.random.default_rng(1)
    content = talker.heartbeat(START_US)
    for k in range(300):
        late = int(rng.integers(0, 40_000))
        content += talker.say(START_US + k * 20_000 + late, "ATTITUDE", time_boot_ms=5000 + k * 20)
        content += talker.say(
            START_US + k * 20_000 + late, "HIGHRES_IMU", time_usec=epoch + 5_000_000 + k * 20_000, zacc=-9.8
        )
    channels = _read(tmp_path, content).channels
    assert np.diff(channels["accel_z_mps2"].time_s) == pytest.approx(0.02, abs=2e-3)
    lag = channels["accel_z_mps2"].time_s - channels["bank_deg"].time_s
    assert np.abs(lag).max() < 0.04  # never further than the link's delay


def test_raw_accelerations_in_unknown_counts_are_left_out(tmp_path: Path) -> None:
    assert "accel_z_mps2" not in _said(tmp_path, "RAW_IMU", zacc=-16384).channels
    r = _said(tmp_path, "RAW_IMU", zacc=-1000, xgyro=1000)
    assert _value(r, "accel_z_mps2") == pytest.approx(-9.80665)
    assert _value(r, "gyro_x_dps") == pytest.approx(math.degrees(1.0))


def test_battery_units_and_unused_cells(tmp_path: Path) -> None:
    r = _said(
        tmp_path,
        "BATTERY_STATUS",
        voltages=[4100, 4000, 65535, 65535, 65535, 65535, 65535, 65535, 65535, 65535],
        current_battery=1234,
        current_consumed=2200,
        battery_remaining=-1,
    )
    assert _value(r, "battery_voltage_v") == pytest.approx(8.1)
    assert _value(r, "battery_current_a") == pytest.approx(12.34)
    assert _value(r, "battery_used_ah") == pytest.approx(2.2)
    assert "battery_left" not in r.channels


def test_system_status_stands_in_for_the_battery(tmp_path: Path) -> None:
    r = _said(tmp_path, "SYS_STATUS", voltage_battery=11100, current_battery=550, battery_remaining=80)
    assert _value(r, "battery_voltage_v") == pytest.approx(11.1)
    assert _value(r, "battery_current_a") == pytest.approx(5.5)  # units of 10 mA
    assert _value(r, "battery_left") == pytest.approx(0.8)


def test_unknown_wind_is_nan(tmp_path: Path) -> None:
    r = _said(tmp_path, "WIND_COV", wind_x=2.0, wind_y=float("nan"))
    assert _value(r, "wind_north_mps") == 2.0
    assert math.isnan(_value(r, "wind_east_mps"))


def test_integrators_by_name(tmp_path: Path) -> None:
    r = _said(tmp_path, "NAMED_VALUE_FLOAT", name=b"pitch_int", value=0.25)
    assert _value(r, "pitch_integrator") == 0.25
    assert "roll_integrator" not in r.channels


def test_modes_by_card_standard_mode_and_none(tmp_path: Path) -> None:
    talker = Talker()
    content = b"".join(
        talker.heartbeat(START_US + k * SECOND_US, base_mode=128 if k else 0, custom_mode=mode)
        for k, mode in enumerate((3, 3, 77, 77, 5))
    )
    r = _read(tmp_path, content)
    words = [CONTROL_MODES[int(code)] for code in r.channels["control_mode"].value]
    assert words == ["altitude_hold", "altitude_hold", "unknown", "unknown", "mission"]
    assert r.channels["armed"].value.tolist() == [0.0, 1.0, 1.0, 1.0, 1.0]
    (note,) = (note for note in r.notes if note.code == "mode_unmapped")
    assert note.values == {"mode_number": 77, "seconds": 2.0}


def _current_mode(stamp_us: int, custom: int, standard: int) -> bytes:
    return record(stamp_us, packet(436, struct.pack("<IIB", custom, 9, standard), extra=193))


def test_the_protocols_standard_mode_wins(tmp_path: Path) -> None:
    content = Talker().heartbeat(START_US, custom_mode=3) + _current_mode(START_US + 1, 3, 3)
    r = _read(tmp_path, content + _current_mode(START_US + 2, 5, 0))
    words = [CONTROL_MODES[int(code)] for code in r.channels["control_mode"].value]
    assert words == ["cruise", "mission"]  # the second is non-standard: the card's word


def test_parameters_keep_what_changed(tmp_path: Path) -> None:
    talker = Talker()
    content = talker.heartbeat(START_US)
    full_name = b"SIXTEEN_LETTERS_"
    for k, value in enumerate((1.0, 1.0, 1.5, 1.5, 1.0)):
        stamp = START_US + k * SECOND_US
        content += talker.say(stamp, "PARAM_VALUE", param_id=full_name, param_value=value, param_type=9)
        content += talker.say(stamp, "PARAM_VALUE", param_id=b"OTHER", param_value=7.0, param_type=9)
    readings = [(p.time_s, p.name, p.value) for p in _read(tmp_path, content).parameters]
    assert readings == [
        (0.0, "SIXTEEN_LETTERS_", 1.0),
        (0.0, "OTHER", 7.0),
        (2.0, "SIXTEEN_LETTERS_", 1.5),
        (4.0, "SIXTEEN_LETTERS_", 1.0),
    ]


@pytest.mark.parametrize(("capabilities", "value"), [(131072, 3.0), (16, 3.0)])
def test_integer_parameters_converted_or_copied_byte_by_byte(
    tmp_path: Path, capabilities: int, value: float
) -> None:
    carried = 3.0 if capabilities == 131072 else struct.unpack("<f", struct.pack("<i", 3))[0]
    talker = Talker()
    content = talker.heartbeat(START_US)
    content += talker.say(START_US, "AUTOPILOT_VERSION", capabilities=capabilities)
    content += talker.say(START_US, "PARAM_VALUE", param_id=b"N", param_value=carried, param_type=6)
    assert _read(tmp_path, content).parameters[0].value == value


def test_long_texts_come_in_chunks(tmp_path: Path) -> None:
    talker = Talker()
    content = talker.heartbeat(START_US)
    content += talker.say(START_US, "STATUSTEXT", severity=4, text=b"a" * 50, id=7, chunk_seq=0)
    content += talker.say(START_US, "STATUSTEXT", severity=4, text=b"bcd", id=7, chunk_seq=1)
    content += talker.say(START_US, "STATUSTEXT", severity=6, text=b"single")
    texts = [(t.severity, t.text) for t in _read(tmp_path, content).texts]
    assert texts == [(4, "a" * 50 + "bcd"), (6, "single")]


@pytest.mark.parametrize(
    ("version", "words"),
    [(0x010203FF, "1.2.3"), (0x01020380, "1.2.3beta"), (0x010203C0, "1.2.3rc"), (0, None)],
)
def test_firmware_and_board(tmp_path: Path, version: int, words: str | None) -> None:
    r = _said(tmp_path, "AUTOPILOT_VERSION", flight_sw_version=version, uid=0xABC)
    assert r.firmware == words
    assert r.board == "0000000000000abc"


def test_motor_speeds_by_index(tmp_path: Path) -> None:
    payload = struct.pack("<Q4i8fB", 0, 5000, 6000, 0, 0, *[0.0] * 8, 0)
    content = Talker().heartbeat(START_US) + record(START_US, packet(291, payload, extra=10))
    r = _read(tmp_path, content)
    assert (_value(r, "motor_1_rpm"), _value(r, "motor_2_rpm")) == (5000.0, 6000.0)


def test_a_joystick_pushed_forward_is_nose_down(tmp_path: Path) -> None:
    station = Talker(system=255, component=190)
    content = Talker().heartbeat(START_US) + station.say(
        START_US, "MANUAL_CONTROL", target=1, x=1000, y=500, r=-250, z=600
    )
    r = _read(tmp_path, content)
    assert _value(r, "stick_pitch") == -1.0
    assert _value(r, "stick_roll") == 0.5
    assert _value(r, "stick_yaw") == 0.25
    assert _value(r, "stick_throttle") == pytest.approx(0.6)


def test_the_autopilot_is_chosen_by_heartbeat_and_others_are_noted(tmp_path: Path) -> None:
    pilot, station = Talker(), Talker(system=255, component=190)
    content = pilot.heartbeat(START_US) + pilot.say(START_US, "ATTITUDE", roll=0.1)
    for k in range(30):
        content += station.say(START_US + k, "HEARTBEAT", type=6, autopilot=8)
        content += station.say(START_US + k, "ATTITUDE", roll=1.0)
    r = _read(tmp_path, content)
    assert _value(r, "bank_deg") == pytest.approx(math.degrees(0.1), rel=FLOAT32)
    (note,) = (note for note in r.notes if note.code == "foreign_sender")
    assert note.values == {"system": 255, "component": 190, "frames": 60}


def test_empty_and_useless_files_are_said(tmp_path: Path) -> None:
    for content in (b"", b"\0" * 5000):
        with pytest.raises(UnreadableLog, match=r"one.tlog"):
            _read(tmp_path, content)
    with pytest.raises(NoChannels):
        _read(tmp_path, Talker().say(START_US, "PING", seq=5))
    with pytest.raises(UnreadableLog):
        tlog.read(tmp_path / "missing.tlog", CARD)


@functools.cache
def _small_log(rounds: int) -> bytes:
    talker = Talker()
    parts = []
    for k in range(rounds):
        stamp = START_US + k * 100_000
        parts.append(talker.heartbeat(stamp))
        parts.append(talker.say(stamp, "ATTITUDE", time_boot_ms=k * 100, roll=0.1, version=1 + k % 2))
        parts.append(talker.say(stamp, "SERVO_OUTPUT_RAW", servo2_raw=1500 + k))
        parts.append(talker.say(stamp, "STATUSTEXT", text=b"hello"))
    return b"".join(parts)


def test_a_log_cut_at_every_byte_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    whole = _small_log(3)
    for length in range(len(whole)):
        try:
            r = _read(tmp_path, whole[:length])
        except LogError:
            assert length < 60
            continue
        assert all(np.all(np.diff(c.time_s) >= 0.0) for c in r.channels.values())


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_spoilt_logs_raise_nothing_but_log_errors(tmp_path: Path, data: st.DataObject) -> None:
    content = bytearray(_small_log(12))
    for _ in range(data.draw(st.integers(0, 6))):
        at = data.draw(st.integers(0, len(content) - 1))
        if data.draw(st.booleans()):
            content[at] = data.draw(st.integers(0, 255))
        else:
            content[at:at] = data.draw(st.binary(max_size=40))
    try:
        r = _read(tmp_path, bytes(content))
    except LogError:
        return
    for channel in r.channels.values():
        assert np.all(np.diff(channel.time_s) >= 0.0)
        assert np.all(channel.time_s >= 0.0)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from(range(0, 437)), min_size=1, max_size=20), st.randoms(use_true_random=False))
def test_any_messages_with_any_payload_make_a_recording_or_a_log_error(
    tmp_path: Path, numbers: list[int], random: Any
) -> None:
    kinds = message_kinds()
    content = b"".join(
        record(
            random.getrandbits(64),
            packet(n, random.randbytes(kinds[n].layout.itemsize), extra=kinds[n].extra),
        )
        for n in numbers
        if n in kinds
    )
    try:
        r = _read(tmp_path, content)
    except LogError:
        return
    assert all(np.all(np.diff(c.time_s) >= 0.0) for c in r.channels.values())
