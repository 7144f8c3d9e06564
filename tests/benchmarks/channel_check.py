"""The physics check of the channel map against planted mistakes: `python -m tests.benchmarks.channel_check`.

Every single mistake of a map (a sign, a usual other unit, a pair of columns exchanged, a sensor's whole
group in another unit) is planted in flights of the sample fleet's aeroplanes at four log rates, and in the
real logs of the open data where they are at hand (ALFA: A. Keipour, M. Mousaei, S. Scherer, International
Journal of Robotics Research 40(2-3), 2021, CC BY 4.0). Counted: how often the very line is named with the
very correction, and how many logs read as they should draw a complaint. `--write` puts the tables into
detectors/channel_check.md, between its marks.
"""

from __future__ import annotations

import argparse
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.benchmarks.detector_pages import CARD
from trimkeep.config.airframe import ColumnMap, Output
from trimkeep.config.channels import CHANNELS, CONTROL_MODES
from trimkeep.config.units import UNITS, conversion
from trimkeep.detectors.channel_check import MapDoubt, check_map
from trimkeep.detectors.model import Channel, Recording
from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import club_plan, survey_plan
from trimkeep.sample_fleet.table_columns import COLUMNS
from trimkeep.sample_fleet.world import Weather
from trimkeep.service.readers.registry import read_log

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "detectors" / "channel_check.md"
# As physics has it in every one of the 28 logs: the data's description gives outputs but no signs.
WAY_ROUND = replace(
    CARD,
    outputs={
        **CARD.outputs,
        "elevator": (Output(channel=2, reversed=True),),
        "aileron": (Output(channel=5), Output(channel=6)),
    },
)
OPEN_DATA = Path(os.environ.get("TRIMKEEP_OPEN_DATA", ROOT.parent / "shared" / "open-data")) / "alfa"
MARKS = ("<!-- measured -->", "<!-- end of measured -->")
RATES_HZ = (50.0, 25.0, 10.0, 4.0)
MODES = ("manual", "rate", "attitude", "altitude_hold", "cruise", "mission", "safe_recovery")

ReadAs = dict[str, tuple[str, float]]


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake of a map: what each channel is read from, and times what."""

    kind: str
    subject: str
    planted: tuple[tuple[str, str, float], ...]
    read_in: str | None = None
    """The unit that the map states, where it states one."""

    def on(self, recording: Recording) -> Recording:
        """The recording as read with the mistake."""
        channels = dict(recording.channels)
        for name, source, factor in self.planted:
            taken = recording.channels[source]
            channels[name] = Channel(taken.time_s, taken.value * factor)
        return replace(recording, channels=channels)

    @property
    def columns(self) -> tuple[ColumnMap, ...]:
        """The lines of the map."""
        return tuple(ColumnMap(name, source, unit=self.read_in) for name, source, _ in self.planted)

    @property
    def cure(self) -> ReadAs:
        """What each channel has to be read from to be right, and times what."""
        return {source: (name, 1.0 / factor) for name, source, factor in self.planted}


HEALTHY = Mistake("healthy", "nothing wrong", ())
SIGNED = (
    *("bank_deg", "pitch_deg", "heading_deg", "course_deg", "satellite_course_deg"),
    *("roll_rate_dps", "pitch_rate_dps", "yaw_rate_dps", "gyro_x_dps", "gyro_y_dps", "gyro_z_dps"),
    *("accel_x_mps2", "accel_y_mps2", "accel_z_mps2"),
    *("velocity_north_mps", "velocity_east_mps", "climb_mps", "latitude_deg", "longitude_deg"),
    *("bank_target_deg", "pitch_target_deg", "roll_rate_target_dps", "pitch_rate_target_dps"),
    *("elevator_cmd", "aileron_cmd", "rudder_cmd", "stick_pitch", "stick_roll", "battery_current_a"),
)
# Column's unit and the unit it is read as. The first is what is in the column.
CONFUSED: Mapping[str, tuple[tuple[str, str], ...]] = {
    "angle": (("rad", "deg"), ("deg", "rad"), ("cdeg", "deg")),
    "angular_rate": (("rad/s", "deg/s"), ("deg/s", "rad/s"), ("mrad/s", "deg/s")),
    "length": (("ft", "m"), ("m", "ft"), ("mm", "m")),
    "speed": (("kt", "m/s"), ("m/s", "kt"), ("km/h", "m/s"), ("cm/s", "m/s")),
    "acceleration": (("g", "m/s2"), ("m/s2", "g"), ("mg", "m/s2"), ("ft/s2", "m/s2")),
    "pressure": (("Pa", "hPa"), ("kPa", "hPa")),
    "ratio": (("%", ""),),
    "voltage": (("mV", "V"), ("V", "mV")),
    "current": (("mA", "A"), ("cA", "A")),
    "charge": (("mAh", "Ah"),),
}
CLIMB = (*CONFUSED["speed"], ("ft/min", "m/s"))
PLACE = (("degE7", "deg"), ("rad", "deg"))
NOT_READ = ("cross_track_m", "waypoint_distance_m", "satellite_hdop", "air_temperature_c", "link_quality")
"""Nothing else in a log depends on these, and no single one of them is out of the question."""
GROUPS: tuple[tuple[str, ...], ...] = (
    ("bank_deg", "pitch_deg"),
    ("roll_rate_dps", "pitch_rate_dps", "yaw_rate_dps"),
    ("gyro_x_dps", "gyro_y_dps", "gyro_z_dps"),
    ("accel_x_mps2", "accel_y_mps2", "accel_z_mps2"),
    ("velocity_north_mps", "velocity_east_mps"),
)
PAIRS = (
    *((group[a], group[b]) for group in GROUPS for a in range(len(group)) for b in range(a)),
    ("latitude_deg", "longitude_deg"),
    ("elevator_cmd", "aileron_cmd"),
    ("bank_target_deg", "pitch_target_deg"),
    ("stick_pitch", "stick_roll"),
)


def confusions(name: str) -> tuple[tuple[str, str], ...]:
    """Units that the channel's column may be in, with the one it is read as."""
    if name in ("latitude_deg", "longitude_deg"):
        return PLACE
    if name == "climb_mps":
        return CLIMB
    unit = CHANNELS[name].unit
    if CHANNELS[name].discrete or name in NOT_READ or name.startswith("vibration") or unit not in UNITS:
        return ()
    return CONFUSED.get(UNITS[unit].dimension, ())


