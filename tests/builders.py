"""Recordings, flights and series in memory, from arithmetic: what goes in is what should come out.

`flown` moves a point mass through legs in a steady wind: attitude, velocities, heights, commands and
battery agree with each other by construction, so that a test plants one thing and knows the rest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.channels import CONTROL_MODES
from trimkeep.detectors.flights import split
from trimkeep.detectors.history.model import Change, ChangeItem, Series, SeriesPoint
from trimkeep.detectors.model import Channel, Flight, ParameterReading, Recording, Segment

Array = NDArray[np.float64]
G = 9.80665
CARD = AirframeCard(
    id="made-01",
    span_m=2.0,
    mass_kg=3.0,
    limits={"stall_speed_mps": 9.0, "roll_rate_max_dps": 180.0, "pitch_rate_max_dps": 120.0},
    has_card=True,
)
HOME = (12.5, -30.25)
GROUND_M = 250.0
DAY_ONE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
METRES_PER_DEGREE = 111_195.0


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch of flying: `bank_deg` turns, `climb_mps` climbs, `on_ground` stands or rolls."""

    seconds: float
    mode: str = "mission"
    bank_deg: float = 0.0
    climb_mps: float = 0.0
    airspeed_mps: float = 18.0
    on_ground: bool = False
    armed: bool = True
    throttle: float = 0.5


ROUND_TRIP: tuple[Leg, ...] = (
    Leg(20, "manual", airspeed_mps=0.0, on_ground=True, armed=False, throttle=0.0),
    Leg(10, "manual", airspeed_mps=0.0, on_ground=True, throttle=0.0),
    Leg(4, "manual", airspeed_mps=15.0, on_ground=True, throttle=1.0),
    Leg(20, "manual", climb_mps=3.0, throttle=0.9),
    Leg(40, "rate"),
    Leg(90, "altitude_hold"),
    Leg(40, "altitude_hold", bank_deg=30.0),
    Leg(120, "mission"),
    Leg(25, "mission", bank_deg=-30.0),
    Leg(120, "mission"),
    Leg(30, "attitude", climb_mps=-1.9, throttle=0.1),
    Leg(6, "manual", airspeed_mps=2.0, on_ground=True, throttle=0.0),
    Leg(15, "manual", airspeed_mps=0.0, on_ground=True, throttle=0.0),
    Leg(20, "manual", airspeed_mps=0.0, on_ground=True, armed=False, throttle=0.0),
)


def recording_of(
    channels: Mapping[str, tuple[Array, Array]],
    parameters: Sequence[tuple[float, str, float]] = (),
    start_utc: datetime | None = DAY_ONE,
) -> Recording:
    """A recording from name -> (time, value)."""
    ends = [float(time_s[-1]) for time_s, _ in channels.values() if len(time_s)]
    return Recording(
        source="made.csv",
        reader="test",
        reader_version=1,
        duration_s=max(ends, default=0.0),
        channels={
            name: Channel(np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64))
            for name, (time_s, value) in channels.items()
        },
        start_utc=start_utc,
        parameters=tuple(ParameterReading(*one) for one in parameters),
    )


def flight_of(
    channels: Mapping[str, tuple[Array, Array]],
    segments: Sequence[tuple[float, float, str, str]],
    card: AirframeCard = CARD,
    parameters: Sequence[tuple[float, str, float]] = (),
) -> Flight:
    """A flight that is airborne from its first segment's start to its last one's end."""
    parts = tuple(Segment(start, end, mode, phase) for start, end, mode, phase in segments)  # type: ignore[arg-type]
    recording = recording_of(channels, parameters)
    return Flight(recording, card, 1, parts[0].start_s, parts[-1].end_s, parts, True, True)


def held_flight(
    values: Mapping[str, Array], rate_hz: float, mode: str = "altitude_hold", phase: str = "level"
) -> Flight:
    """Channels of equal length on one clock, all of it in one mode and phase."""
    size = len(next(iter(values.values())))
    time_s = np.arange(size) / rate_hz
    channels = {name: (time_s, value) for name, value in values.items()}
    return flight_of(channels, [(0.0, float(time_s[-1]), mode, phase)])


