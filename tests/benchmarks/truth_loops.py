"""Loop response against closed loops put together by a control library: errors over seeds, in percent."""

from __future__ import annotations

import numpy as np

from tests.outside.loop_response_test import LOOPS, library_figures, measured

SEEDS = range(30, 34)
KINDS = ("turns", "corrections")


def loop_table() -> str:
    """Median and largest error of delay, bandwidth, damping and natural frequency for each loop."""
    lines = [
        "| closed loop (python-control) | delay | bandwidth | damping | natural frequency |",
        "|---|---:|---:|---:|---:|",
    ]
    for name, loop, dead_s, shape in LOOPS:
        delay_s, bandwidth_hz, _ = library_figures(loop, dead_s)
        truth = {"pitch_delay_s": delay_s, "pitch_bandwidth_hz": bandwidth_hz}
        if shape is not None:
            truth |= {"pitch_response_damping": shape[1], "pitch_response_hz": shape[0] / (2.0 * np.pi)}
        cells = []
        for metric in ("pitch_delay_s", "pitch_bandwidth_hz", "pitch_response_damping", "pitch_response_hz"):
            if metric not in truth:
                cells.append("")
                continue
            off = [
                100.0 * abs(said[metric].value / truth[metric] - 1.0)
                for kind in KINDS
                for seed in SEEDS
                if metric in (said := measured(name, kind, seed))
            ]
            cells.append(f"{np.median(off):.1f} %, at most {max(off):.1f} %")
        lines.append(f"| {name} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