def mistakes(recording: Recording) -> Iterator[Mistake]:
    """Every single mistake of which the recording holds the channels, with something in them."""
    there = [name for name, one in recording.channels.items() if name in CHANNELS and _moves(one)]
    for name in there:
        if name in SIGNED:
            yield Mistake("sign", name, ((name, name, -1.0),))
        for written, read in confusions(name):
            factor = conversion(read, written)[0]
            yield Mistake("unit", f"{name}: {written or '1'} as {read or '1'}", ((name, name, factor),), read)
    for group in GROUPS:
        if set(group) <= set(there):
            for written, read in confusions(group[0]):
                factor = conversion(read, written)[0]
                planted = tuple((name, name, factor) for name in group)
                yield Mistake("unit of a sensor", f"{' '.join(group)}: {written} as {read}", planted, read)
    for one, other in PAIRS:
        if {one, other} <= set(there):
            yield Mistake("exchanged", f"{one} {other}", ((one, other, 1.0), (other, one, 1.0)))


def _moves(channel: Channel) -> bool:
    known = channel.value[np.isfinite(channel.value)]
    return known.size > 10 and float(np.ptp(known)) > 0.0


def named(mistake: Mistake, doubts: Iterable[MapDoubt]) -> str:
    """`right`: the very lines and corrections and no others; `either`: the line is one of two named."""
    said = {one.channel: (one.swapped_with or one.channel, one.factor) for one in doubts}
    if not said:
        return "missed"
    cure = mistake.cure
    if said.keys() == cure.keys() and all(
        said[name][0] == source and abs(said[name][1] / factor - 1.0) < 0.02
        for name, (source, factor) in cure.items()
    ):
        return "right"
    possible = {one.channel for one in doubts} | {name for one in doubts for name in one.or_channels}
    return "either" if len(said) == 1 and set(cure) <= possible else "wrong"


def recorded(flown: Flown, rate_hz: float) -> Recording:
    """What a table of the flight holds, and raw gyros, ground speed and course as some logs have them."""
    step = round(flown.rate_hz / rate_hz)
    time_s = flown.t_s[::step]
    taken = {name: flown.signals[one.signal][::step] for name, one in COLUMNS.items()}
    taken["rudder_cmd"], taken["stick_yaw"] = (flown.signals[n][::step] for n in ("rudder", "stick_yaw"))
    for axis, signal in zip("xyz", "pqr", strict=True):
        taken[f"gyro_{axis}_dps"] = flown.signals[signal][::step]
    north, east = taken["velocity_north_mps"], taken["velocity_east_mps"]
    taken["groundspeed_mps"] = np.hypot(north, east)
    taken["course_deg"] = np.degrees(np.arctan2(east, north)) % 360.0
    codes = np.array([CONTROL_MODES.index(mode) for mode in MODES], dtype=np.float64)
    taken["control_mode"] = codes[taken["mode_number"].astype(int)]
    channels = {name: Channel(time_s, np.round(value, 7)) for name, value in taken.items()}
    return Recording("sample", "table", 1, float(time_s[-1]), channels)


