"""How logs differ: which messages they carry, how often, through what, and with which sensors dead.

`ON_BOARD` and `RADIO_LINK` are our own habits. The `FIELD` styles carry only what logs of real flights were
found to carry: the messages, rates, spread of intervals, delay of the receiver's stamps, interleaved
senders, mixed protocol versions, unknown messages, dead airspeed sensor and missing battery figures
measured on the 28 telemetry logs of

    A. Keipour, M. Mousaei, S. Scherer, "ALFA: A dataset for UAV fault and anomaly detection",
    International Journal of Robotics Research 40(2-3), 2021 (Carnegie Mellon AirLab, CC BY 4.0).

Only rates, intervals and gaps are taken from there, no flight data; `tests/outside/real_log_habits_test.py`
measures them again. The tables give the median over the logs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

NORMAL_95 = 1.6448536269514722  # 95th percentile of the standard normal distribution


@dataclass(frozen=True, slots=True)
class Cadence:
    """How often a message comes.

    Parameters
    ----------
    rate_hz : float
        Mean rate.
    interval_p95_s : float or None
        95th percentile of the interval between two; None for a clock-like sender.
    """

    rate_hz: float
    interval_p95_s: float | None = None

    @property
    def jitter_s(self) -> float:
        """Standard deviation of a sending time about its even grid, seconds.

        An interval is the difference of two such times, hence the root of two.
        """
        if self.interval_p95_s is None:
            return 0.0
        return (self.interval_p95_s - 1.0 / self.rate_hz) / NORMAL_95 / 2.0**0.5


@dataclass(frozen=True, slots=True)
class UnknownMessage:
    """A message of another dialect: number, payload bytes, cadence."""

    number: int
    payload_bytes: int
    cadence: Cadence


class Greeting(StrEnum):
    """What a log says of the autopilot at its start."""

    FULL = "full"
    """Version and every parameter."""
    NOTHING = "nothing"
    """Neither; a few running counters are sent as parameters now and then."""


@dataclass(frozen=True, slots=True)
class LogStyle:
    """One habit of telemetry logging.

    Parameters
    ----------
    name : str
    messages : mapping of str to Cadence
    greeting : Greeting
    stamp_sigma_s : float
        Spread of the receiver's stamp about the sender's clock.
    stamp_step_us : int
        Resolution of the stamp.
    loss_share : float
        Share of packets lost one by one.
    drop_outs : int
        Number of stretches of `drop_out_s` seconds without any packet.
    ground_station : tuple of int
        Protocol versions in which a ground station's heartbeats are interleaved.
    unknown : tuple of UnknownMessage
    times_since_boot : bool
        True: `time_usec` fields count from switch-on; False: satellite and inertial times are Unix time.
    board_heat_c : float
        What the board's own warmth adds to the temperature beside the pressure.
    airspeed_alive, battery_alive, sends_texts : bool
    keeps_targets : bool
        True: while no altitude is held the last one asked for is sent on, as the real logs have it (the
        target comes at its full rate in their manual stretches too). False: it is not sent then.
    """

    name: str
    messages: Mapping[str, Cadence]
    greeting: Greeting = Greeting.FULL
    stamp_sigma_s: float = 0.0005
    stamp_step_us: int = 1000
    loss_share: float = 0.0
    drop_outs: int = 0
    drop_out_s: tuple[float, float] = (2.0, 5.0)
    ground_station: tuple[int, ...] = ()
    unknown: tuple[UnknownMessage, ...] = field(default=())
    times_since_boot: bool = True
    board_heat_c: float = 0.0
    airspeed_alive: bool = True
    battery_alive: bool = True
    sends_texts: bool = True
    keeps_targets: bool = False


def _even(rates: Mapping[str, float]) -> dict[str, Cadence]:
    return {name: Cadence(rate) for name, rate in rates.items()}


ON_BOARD = LogStyle(
    name="on_board",
    messages=_even(
        {
            "HEARTBEAT": 1.0,
            "CURRENT_MODE": 1.0,
            "SYSTEM_TIME": 1.0,
            "EXTENDED_SYS_STATE": 2.0,
            "SYS_STATUS": 1.0,
            "ATTITUDE": 50.0,
            "ATTITUDE_TARGET": 50.0,
            "SERVO_OUTPUT_RAW": 50.0,
            "HIGHRES_IMU": 50.0,
            "GLOBAL_POSITION_INT": 10.0,
            "POSITION_TARGET_GLOBAL_INT": 5.0,
            "VFR_HUD": 10.0,
            "NAV_CONTROLLER_OUTPUT": 10.0,
            "MANUAL_CONTROL": 10.0,
            "GPS_RAW_INT": 5.0,
            "NAMED_VALUE_FLOAT": 10.0,
            "VIBRATION": 5.0,
            "BATTERY_STATUS": 5.0,
            "ESC_STATUS": 5.0,
        }
    ),
    times_since_boot=False,
)

RADIO_LINK = LogStyle(
    name="radio_link",
    messages=_even(
        {
            "HEARTBEAT": 1.0,
            "SYSTEM_TIME": 0.5,
            "EXTENDED_SYS_STATE": 1.0,
            "SYS_STATUS": 1.0,
            "ATTITUDE": 4.0,
            "SERVO_OUTPUT_RAW": 4.0,
            "GLOBAL_POSITION_INT": 4.0,
            "POSITION_TARGET_GLOBAL_INT": 2.0,
            "VFR_HUD": 4.0,
            "NAV_CONTROLLER_OUTPUT": 4.0,
            "MANUAL_CONTROL": 2.0,
            "GPS_RAW_INT": 2.0,
            "NAMED_VALUE_FLOAT": 2.0,
            "VIBRATION": 1.0,
            "BATTERY_STATUS": 2.0,
            "ESC_STATUS": 1.0,
        }
    ),
    stamp_sigma_s=0.02,
    loss_share=0.015,
    drop_outs=2,
    ground_station=(2,),
)

# median rate and 95th percentile of the interval over the 28 real logs
_FOUND: dict[str, Cadence] = {
    "HEARTBEAT": Cadence(1.01, 1.035),
    "SYS_STATUS": Cadence(20.37, 0.083),
    "POWER_STATUS": Cadence(20.37, 0.084),
    "MISSION_CURRENT": Cadence(19.81, 0.087),
    "NAV_CONTROLLER_OUTPUT": Cadence(19.22, 0.091),
    "POSITION_TARGET_GLOBAL_INT": Cadence(18.82, 0.094),
    "RAW_IMU": Cadence(10.00, 0.138),
    "SCALED_PRESSURE": Cadence(10.00, 0.139),
    "GPS_RAW_INT": Cadence(5.00, 0.247),
    "GLOBAL_POSITION_INT": Cadence(4.12, 0.284),
    "LOCAL_POSITION_NED": Cadence(4.12, 0.285),
    "SERVO_OUTPUT_RAW": Cadence(2.98, 0.424),
    "RC_CHANNELS": Cadence(2.98, 0.424),
    "ATTITUDE": Cadence(2.54, 0.504),
    "VFR_HUD": Cadence(2.54, 0.503),
    "SYSTEM_TIME": Cadence(2.12, 0.616),
    "VIBRATION": Cadence(1.76, 0.747),
}

# messages of another dialect that the real logs hold, by number, payload length and rate
_FOUND_UNKNOWN: tuple[UnknownMessage, ...] = (
    UnknownMessage(150, 42, Cadence(0.91)),
    UnknownMessage(152, 4, Cadence(20.11, 0.085)),
    UnknownMessage(163, 28, Cadence(1.76, 0.745)),
    UnknownMessage(165, 3, Cadence(1.76, 0.746)),
    UnknownMessage(168, 12, Cadence(2.12, 0.617)),
    UnknownMessage(174, 48, Cadence(0.97)),
    UnknownMessage(178, 24, Cadence(2.54, 0.505)),
    UnknownMessage(182, 40, Cadence(2.54, 0.504)),
    UnknownMessage(193, 22, Cadence(1.76, 0.746)),
)

FIELD = LogStyle(
    name="field",
    messages=_FOUND,
    greeting=Greeting.NOTHING,
    # stamps lie within -14 and +16 ms of the median delay in 90 % of the packets
    stamp_sigma_s=0.0095,
    stamp_step_us=1,
    ground_station=(1, 2),
    unknown=_FOUND_UNKNOWN,
    # 60 degC were read beside the pressure on a summer day
    board_heat_c=33.0,
    battery_alive=False,
    sends_texts=False,
    keeps_targets=True,
)

FIELD_NO_AIRSPEED = LogStyle(
    name="field_no_airspeed",
    messages=_FOUND,
    greeting=Greeting.NOTHING,
    stamp_sigma_s=0.0095,
    stamp_step_us=1,
    ground_station=(1, 2),
    unknown=_FOUND_UNKNOWN,
    board_heat_c=33.0,
    airspeed_alive=False,
    battery_alive=False,
    sends_texts=False,
    keeps_targets=True,
)

STYLES: dict[str, LogStyle] = {
    style.name: style for style in (ON_BOARD, RADIO_LINK, FIELD, FIELD_NO_AIRSPEED)
}
REAL_HABITS: frozenset[str] = frozenset({FIELD.name, FIELD_NO_AIRSPEED.name})
