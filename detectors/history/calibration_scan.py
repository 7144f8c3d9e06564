"""Limits for steps and drift at unknown times, calibrated as those of known changes are.

The evidence of a longer stretch moves more, because there are more places for a step; the limit
rises with the length so that unchanged series pass it at an even rate.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources

import numpy as np

from trimkeep.detectors.history.calibration import interpolate
from trimkeep.detectors.history.steps_unknown import (
    FIRST_RAMP,
    GROSS,
    LEAST_WEIGHT,
    RAMP_SHARE,
    RAMP_WIDTH,
    SHORTEST_RAMP,
    START_WEIGHT,
    WIDE,
    WIDE_SHARE,
    WINDOW,
)
from trimkeep.detectors.model import FloatArray

SCAN_QUICKEST = 20
"""Flights of a stretch at which the limit is lowest."""
SCAN_RISE = 1.5
SCAN_LEVELS = (0.1, 0.05, 0.02, 0.01)
SCAN_AIM = 0.82
"""Part of the allowed level that the limits spend on the reference series, as for known changes. Less
than there: a run of flights that conditions moved, measured with an error, looks like a step somewhere."""
SCAN_AXES: Mapping[str, tuple[float, ...]] = {
    "full_window": (0.0, 1.0),
    "rho": (0.0, 0.2, 0.4, 0.6),
    "outlier_share": (0.0, 0.05, 0.10),
    "sigma_flights": (0.0, 10.0),
}


def scan_handicap(flights: FloatArray) -> FloatArray:
    """How much the limit's logarithm is raised for the length of the window."""
    held = np.clip(flights, SCAN_QUICKEST, WINDOW)
    return np.asarray(SCAN_RISE * np.log(held / SCAN_QUICKEST))


@dataclass(frozen=True, slots=True)
class ScanLimits:
    """`log_limit`: levels by window full or not, rho, outlier_share, sigma_flights; before the handicap."""

    seed: int
    series_per_cell: int
    log_limit: FloatArray

    def at(
        self,
        level: float,
        flights: FloatArray,
        rho: FloatArray,
        outlier_share: FloatArray,
        sigma_flights: FloatArray,
    ) -> FloatArray:
        """Logarithm of the evidence that unchanged series pass within 60 flights in a share `level`.

        Parameters
        ----------
        level : float
            Between the stored levels interpolated by logarithm, outside held at the nearest.
        flights, rho, outlier_share, sigma_flights : ndarray, shape (B,)
            `flights`: length of the window.
        """
        ascending = self.log_limit[::-1]
        grid = np.log(np.array(SCAN_LEVELS))[::-1]
        axes = [grid, *(np.array(v) for v in SCAN_AXES.values())]
        where = np.full(np.shape(rho), np.log(level))
        full = (np.asarray(flights) >= WINDOW).astype(np.float64)
        found = interpolate(ascending, axes, (where, full, rho, outlier_share, sigma_flights))
        return np.asarray(found + scan_handicap(flights))


def scan_name() -> str:
    """What was calibrated; limits of another scan are refused."""
    ramps = f"ramps {RAMP_SHARE:.3f} of {RAMP_WIDTH} from {FIRST_RAMP} least {SHORTEST_RAMP}"
    wide = f"wide {WIDE_SHARE} of {WIDE}"
    starts = f"start {START_WEIGHT} least {LEAST_WEIGHT}"
    return f"window {WINDOW} {starts} {ramps} {wide} gross {GROSS} rise {SCAN_RISE} aim {SCAN_AIM}"


def scan_limits_to_toml(limits: ScanLimits) -> str:
    """The artefact as text; `scan_limits_from_toml` reads it back."""
    lines = [
        "# Calibrated limits for steps and drift at unknown times: logarithm of the evidence that",
        "# unchanged series pass in the stated share within 60 flights.",
        "# Made by `python -m tests.benchmarks.limits --scan`; do not edit by hand.",
        f'statistic = "{scan_name()}"',
        f"seed = {limits.seed}",
        f"series_per_cell = {limits.series_per_cell}",
        f"levels = [{', '.join(map(str, SCAN_LEVELS))}]",
        "[axes]",
        *(f"{name} = [{', '.join(map(str, values))}]" for name, values in SCAN_AXES.items()),
    ]
    for number, level in enumerate(SCAN_LEVELS):
        lines += ["[[limit]]", f"level = {level}", "log_e = ["]
        rows = limits.log_limit[number].reshape(-1, len(SCAN_AXES["sigma_flights"]))
        lines += [f"  [{', '.join(f'{v:.4f}' for v in row)}]," for row in rows]
        lines.append("]")
    return "\n".join(lines) + "\n"


def scan_limits_from_toml(text: str) -> ScanLimits:
    """Read the artefact.

    Raises
    ------
    ValueError
        Limits of another scan or other axes than this code has: make them anew.
    """
    content = tomllib.loads(text)
    axes = {name: tuple(values) for name, values in content["axes"].items()}
    if content["statistic"] != scan_name() or axes != dict(SCAN_AXES):
        raise ValueError(f"limits of {content['statistic']!r}, this code scans by {scan_name()!r}")
    shape = tuple(len(v) for v in SCAN_AXES.values())
    table = np.stack([np.array(entry["log_e"]).reshape(shape) for entry in content["limit"]])
    return ScanLimits(content["seed"], content["series_per_cell"], table)


@functools.cache
def shipped_scan_limits() -> ScanLimits:
    """The limits that come with the program."""
    folder = resources.files("trimkeep.detectors.history")
    return scan_limits_from_toml(folder.joinpath("scan_limits.toml").read_text(encoding="utf-8"))
