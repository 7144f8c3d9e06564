"""Limits for the evidence, calibrated by simulation: looked at after every flight, they keep the level.

The limit that holds for any stopping rule wastes part of the allowed false alarms, because the judge
looks for a known number of flights and because real noise (gross errors, memory, few flights before)
moves the evidence both ways. So unchanged series are simulated with the fleet's own correlation and
share of gross errors, judged after each of the 60 flights, and the limit is put where the stated
share of series ever passes it.

The limits are a stored artefact (`limits.toml`), made by `calibration_runs`; nothing is simulated when
a fleet is judged.
"""

from __future__ import annotations

import functools
import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources

import numpy as np

from trimkeep.detectors.history.evidence import log_e_value
from trimkeep.detectors.model import FloatArray

WIDTH = 1.0
"""Prior deviation of a step, in flight-to-flight deviations. Any width is valid; this one is quick
at two deviations with twenty flights before."""
CALL_WIDTH = 1.5
"""The same for calling a change over the fleet: what is called early is larger."""
CALL_WIDE, CALL_WIDE_SHARE = 10.0, 0.1
"""A tenth of the weight is on far larger steps. With a handful of flights the evidence under a narrow
law stays small however large the step: one of forty deviations would look like one of five."""
CALL_LOOKS, CALL_HANDICAP = (6.0, 20.0, 40.0), (-0.1, 0.13, -0.1)
FIRST_LOOK, HORIZON = 3, 60
QUICKEST, HANDICAP, HANDICAP_UNTIL = 8.0, 0.5, 20.0
AIM = 0.94
"""Part of the allowed level that the limits spend on the reference series; the rest is for what
real series do that the reference does not."""
LEVELS = (0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)

AXES: Mapping[str, tuple[float, ...]] = {
    "flights_before": (5.0, 8.0, 14.0, 25.0, 60.0),
    "rho": (0.0, 0.2, 0.4, 0.6),
    "outlier_share": (0.0, 0.05, 0.10),
    "sigma_flights": (0.0, 5.0, 10.0),
}
"""What the limits depend on. Between the values they are interpolated (flights before by logarithm)."""


def log_call_evidence(t: FloatArray, freedom: FloatArray, information: FloatArray) -> FloatArray:
    """Logarithm of the evidence by which a change is called over the fleet.

    Parameters
    ----------
    t, freedom, information : ndarray
        As in `log_e_value`.
    """
    usual = log_e_value(t, freedom, information, CALL_WIDTH) + np.log1p(-CALL_WIDE_SHARE)
    wide = log_e_value(t, freedom, information, CALL_WIDE) + np.log(CALL_WIDE_SHARE)
    return np.logaddexp(usual, wide)


def call_handicap(flights_after: FloatArray) -> FloatArray:
    """How much the evidence for calling is lowered, by flights after the change.

    A digest after every few flights asks again and again. In the first weeks a call is worth most; in
    the middle each further look brings as many false calls as right ones, so that more is asked for;
    late, what is still in doubt has had its time. Set on 400 simulated digests (seed 5150).
    """
    held = np.log(np.maximum(flights_after, CALL_LOOKS[0]))
    return np.asarray(np.interp(held, np.log(CALL_LOOKS), CALL_HANDICAP))


def handicap(flights_after: FloatArray) -> FloatArray:
    """How much the limit's logarithm is raised for looks early and late.

    Least at eight flights after the change, where a decision is worth most: earlier the few flights
    after the change are easily all odd, later there is time.
    """
    held = np.minimum(flights_after, HANDICAP_UNTIL)
    return np.asarray(HANDICAP * np.abs(np.log(held / QUICKEST)))


@dataclass(frozen=True, slots=True)
class Limits:
    """Calibrated limits: `log_limit` of shape (levels, flights_before, rho, outlier_share, sigma_flights)."""

    seed: int
    series_per_cell: int
    log_limit: FloatArray

    @property
    def version(self) -> str:
        """Hash of the numbers, for every verdict to name the limits it was given under."""
        return hashlib.sha256(np.round(self.log_limit, 4).tobytes()).hexdigest()[:12]

    def at(
        self,
        level: float,
        flights_before: FloatArray,
        flights_after: FloatArray,
        rho: FloatArray,
        outlier_share: FloatArray,
        sigma_flights: FloatArray,
    ) -> FloatArray:
        """Natural logarithm of the e-value that must be passed, one entry per series.

        Parameters
        ----------
        level : float
            Share of unchanged series that may ever pass within 60 flights; between the stored
            levels interpolated by logarithm, outside held at the nearest.
        flights_before, flights_after, rho, outlier_share, sigma_flights : ndarray, shape (B,)
        """
        return self.base(level, flights_before, rho, outlier_share, sigma_flights) + handicap(flights_after)

    def base(
        self,
        level: float,
        flights_before: FloatArray,
        rho: FloatArray,
        outlier_share: FloatArray,
        sigma_flights: FloatArray,
    ) -> FloatArray:
        """`at` without the handicap of the look, which is all that flights after the change alter."""
        ascending = self.log_limit[::-1]
        axes = [np.array(v) for v in AXES.values()]
        axes[0] = np.log(axes[0])
        axes.insert(0, np.log(np.array(LEVELS))[::-1])
        spent = np.log(level * spent_share(flights_before))
        points = (spent, np.log(flights_before), rho, outlier_share, sigma_flights)
        return interpolate(ascending, axes, points)


