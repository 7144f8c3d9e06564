"""The sample fleet's field log styles against the real logs whose habits they claim to have.

Source: A. Keipour, M. Mousaei, S. Scherer, "ALFA: A dataset for UAV fault and anomaly detection",
International Journal of Robotics Research 40(2-3), 2021, CC BY 4.0. Rates and intervals only.
"""

from __future__ import annotations

import os
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from tests.sample_fleet.hand_made import hand_made_circumstances, hand_made_flight, hand_made_identity
from trimkeep.sample_fleet.log_styles import FIELD
from trimkeep.sample_fleet.mavlink_layouts import LAYOUTS
from trimkeep.sample_fleet.tlog_writer import tlog_bytes

OPEN_DATA = Path(
    os.environ.get("TRIMKEEP_OPEN_DATA") or Path(__file__).resolve().parents[2].parent / "shared/open-data"
)
REAL_LOGS = sorted((OPEN_DATA / "alfa").glob("*.tlog"), key=lambda path: path.stat().st_size)[-6:]
STATED = {LAYOUTS[name].number: cadence for name, cadence in FIELD.messages.items()} | {
    unknown.number: unknown.cadence for unknown in FIELD.unknown
}
KINDS_ONLY_SOMETIMES = {11, 22, 46}  # answers to a person's commands, parameters
# kinds that real logs hold and the sample leaves out: they repeat what other kinds say
LEFT_OUT = {35, 116, 136}


def intervals(data: bytes, *, sender: int) -> dict[int, tuple[float, float, int]]:
    """Message number to rate (Hz), 95th percentile of the interval (s) and payload bytes."""
    stamps: dict[int, list[float]] = defaultdict(list)
    size: dict[int, int] = {}
    at = 0
    while at + 16 <= len(data):
        old = data[at + 8] == 0xFE
        length = data[at + 9] + (8 if old else 12)
        if data[at + (11 if old else 13)] == sender and old:
            stamps[data[at + 13]].append(int.from_bytes(data[at : at + 8], "big") / 1e6)
            size[data[at + 13]] = data[at + 9]
        at += 8 + length
    first, last = min(map(min, stamps.values())), max(map(max, stamps.values()))
    return {
        number: (len(times) / (last - first), float(np.percentile(np.diff(times), 95)), size[number])
        for number, times in stamps.items()
        if len(times) > 2
    }


@pytest.mark.skipif(not REAL_LOGS, reason="the open data is not beside the repository (TRIMKEEP_OPEN_DATA)")
def test_field_style_states_what_the_real_logs_hold() -> None:
    found = [intervals(path.read_bytes(), sender=1) for path in REAL_LOGS]
    kinds = set().union(*found) - KINDS_ONLY_SOMETIMES
    assert kinds - LEFT_OUT == set(STATED)
    for number, cadence in STATED.items():
        rate_hz = np.median([log[number][0] for log in found if number in log])
        p95_s = np.median([log[number][1] for log in found if number in log])
        # six of the 28 logs stand for all; their medians differ by a few per cent
        assert rate_hz == pytest.approx(cadence.rate_hz, rel=0.06), number
        if cadence.interval_p95_s is not None:
            assert p95_s == pytest.approx(cadence.interval_p95_s, rel=0.06), number
    for unknown in FIELD.unknown:
        assert {log[unknown.number][2] for log in found} == {unknown.payload_bytes}


def test_written_field_log_has_the_stated_habits() -> None:
    data = tlog_bytes(
        hand_made_flight(seconds=120.0),
        hand_made_identity(protocol=1),
        hand_made_circumstances(),
        FIELD,
        np.random.default_rng(3),
    )
    found = intervals(data, sender=7)
    assert set(found) - {22} == set(STATED)
    for number, cadence in STATED.items():
        rate_hz, p95_s, _ = found[number]
        # at 20 Hz two packets due in the same sample of the 50 Hz flight become one
        assert rate_hz == pytest.approx(cadence.rate_hz, rel=0.15), number
        if cadence.interval_p95_s is not None:
            assert p95_s == pytest.approx(cadence.interval_p95_s, rel=0.20), number