def sample_flights(seed: int, each: int) -> Iterator[tuple[str, Flown]]:
    """Flights of every aeroplane of the sample fleet, survey and club flying in turn, in different air."""
    for name, model in AIRFRAMES.items():
        for number in range(each):
            rng = np.random.default_rng((seed, number, len(name)))
            plan = (survey_plan, club_plan)[number % 2](rng)
            weather = Weather(
                wind_mps=float(rng.uniform(0.0, 7.0)),
                wind_from_deg=float(rng.uniform(0.0, 360.0)),
                gust_mps=float(rng.uniform(0.1, 0.8)),
            )
            yield name, fly(model, defaults_for(model), plan, weather, (), rng)


class Score:
    """Counts by set of logs and kind of mistake, and what went wrong by subject."""

    def __init__(self) -> None:
        self.counts: dict[tuple[str, str], Counter[str]] = {}
        self.subjects: dict[tuple[str, str], Counter[str]] = {}
        self.seen: list[str] = []

    def add(self, of: str, mistake: Mistake, said: str) -> None:
        for kind in (mistake.kind, "all"):
            self.counts.setdefault((of, kind), Counter())[said] += 1
        self.subjects.setdefault((of, mistake.subject), Counter())[said] += 1


def run(recording: Recording, of: str, score: Score, every: int) -> None:
    """One log as it is, and with every (so manyth) mistake; none at 0."""
    doubts = check_map(recording)
    score.counts.setdefault((of, HEALTHY.kind), Counter())["complaint" if doubts else "quiet"] += 1
    if doubts:
        print(of, recording.source, "complaint:", _short(doubts))
    # Another beginning for each log, so that every mistake has its turn.
    begin = len(score.seen) % max(every, 1)
    score.seen.append(recording.source)
    for mistake in list(mistakes(recording))[begin :: every or None] if every else ():
        score.add(of, mistake, named(mistake, check_map(mistake.on(recording), mistake.columns)))


def _short(doubts: Iterable[MapDoubt]) -> str:
    return " + ".join(f"{one.channel} {one.kind} {one.factor:.3g}" for one in doubts)


def real_logs() -> Iterator[Recording]:
    """The open logs, by the card that fits them."""
    for log in sorted(OPEN_DATA.glob("*.tlog")):
        yield read_log(log, WAY_ROUND)


def tables(score: Score) -> str:
    """The counts as Markdown."""
    lines = ["| logs | mistake | planted | named rightly | as one of two | wrongly | not seen |"]
    lines.append("|---|---|---:|---:|---:|---:|---:|")
    for (of, kind), counts in score.counts.items():
        if kind == HEALTHY.kind:
            continue
        planted = sum(counts.values())
        shares = (
            f"{100.0 * counts[said] / planted:.1f} %" for said in ("right", "either", "wrong", "missed")
        )
        lines.append(f"| {of} | {kind} | {planted} | {' | '.join(shares)} |")
    lines += ["", "| logs, nothing planted | logs | with a complaint |", "|---|---:|---:|"]
    for (of, kind), counts in score.counts.items():
        if kind == HEALTHY.kind:
            lines.append(f"| {of} | {sum(counts.values())} | {counts['complaint']} |")
    lines += ["", "| seldom or never named rightly | in | of |", "|---|---|---|"]
    for (of, subject), counts in sorted(score.subjects.items(), key=lambda entry: (entry[0][1], entry[0][0])):
        planted = sum(counts.values())
        if subject != HEALTHY.subject and counts["right"] < 0.8 * planted:
            lines.append(f"| {subject} | {of} | {counts['right']} of {planted} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Plant, count, print; write where asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=71)
    parser.add_argument("--flights", type=int, default=2, help="of each aeroplane of the sample fleet")
    parser.add_argument("--every", type=int, default=1, help="only every so manyth mistake of a log")
    parser.add_argument("--real", type=int, default=28, help="how many of the real logs get mistakes")
    parser.add_argument("--write", action="store_true", help="put the tables into the page")
    asked = parser.parse_args()
    score = Score()
    for name, flown in sample_flights(asked.seed, asked.flights):
        for rate_hz in RATES_HZ:
            run(recorded(flown, rate_hz), f"sample fleet, {rate_hz:g} Hz", score, asked.every)
        bare = recorded(flown, RATES_HZ[-1])
        channels = {channel: one for channel, one in bare.channels.items() if channel != "control_mode"}
        run(replace(bare, channels=channels), "sample fleet, 4 Hz, modes not named", score, 0)
        print(name, flush=True)
    for number, recording in enumerate(real_logs()):
        run(recording, "real logs", score, asked.every if number < asked.real else 0)
        print(recording.source, flush=True)
    text = tables(score)
    print(text)
    if asked.write:
        page = PAGE.read_text(encoding="utf-8")
        head, tail = page.split(MARKS[0])[0], page.split(MARKS[1])[1]
        PAGE.write_text(f"{head}{MARKS[0]}\n{text}{MARKS[1]}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
