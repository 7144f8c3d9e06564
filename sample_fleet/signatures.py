"""The signature of every cause: a healthy flight beside a faulty one, to be seen by eye, and one number each.

`python -m trimkeep.sample_fleet.signatures OUT_FOLDER` draws the plots and writes the table. The numbers are
in `signature_figures`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from trimkeep.sample_fleet.faults import FAULT_KINDS, Fault
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.signature_figures import (
    armed_after,
    bank_error,
    cruise_power,
    during,
    effectiveness,
    height_error,
    mean_elevator,
    mean_of,
    pitch_overshoot,
    quick_elevator,
    reached_share,
    resistance,
    show_flight,
    speed_ratio,
    swing_of,
)


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
        swing_of("pitch", "cruise"),
        "pitch swing in cruise",
        "deg",
        _LINKAGE,
    ),
    Signature(
        "elevator_two_centres",
        _fault("elevator_two_centres"),
        swing_of("pitch", "cruise"),
        "pitch swing in cruise",
        "deg",
        _LINKAGE,
    ),
    Signature(
        "elevator_stiction",
        _fault("elevator_stiction"),
        swing_of("q", "cruise"),
        "pitch-rate swing in cruise",
        "deg/s",
        _LINKAGE,
    ),
    Signature(
        "aileron_play",
        _fault("aileron_play"),
        swing_of("bank", "cruise"),
        "bank swing in cruise",
        "deg",
        ("bank", "aileron", "true_aileron_deg"),
    ),
    Signature(
        "loop_gain_pitch_high",
        _fault("loop_gain", 2.5),
        quick_elevator,
        "elevator swing above 0.5 Hz in cruise",
        "%",
        ("pitch", "q", "elevator"),
    ),
    Signature(
        "loop_gain_pitch_low",
        _fault("loop_gain", 0.4),
        height_error,
        "altitude error in cruise, rms",
        "m",
        ("pitch", "q", "elevator"),
    ),
    Signature(
        "loop_gain_altitude_worse",
        _fault("loop_gain", loop="altitude"),
        height_error,
        "altitude error in cruise, rms",
        "m",
        ("height", "pitch_want", "climb"),
    ),
    Signature(
        "loop_gain_altitude_better",
        _fault("loop_gain", 1.7, loop="altitude"),
        height_error,
        "altitude error in cruise, rms",
        "m",
        ("height", "pitch_want", "climb"),
    ),
    Signature(
        "no_effect_update",
        _fault("no_effect_update"),
        height_error,
        "altitude error in cruise, rms",
        "m",
        ("height", "pitch", "elevator"),
    ),
    Signature(
        "rate_limit_too_high",
        _fault("rate_limit_too_high"),
        reached_share,
        "roll rate reached over demanded",
        "",
        ("p", "p_want", "aileron"),
        "rate",
    ),
    Signature(
        "elevator_trim",
        _fault("elevator_trim"),
        mean_elevator,
        "mean elevator command in cruise",
        "",
        ("elevator", "pitch_int", "height"),
    ),
    Signature(
        "low_throw",
        _fault("low_throw"),
        effectiveness,
        "pitch rate per elevator command",
        "deg/s",
        ("q", "elevator", "true_elevator_deg"),
        "rate",
    ),
    Signature(
        "estimator_turn_error",
        _fault("estimator_turn_error"),
        bank_error,
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
        mean_of("vib_z"),
        "vibration in cruise",
        "m/s2",
        ("vib_z", "az", "rpm_1"),
    ),
    Signature(
        "propulsion_loss",
        _fault("propulsion_loss"),
        cruise_power,
        "cruise power",
        "W",
        ("throttle", "amp", "rpm_1"),
    ),
    Signature(
        "battery_ageing",
        _fault("battery_ageing"),
        resistance,
        "volts per ampere when the throttle closes",
        "mohm",
        ("volt", "amp", "throttle"),
        "manual",
        10.0,
    ),
    Signature(
        "airspeed_scale",
        _fault("airspeed_scale"),
        speed_ratio,
        "airspeed shown over airspeed",
        "",
        ("cas", "true_tas", "throttle"),
    ),
    Signature(
        "left_armed",
        _fault("left_armed", bump=True),
        armed_after,
        "armed on the ground after landing",
        "s",
        ("armed", "throttle", "rpm_1"),
        "",
    ),
    Signature(
        "tune_runaway",
        _fault("tune_runaway"),
        pitch_overshoot,
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
