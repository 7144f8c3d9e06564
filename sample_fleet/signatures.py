"""The signature of every cause: a healthy flight beside a faulty one, to be seen by eye, and one number each.

`python -m trimkeep.sample_fleet.signatures OUT_FOLDER` draws the plots and writes the table. The numbers are
simple sums over stretches that the flight plan names; they share nothing with the project's detectors.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import MODES, defaults_for
from trimkeep.sample_fleet.faults import FAULT_KINDS, Fault
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.fly import fly
from trimkeep.sample_fleet.plans import Leg, Plan
from trimkeep.sample_fleet.world import Weather

Series = NDArray[np.float64]
MODEL = AIRFRAMES["medium_twin"]
AIR = Weather(gust_mps=0.15, wind_mps=2.0)
SHOW = Plan(
    (
        Leg("attitude", "launch", 4.0),
        Leg("attitude", "climb", 45.0, height_m=80.0),
        Leg("manual", "straight", 25.0),
        Leg("rate", "rate_steps", 12.0),
        Leg("cruise", "straight", 45.0),
        Leg("altitude_hold", "turn", 40.0, bank_deg=30.0),
        Leg("cruise", "straight", 40.0),
        Leg("attitude", "land", 45.0),
    )
)


def show_flight(*faults: Fault, seed: int = 11) -> Flown:
    """One flight of the 2.2 m twin in light air; the same air and noise for the same seed."""
    return fly(MODEL, defaults_for(MODEL), SHOW, AIR, faults, np.random.default_rng(seed))


def during(flown: Flown, mode: str, settle_s: float = 8.0, which: int = 0) -> slice:
    """Frames of the `which`-th airborne stretch in a mode, without its first seconds.

    Raises
    ------
    ValueError
        The mode was not flown that often.
    """
    active = (flown.signals["mode"] == MODES[mode]) & (flown.signals["landed"] == 2.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], active.astype(int), [0]])))
    if 2 * which + 1 >= edges.size:
        raise ValueError(f"mode {mode} was not flown {which + 1} times")
    start, end = edges[2 * which], edges[2 * which + 1]
    return slice(int(start + settle_s * flown.rate_hz), int(end))


def swing(values: Series, rate_hz: float, low_hz: float = 0.1, high_hz: float = 2.0) -> float:
    """Half the peak-to-peak of a steady sine with the same power between two frequencies."""
    band = sosfiltfilt(butter(2, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos"), values)
    return float(np.sqrt(2.0) * band.std())


def _swing_of(name: str, mode: str) -> Callable[[Flown], float]:
    return lambda flown: swing(flown.signals[name][during(flown, mode)], flown.rate_hz)


def _quick_elevator(flown: Flown) -> float:
    part = during(flown, "cruise")
    return 100.0 * swing(flown.signals["elevator"][part], flown.rate_hz, 0.5, 3.0)


def _height_error(flown: Flown) -> float:
    part = during(flown, "cruise")
    return float(np.sqrt(np.mean((flown.signals["alt_want"] - flown.signals["alt"])[part] ** 2)))


def _reached_share(flown: Flown) -> float:
    part = during(flown, "rate", 0.0)
    demanded = float(np.abs(flown.signals["p_want"][part]).max())
    return float(np.abs(flown.signals["p"][part]).max()) / demanded


def _overshoot(flown: Flown) -> float:
    part = during(flown, "rate", 0.0)
    return float(np.abs(flown.signals["q"][part]).max() / np.abs(flown.signals["q_want"][part]).max())


def _mean_elevator(flown: Flown) -> float:
    return float(flown.signals["elevator"][during(flown, "cruise")].mean())


def _effectiveness(flown: Flown) -> float:
    """Pitch rate per elevator command over the pull in rate mode, deg/s."""
    part = during(flown, "rate", 0.0)
    elevator, q = flown.signals["elevator"][part], flown.signals["q"][part]
    lag = round(0.12 * flown.rate_hz)
    return float(np.polyfit(elevator[:-lag], q[lag:], 1)[0])


def _bank_error(flown: Flown) -> float:
    end = during(flown, "altitude_hold").stop
    part = slice(end - round(2.0 * flown.rate_hz), end)
    return float((flown.signals["bank"] - flown.signals["true_bank"])[part].mean())


def _mean_of(name: str, mode: str = "cruise") -> Callable[[Flown], float]:
    return lambda flown: float(flown.signals[name][during(flown, mode)].mean())


def _power(flown: Flown) -> float:
    return float((flown.signals["volt"] * flown.signals["amp"])[during(flown, "cruise")].mean())


def _resistance(flown: Flown) -> float:
    """Volts lost per ampere when the throttle is closed after the climb, mohm."""
    current, volt = flown.signals["amp"], flown.signals["volt"]
    part = slice(during(flown, "manual", 0.0).start - 150, during(flown, "manual", 0.0).start + 400)
    return -1000.0 * float(np.polyfit(current[part], volt[part], 1)[0])


def _speed_ratio(flown: Flown) -> float:
    part = during(flown, "cruise")
    density = float(flown.truth["air_density_kgm3"])
    true_cas = flown.signals["true_tas"][part] * np.sqrt(density / 1.225)
    return float(flown.signals["cas"][part].mean() / true_cas.mean())


def _armed_after(flown: Flown) -> float:
    armed = flown.signals["armed"] == 1.0
    airborne = np.flatnonzero(flown.signals["landed"] != 1.0)
    return float(armed[airborne[-1] + 1 :].sum()) / flown.rate_hz


@dataclass(frozen=True, slots=True)
class Signature:
    """How one cause shows.

    Parameters
    ----------
    name : str
        File name of the plot and row of the table.
    fault : Fault
    number : callable
        The figure that tells healthy from faulty.
    meaning, unit : str
        What the figure is.
    shows : tuple of str
        Signals plotted.
    mode : str
        Control mode plotted; empty for the end of the log.
    before_s, after_s : float
        Seconds plotted beyond the stretch.
    """

    name: str
    fault: Fault
    number: Callable[[Flown], float]
    meaning: str
    unit: str
    shows: tuple[str, ...]
    mode: str = "cruise"
    before_s: float = 0.0
    after_s: float = 0.0


def _fault(kind: str, size: float | None = None, *, loop: str = "pitch", bump: bool = False) -> Fault:
    return Fault(kind, FAULT_KINDS[kind].moderate if size is None else size, loop=loop, bump=bump)


_LINKAGE = ("pitch", "elevator", "true_elevator_deg")
SIGNATURES: tuple[Signature, ...] = (
    Signature(
        "elevator_play",
        _fault("elevator_play"),
        _swing_of("pitch", "cruise"),
        "pitch swing in cruise",
        "deg",
        _LINKAGE,
    ),
    Signature(
        "elevator_two_centres",
        _fault("elevator_two_centres"),
        _swing_of("pitch", "cruise"),
        "pitch swing in cruise",
        "deg",
        _LINKAGE,
    ),
    Signature(
        "elevator_stiction",
        _fault("elevator_stiction"),
        _swing_of("q", "cruise"),
        "pitch-rate swing in cruise",
        "deg/s",
        _LINKAGE,
    ),
    Signature(
        "aileron_play",
        _fault("aileron_play"),
        _swing_of("bank", "cruise"),
        "bank swing in cruise",
        "deg",
        ("bank", "aileron", "true_aileron_deg"),
    ),
    Signature(
        "loop_gain_pitch_high",
        _fault("loop_gain", 2.5),
        _quick_elevator,
        "elevator swing above 0.5 Hz in cruise",
        "%",
        ("pitch", "q", "elevator"),
    ),
    Signature(
        "loop_gain_pitch_low",
        _fault("loop_gain", 0.4),
        _height_error,
        "altitude error in cruise, rms",
        "m",
        ("pitch", "q", "elevator"),
    ),
    Signature(
        "loop_gain_altitude_worse",
        _fault("loop_gain", loop="altitude"),
        _height_error,
        "altitude error in cruise, rms",
        "m",
        ("height", "pitch_want", "climb"),
    ),
    Signature(
        "loop_gain_altitude_better",
        _fault("loop_gain", 1.7, loop="altitude"),
        _height_error,
        "altitude error in cruise, rms",
        "m",
        ("height", "pitch_want", "climb"),
    ),
    Signature(
        "no_effect_update",
        _fault("no_effect_update"),
        _height_error,
        "altitude error in cruise, rms",
        "m",
        ("height", "pitch", "elevator"),
    ),
    Signature(
        "rate_limit_too_high",
        _fault("rate_limit_too_high"),
        _reached_share,
        "roll rate reached over demanded",
        "",
        ("p", "p_want", "aileron"),
        "rate",
    ),
    Signature(
        "elevator_trim",
        _fault("elevator_trim"),
        _mean_elevator,
        "mean elevator command in cruise",
        "",
        ("elevator", "pitch_int", "height"),
    ),
    Signature(
        "low_throw",
        _fault("low_throw"),
        _effectiveness,
        "pitch rate per elevator command",
        "deg/s",
        ("q", "elevator", "true_elevator_deg"),
        "rate",
    ),
    Signature(
        "estimator_turn_error",
        _fault("estimator_turn_error"),
        _bank_error,
        "bank error at the end of a 40 s turn",
        "deg",
        ("bank", "true_bank", "height"),
        "altitude_hold",
        5.0,
        30.0,
    ),
    Signature(
        "propeller_imbalance",
        _fault("propeller_imbalance"),
        _mean_of("vib_z"),
        "vibration in cruise",
        "m/s2",
        ("vib_z", "az", "rpm_1"),
    ),
    Signature(
        "propulsion_loss",
        _fault("propulsion_loss"),
        _power,
        "cruise power",
        "W",
        ("throttle", "amp", "rpm_1"),
    ),
    Signature(
        "battery_ageing",
        _fault("battery_ageing"),
        _resistance,
        "volts per ampere when the throttle closes",
        "mohm",
        ("volt", "amp", "throttle"),
        "manual",
        10.0,
    ),
    Signature(
        "airspeed_scale",
        _fault("airspeed_scale"),
        _speed_ratio,
        "airspeed shown over airspeed",
        "",
        ("cas", "true_tas", "throttle"),
    ),
    Signature(
        "left_armed",
        _fault("left_armed", bump=True),
        _armed_after,
        "armed on the ground after landing",
        "s",
        ("armed", "throttle", "rpm_1"),
        "",
    ),
    Signature(
        "tune_runaway",
        _fault("tune_runaway"),
        _overshoot,
        "pitch rate reached over demanded",
        "",
        ("q", "q_want", "elevator"),
        "rate",
    ),
)


def frames_shown(signature: Signature, flown: Flown) -> slice:
    """Frames of the plot."""
    if not signature.mode:
        return slice(flown.t_s.size - round(60.0 * flown.rate_hz), flown.t_s.size)
    part = during(flown, signature.mode, 0.0)
    before = round(signature.before_s * flown.rate_hz)
    return slice(part.start - before, part.stop + round(signature.after_s * flown.rate_hz))


def draw(signature: Signature, healthy: Flown, faulty: Flown, path: Path) -> None:
    """Healthy on the left, faulty on the right, same scales."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 1.5 * len(signature.shows) + 0.6), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(len(signature.shows), 2, sharex="col", sharey="row", squeeze=False)
    for column, flown in enumerate((healthy, faulty)):
        part = frames_shown(signature, flown)
        for row, name in enumerate(signature.shows):
            axes[row, column].plot(flown.t_s[part] - flown.t_s[part][0], flown.signals[name][part], lw=0.8)
            axes[row, column].grid(alpha=0.3)
            axes[row, 0].set_ylabel(name, fontsize=8)
            axes[row, column].tick_params(labelsize=7)
        axes[-1, column].set_xlabel("s", fontsize=8)
    fault = signature.fault
    unit = FAULT_KINDS[fault.kind].unit.split(",")[0]
    axes[0, 0].set_title("healthy", fontsize=9)
    axes[0, 1].set_title(f"{signature.name}: {fault.size:g} ({unit})", fontsize=9)
    figure.savefig(path, dpi=72, metadata={"Software": None})