@dataclass(frozen=True, slots=True)
class Flying:
    """Air and habits of a made flight.

    `gust_mps` is added to the airspeed that the sensor sees, `airspeed_scale` is true over logged.
    """

    rate_hz: float = 10.0
    wind_north_mps: float = 0.0
    wind_east_mps: float = 0.0
    airspeed_scale: float = 1.0
    airspeed_dead: bool = False
    noise: float = 0.0
    seed: int = 1
    leave_out: frozenset[str] = field(default=frozenset())


def flown(legs: Sequence[Leg] = ROUND_TRIP, flying: Flying | None = None) -> Recording:
    """A whole log: every channel of the catalogue that a flight by arithmetic can fill."""
    air = flying if flying is not None else Flying()
    rng = np.random.default_rng(air.seed)
    time_s = np.arange(int(sum(leg.seconds for leg in legs) * air.rate_hz)) / air.rate_hz
    step_s = 1.0 / air.rate_hz
    ends = np.cumsum([leg.seconds for leg in legs])
    which = np.minimum(np.searchsorted(ends, time_s, side="right"), len(legs) - 1)

    def of_leg(name: str) -> Array:
        return np.array([float(getattr(leg, name)) for leg in legs])[which]

    smooth = max(int(1.0 * air.rate_hz), 1)

    def rounded(value: Array) -> Array:
        padded = np.pad(value, (smooth, smooth), mode="edge")
        return np.convolve(padded, np.ones(smooth) / smooth, mode="same")[smooth:-smooth]

    ground = of_leg("on_ground") > 0
    bank, climb, tas = (
        rounded(of_leg("bank_deg")),
        rounded(of_leg("climb_mps")),
        rounded(of_leg("airspeed_mps")),
    )
    climb = np.where(ground, 0.0, climb)
    turn_dps = np.degrees(np.where(ground, 0.0, G * np.tan(np.radians(bank)) / np.maximum(tas, 5.0)))
    heading = np.cumsum(turn_dps) * step_s
    north = np.where(ground, 0.0, air.wind_north_mps) + tas * np.cos(np.radians(heading))
    east = np.where(ground, 0.0, air.wind_east_mps) + tas * np.sin(np.radians(heading))
    height = np.cumsum(climb) * step_s
    altitude = GROUND_M + height
    modes = np.array([float(CONTROL_MODES.index(leg.mode)) for leg in legs])[which]
    throttle, armed = of_leg("throttle"), of_leg("armed")
    current = armed * 30.0 * throttle**2
    used = np.cumsum(current) * step_s / 3600.0
    noise = {
        name: air.noise * rng.standard_normal(time_s.size)
        for name in ("bank", "pitch", "p", "q", "r", "az", "altitude", "tas", "surface")
    }
    pitch = np.degrees(np.arctan2(climb, np.maximum(tas, 5.0))) + 2.0
    slow = 0.02 * np.sin(2.0 * np.pi * time_s / 7.0)
    values: dict[str, Array] = {
        "bank_deg": bank + noise["bank"],
        "pitch_deg": pitch + noise["pitch"],
        "heading_deg": heading % 360.0,
        "roll_rate_dps": np.gradient(bank, step_s) + noise["p"],
        "pitch_rate_dps": turn_dps * np.sin(np.radians(bank)) + noise["q"],
        "yaw_rate_dps": turn_dps * np.cos(np.radians(bank)) + noise["r"],
        "bank_target_deg": bank,
        "pitch_target_deg": pitch,
        "roll_rate_target_dps": np.gradient(bank, step_s),
        "pitch_rate_target_dps": turn_dps * np.sin(np.radians(bank)),
        "latitude_deg": HOME[0] + np.cumsum(north) * step_s / METRES_PER_DEGREE,
        "longitude_deg": HOME[1] + np.cumsum(east) * step_s / METRES_PER_DEGREE / np.cos(np.radians(HOME[0])),
        "altitude_m": altitude + noise["altitude"],
        "height_m": height + noise["altitude"],
        "altitude_target_m": altitude,
        "velocity_north_mps": north,
        "velocity_east_mps": east,
        "climb_mps": climb,
        "groundspeed_mps": np.hypot(north, east),
        "course_deg": np.degrees(np.arctan2(east, north)) % 360.0,
        "airspeed_mps": np.zeros(time_s.size)
        if air.airspeed_dead
        else (tas + noise["tas"]) / air.airspeed_scale,
        "airspeed_target_mps": tas,
        "cross_track_m": np.where(modes == CONTROL_MODES.index("mission"), 50.0 * slow, np.nan),
        "waypoint_distance_m": np.maximum(1000.0 - 18.0 * ((time_s - 100.0) % 60.0), 0.0),
        "elevator_cmd": 0.05 + slow + 0.01 * noise["surface"],
        "aileron_cmd": 0.01 + slow + 0.01 * noise["surface"],
        "rudder_cmd": slow,
        "throttle_cmd": throttle,
        "stick_pitch": slow,
        "stick_roll": slow,
        "stick_yaw": slow,
        "stick_throttle": throttle,
        "pitch_integrator": 0.04 + 0.2 * slow,
        "roll_integrator": 0.01 + 0.2 * slow,
        "gyro_x_dps": np.gradient(bank, step_s) + noise["p"],
        "gyro_y_dps": turn_dps * np.sin(np.radians(bank)) + noise["q"],
        "gyro_z_dps": turn_dps * np.cos(np.radians(bank)) + noise["r"],
        "accel_x_mps2": G * np.sin(np.radians(pitch)),
        "accel_y_mps2": noise["az"] * 0.3,
        "accel_z_mps2": -G / np.cos(np.radians(bank)) + noise["az"],
        "vibration_x_mps2": np.abs(5.0 * throttle + noise["az"]),
        "vibration_y_mps2": np.abs(4.0 * throttle + noise["az"]),
        "vibration_z_mps2": np.abs(6.0 * throttle + noise["az"]),
        "satellites": np.full(time_s.size, 14.0),
        "satellite_fix": np.full(time_s.size, 3.0),
        "satellite_hdop": np.full(time_s.size, 0.8) + slow,
        "satellite_speed_mps": np.hypot(north, east),
        "satellite_course_deg": np.degrees(np.arctan2(east, north)) % 360.0,
        "satellite_altitude_m": altitude,
        "static_pressure_hpa": 1013.25 * (1.0 - 0.0065 * altitude / 288.15) ** 5.25588,
        "air_temperature_c": 15.0 - 0.0065 * altitude,
        "battery_voltage_v": 16.6 - 0.4 * used - 0.04 * current,
        "battery_current_a": current,
        "battery_used_ah": used,
        "motor_1_rpm": 8000.0 * throttle,
        "armed": armed,
        "landed_state": np.where(ground, 1.0, 2.0),
        "control_mode": modes,
    }
    channels = {name: (time_s, value) for name, value in values.items() if name not in air.leave_out}
    return recording_of(channels)