def spent_share(flights_before: FloatArray) -> FloatArray:
    """Part of the level that is spent: 0.75 with five flights before, 0.94 from fourteen on.

    Real series do what the reference does not (conditions that persist and are measured with an
    error); with few flights before, the fleet's noise and slopes decide, and they fit a real fleet
    less well than the reference's. Chosen so that the worst of the benchmark's cells keep the level.
    """
    return np.asarray(np.interp(np.log(flights_before), np.log([5.0, 14.0]), [0.75, 0.94]))


def interpolate(table: FloatArray, axes: Sequence[FloatArray], points: Sequence[FloatArray]) -> FloatArray:
    """Multilinear interpolation, held constant outside the axes."""
    table = np.ascontiguousarray(table)
    shape = np.broadcast_shapes(*(np.shape(p) for p in points))
    place, share = np.zeros(shape, dtype=np.int64), []
    strides = np.array(table.strides) // table.itemsize
    for axis, point, stride in zip(axes, points, strides, strict=True):
        held = np.clip(point, axis[0], axis[-1])
        index = np.clip(np.searchsorted(axis, held, side="right") - 1, 0, axis.size - 2)
        place = place + stride * index
        share.append((held - axis[index]) / (axis[index + 1] - axis[index]))
    corners = [0]
    for stride in strides.tolist():
        corners = [corner + up for corner in corners for up in (0, stride)]
    flat = table.ravel()
    values = [flat[place + corner] for corner in corners]
    for part in reversed(share):  # the last axis' neighbours stand side by side
        values = [low + part * (high - low) for low, high in zip(values[::2], values[1::2], strict=True)]
    return np.asarray(values[0])


def limits_to_toml(limits: Limits) -> str:
    """The artefact as text; `limits_from_toml` reads it back."""
    lines = [
        "# Calibrated limits of the judge: logarithm of the e-value that unchanged series pass in the",
        "# stated share. Made by `python -m tests.benchmarks.limits`; do not edit by hand.",
        f"version = {_quoted(limits.version)}",
        f"statistic = {_quoted(statistic_name())}",
        f"seed = {limits.seed}",
        f"series_per_cell = {limits.series_per_cell}",
        f"levels = [{', '.join(map(str, LEVELS))}]",
        f"horizon_flights = {HORIZON}",
        "[axes]",
        *(f"{name} = [{', '.join(map(str, values))}]" for name, values in AXES.items()),
    ]
    for number, level in enumerate(LEVELS):
        lines += ["[[limit]]", f"level = {level}", "log_e = ["]
        rows = limits.log_limit[number].reshape(-1, len(AXES["sigma_flights"]))
        lines += [f"  [{', '.join(f'{v:.4f}' for v in row)}]," for row in rows]
        lines.append("]")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return f'"{text}"'


def statistic_name() -> str:
    """What was calibrated; limits of another statistic are refused."""
    return f"step width {WIDTH} handicap {HANDICAP} at {QUICKEST} until {HANDICAP_UNTIL} from {FIRST_LOOK}"


def limits_from_toml(text: str) -> Limits:
    """Read the artefact.

    Raises
    ------
    ValueError
        Limits of another statistic or other axes than this code has: make them anew.
    """
    content = tomllib.loads(text)
    axes = {name: tuple(values) for name, values in content["axes"].items()}
    if content["statistic"] != statistic_name() or axes != dict(AXES) or tuple(content["levels"]) != LEVELS:
        raise ValueError(f"limits of {content['statistic']!r}, this code judges by {statistic_name()!r}")
    shape = tuple(len(v) for v in AXES.values())
    table = np.stack([np.array(entry["log_e"]).reshape(shape) for entry in content["limit"]])
    return Limits(content["seed"], content["series_per_cell"], table)


@functools.cache
def shipped_limits() -> Limits:
    """The limits that come with the program."""
    text = resources.files("trimkeep.detectors.history").joinpath("limits.toml").read_text(encoding="utf-8")
    return limits_from_toml(text)