def table_row(signature: Signature, healthy: Flown, faulty: Flown) -> str:
    """One line of the table."""
    size, unit = signature.fault.size, FAULT_KINDS[signature.fault.kind].unit
    before, after = signature.number(healthy), signature.number(faulty)
    figure = f"{signature.meaning}, {signature.unit}" if signature.unit else signature.meaning
    plot = f"[plot](signatures/{signature.name}.png)"
    return f"| {signature.name} | {size:g} {unit} | {figure} | {before:.3g} | {after:.3g} | {plot} |"


HEAD = """# Signatures of the planted causes

One flight of the 2.2 m twin in light air, healthy and with one cause at its moderate size; same air, same
sensor noise. Made by `python -m trimkeep.sample_fleet.signatures OUT_FOLDER`; the plots show the stretch of
flight in which the cause is seen, healthy on the left.

| cause | size | figure | healthy | with it | |
|---|---|---|---:|---:|---|
"""


def main(folder: Path) -> None:
    """Draw every plot into `folder`/signatures and write `folder`/signatures.md."""
    (folder / "signatures").mkdir(parents=True, exist_ok=True)
    healthy = show_flight()
    rows = []
    for signature in SIGNATURES:
        faulty = show_flight(signature.fault)
        rows.append(table_row(signature, healthy, faulty))
        draw(signature, healthy, faulty, folder / "signatures" / f"{signature.name}.png")
    (folder / "signatures.md").write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