def one_flight(recording: Recording, card: AirframeCard = CARD) -> Flight:
    """The only flight of a recording."""
    (flight,) = split(recording, card)
    return flight


def with_channels(flight: Flight, **changed: Channel | None) -> Flight:
    """The flight with channels replaced, or left out where None."""
    channels = {**flight.recording.channels, **changed}
    kept = {name: channel for name, channel in channels.items() if channel is not None}
    return replace(flight, recording=replace(flight.recording, channels=kept))


def history(
    values: Sequence[float],
    change_at: int | None = None,
    *,
    conditions: Sequence[Mapping[str, float]] | None = None,
    **series: object,
) -> tuple[Series, tuple[Change, ...]]:
    """A series from a list, one flight a day, and the change before flight `change_at` (0-based)."""
    points = tuple(
        SeriesPoint(
            flight_id=f"{order:012x}-1",
            order=order,
            at=DAY_ONE + timedelta(days=order),
            value=float(value),
            standard_error=None,
            seconds=300.0,
            conditions=conditions[order] if conditions is not None else {},
        )
        for order, value in enumerate(values)
    )
    words: dict[str, object] = {
        "airframe": "made-01",
        "detector": "altitude_error",
        "family": "altitude_hold",
        "metric": "altitude_error_rms_m",
        "context": "held_level",
        "unit": "m",
        "better": "lower",
        "scale": "log",
        "matters": 0.5,
    }
    made = Series(points=points, **{**words, **series})  # type: ignore[arg-type]
    if change_at is None:
        return made, ()
    item = ChangeItem("firmware", "", "1.0", "1.1", documented=True)
    change = Change(
        f"made-01:{points[change_at].flight_id}", "made-01", points[change_at].at, change_at, (item,)
    )
    return made, (change,)
